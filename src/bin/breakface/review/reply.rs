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

    /// As the HTTP library wants it, with our headers.
    pub fn into_response(self) -> tiny_http::Response<std::io::Cursor<Vec<u8>>> {
        let mut response = tiny_http::Response::from_data(self.body).with_status_code(self.status);
        let kind = ("Content-Type", self.kind);
        for (name, value) in HEADERS.iter().copied().chain([kind]) {
            if let Ok(header) = tiny_http::Header::from_bytes(name, value) {
                response.add_header(header);
            }
        }
        response
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
