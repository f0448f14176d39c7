//! Who may ask: the head of a request -> yes, or why not.
//!
//! The page is for one person at one computer. A web page of somebody else that is open in the same browser must not be
//! able to read or write anything: so the name in `Host` must be ours (against DNS rebinding), `Origin` and
//! `Sec-Fetch-Site` must be ours when they are sent, and everything that reads or writes data needs the token that only
//! the printed address holds.

use super::reply::Refusal;

/// The longest request target that is read, bytes.
const MAX_TARGET: usize = 2048;

/// Header that carries the token; the query parameter `token` does the same.
pub const TOKEN_HEADER: &str = "X-Breakface-Token";

/// What is known of a request before its body is read.
#[derive(Debug, Clone, Default)]
pub struct Head {
    /// `GET`, `POST` or another word.
    pub method: String,
    /// Path without query, not decoded: our paths hold nothing that needs decoding.
    pub path: String,
    /// Decoded query parameters.
    pub query: Vec<(String, String)>,
    /// Header names in lower case, with their values.
    pub headers: Vec<(String, String)>,
}

impl Head {
    /// Takes a request target apart.
    pub fn new(method: &str, target: &str, headers: Vec<(String, String)>) -> Result<Self, Refusal> {
        if target.len() > MAX_TARGET {
            return Err(Refusal::new(414, "the address is too long"));
        }
        let (path, query) = target.split_once('?').unwrap_or((target, ""));
        let mut pairs = Vec::new();
        for part in query.split('&').filter(|p| !p.is_empty()) {
            let (name, value) = part.split_once('=').unwrap_or((part, ""));
            let value = decoded(value).ok_or_else(|| Refusal::new(400, "the query is not valid UTF-8"))?;
            pairs.push((name.to_owned(), value));
        }
        Ok(Self { method: method.into(), path: path.into(), query: pairs, headers })
    }

    /// A query parameter.
    pub fn param(&self, name: &str) -> Option<&str> {
        self.query.iter().find(|(n, _)| n == name).map(|(_, v)| v.as_str())
    }

    /// Whether a header was sent, by its name in lower case.
    pub fn has(&self, name: &str) -> bool {
        self.headers.iter().any(|(n, _)| n == name)
    }

    /// A header, by its name in lower case; `None` also when it is sent more than once with unlike values.
    pub fn header(&self, name: &str) -> Option<&str> {
        let mut values = self.headers.iter().filter(|(n, _)| n == name).map(|(_, v)| v.as_str());
        let first = values.next()?;
        values.all(|v| v == first).then_some(first)
    }
}

/// The rules for one running server.
#[derive(Debug)]
pub struct Guard {
    token: String,
    hosts: [String; 2],
}

impl Guard {
    /// Rules for a server on this port.
    pub fn new(port: u16, token: String) -> Self {
        Self { token, hosts: [format!("127.0.0.1:{port}"), format!("localhost:{port}")] }
    }

    /// Checks where a request comes from.
    pub fn check_origin(&self, head: &Head) -> Result<(), Refusal> {
        if !head.header("host").is_some_and(|h| self.is_ours(h)) {
            return Err(Refusal::new(403, "this server answers only to its own address; use the one that was printed"));
        }
        let origin_is_ours = |o: &str| o.strip_prefix("http://").is_some_and(|host| self.is_ours(host));
        if head.has("origin") && !head.header("origin").is_some_and(origin_is_ours) {
            return Err(Refusal::new(403, "requests from other pages are refused"));
        }
        match head.header("sec-fetch-site") {
            None | Some("same-origin" | "none") => Ok(()),
            Some(_) if head.path == "/" && head.method == "GET" => Ok(()),
            Some(_) => Err(Refusal::new(403, "requests from other pages are refused")),
        }
    }

