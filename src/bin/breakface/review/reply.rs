//! What goes back over the wire: status, kind, bytes, and the headers that every answer carries.

use serde::Serialize;

/// An answer.
#[derive(Debug, Clone)]
pub struct Reply {
    /// HTTP status.
    pub status: u16,
    /// Media type.
    pub kind: &'static str,
    /// The body.
    pub body: Vec<u8>,
}

/// Why a request gets no data: a status and one plain sentence.
#[derive(Debug, Clone)]
pub struct Refusal {
    /// HTTP status.
    pub status: u16,
    /// What is wrong, and the way out.
    pub message: String,
}

impl Refusal {
    /// A refusal.
    pub fn new(status: u16, message: impl Into<String>) -> Self {
        Self { status, message: message.into() }
    }

    /// What is asked for does not exist.
    pub fn not_found(what: &str) -> Self {
        Self::new(404, format!("there is no such {what}"))
    }

    /// Something went wrong on this side, with all its causes.
    pub fn fault(error: &anyhow::Error) -> Self {
        Self::new(500, format!("{error:#}"))
    }
}

impl From<Refusal> for Reply {
    fn from(refusal: Refusal) -> Self {
        let mut reply = Self::json(&serde_json::json!({ "error": refusal.message }));
        reply.status = refusal.status;
        reply
    }
}

impl Reply {
    /// Bytes of a media type.
    pub fn bytes(kind: &'static str, body: impl Into<Vec<u8>>) -> Self {
        Self { status: 200, kind, body: body.into() }
    }

    /// JSON of a value.
    pub fn json(value: &impl Serialize) -> Self {
        match serde_json::to_vec(value) {
            Ok(body) => Self::bytes("application/json", body),
            Err(_) => Self { status: 500, kind: "application/json", body: b"{\"error\":\"no JSON form\"}".to_vec() },
        }
    }

    /// The head of the answer, as sent.
    pub fn head(&self) -> Vec<u8> {
        let mut head = format!("HTTP/1.1 {} {}\r\n", self.status, phrase(self.status));
        let length = self.body.len().to_string();
        let own = [("Content-Type", self.kind), ("Content-Length", length.as_str()), ("Connection", "close")];
        for (name, value) in HEADERS.into_iter().chain(own) {
            head += &format!("{name}: {value}\r\n");
        }
        head += "\r\n";
        head.into_bytes()
    }
}

/// The words that go with a status.
fn phrase(status: u16) -> &'static str {
    match status {
        200 => "OK",
        400 => "Bad Request",
        403 => "Forbidden",
        404 => "Not Found",
        405 => "Method Not Allowed",
        409 => "Conflict",
        507 => "Insufficient Storage",
        _ => "Refused",
    }
}

/// Headers of every answer: nothing from elsewhere runs or is framed, nothing is kept or guessed, no address leaks.
const HEADERS: [(&str, &str); 7] = [
    (
        "Content-Security-Policy",
        "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' blob:; connect-src 'self'; \
         base-uri 'none'; form-action 'none'; frame-ancestors 'none'",
    ),
    ("Cache-Control", "no-store"),
    ("X-Content-Type-Options", "nosniff"),
    ("X-Frame-Options", "DENY"),
    ("Referrer-Policy", "no-referrer"),
    ("Cross-Origin-Resource-Policy", "same-origin"),
    ("Cross-Origin-Opener-Policy", "same-origin"),
];