    /// Checks the token.
    pub fn check_token(&self, head: &Head) -> Result<(), Refusal> {
        let given = head.header(&TOKEN_HEADER.to_ascii_lowercase()).or_else(|| head.param("token")).unwrap_or("");
        if same(given.as_bytes(), self.token.as_bytes()) {
            return Ok(());
        }
        Err(Refusal::new(403, "the token is missing or wrong; open the address that was printed"))
    }

    fn is_ours(&self, host: &str) -> bool {
        self.hosts.iter().any(|h| h.eq_ignore_ascii_case(host))
    }
}

/// A random token of 128 bits, hexadecimal.
pub fn new_token() -> anyhow::Result<String> {
    let mut bytes = [0u8; 16];
    getrandom::fill(&mut bytes).map_err(|e| anyhow::anyhow!("the system gives no random numbers: {e}"))?;
    Ok(bytes.iter().map(|b| format!("{b:02x}")).collect())
}

/// Comparison whose time does not tell how much was right.
fn same(a: &[u8], b: &[u8]) -> bool {
    a.len() == b.len() && a.iter().zip(b).fold(0, |acc, (x, y)| acc | (x ^ y)) == 0
}

/// `%41+b` -> `A b`; `None` when the result is not UTF-8 or an escape is cut short.
fn decoded(text: &str) -> Option<String> {
    let mut out = Vec::with_capacity(text.len());
    let mut bytes = text.bytes();
    while let Some(byte) = bytes.next() {
        out.push(match byte {
            b'+' => b' ',
            b'%' => {
                let digits = [bytes.next()?, bytes.next()?];
                u8::from_str_radix(std::str::from_utf8(&digits).ok()?, 16).ok()?
            }
            other => other,
        });
    }
    String::from_utf8(out).ok()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn head(target: &str, headers: &[(&str, &str)]) -> Head {
        let headers = headers.iter().map(|(n, v)| (n.to_string(), v.to_string())).collect();
        Head::new("POST", target, headers).unwrap()
    }

    #[test]
    fn only_our_own_page_may_ask() {
        let guard = Guard::new(4000, "abc".into());
        let asks = |headers: &[(&str, &str)]| guard.check_origin(&head("/api/decide", headers)).is_ok();
        assert!(asks(&[("host", "127.0.0.1:4000")]));
        assert!(asks(&[("host", "localhost:4000"), ("origin", "http://127.0.0.1:4000")]));
        assert!(!asks(&[]));
        assert!(!asks(&[("host", "127.0.0.1")]));
        assert!(!asks(&[("host", "evil.example:4000")]));
        assert!(!asks(&[("host", "127.0.0.1:4000"), ("host", "evil.example:4000")]));
        assert!(!asks(&[("host", "127.0.0.1:4000"), ("origin", "null")]));
        assert!(!asks(&[("host", "127.0.0.1:4000"), ("origin", "https://127.0.0.1:4000")]));
        assert!(!asks(&[("host", "127.0.0.1:4000"), ("origin", "http://127.0.0.1:4001")]));
        assert!(!asks(&[("host", "127.0.0.1:4000"), ("sec-fetch-site", "cross-site")]));
    }

    #[test]
    fn the_token_comes_by_header_or_query() {
        let guard = Guard::new(4000, "abc".into());
        assert!(guard.check_token(&head("/x", &[("x-breakface-token", "abc")])).is_ok());
        assert!(guard.check_token(&head("/x?a=1&token=abc", &[])).is_ok());
        for target in ["/x", "/x?token=", "/x?token=abcd", "/x?token=abd", "/x?Token=abc"] {
            assert!(guard.check_token(&head(target, &[])).is_err(), "{target}");
        }
    }

    #[test]
    fn queries_are_decoded() {
        assert_eq!(head("/x?labeller=J%C3%B6+B%26", &[]).param("labeller"), Some("Jö B&"));
        assert!(Head::new("GET", "/x?a=%ff", Vec::new()).is_err());
        assert!(Head::new("GET", "/x?a=%4", Vec::new()).is_err());
        assert!(Head::new("GET", &format!("/{}", "a".repeat(5000)), Vec::new()).is_err());
    }
}
