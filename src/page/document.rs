//! The document around a page: head, shared style, content policy, and a last look at every character.

use base64::Engine as _;
use maud::{DOCTYPE, Markup, PreEscaped, html};
use sha2::{Digest as _, Sha256};
use std::fmt::Write as _;

/// Style of all pages: colours for light and dark screens and for paper, letters, tables, plots.
const BASE_STYLE: &str = include_str!("base.css");

/// What a page may load: pictures that are part of it or lie beside it, and its own script, known by its digest.
fn policy(script: Option<&str>) -> String {
    let script = match script {
        Some(script) => {
            let digest = base64::engine::general_purpose::STANDARD.encode(Sha256::digest(script));
            format!("'sha256-{digest}'")
        }
        None => "'none'".to_owned(),
    };
    format!(
        "default-src 'none'; img-src data: 'self'; style-src 'unsafe-inline'; script-src {script}; base-uri 'none'; form-action 'none'"
    )
}

/// A page before it is text.
pub(crate) struct Document<'a> {
    /// Title, in the window and for search.
    pub title: &'a str,
    /// Style of this page, after the shared one.
    pub style: &'a str,
    /// What stands in the body.
    pub body: Markup,
    /// What the browser does once the page is there.
    pub script: Option<&'static str>,
}

impl Document<'_> {
    /// The page as text, self-contained.
    pub fn into_page(self) -> String {
        let page = html! {
            (DOCTYPE)
            html lang="en" {
                head {
                    meta charset="utf-8";
                    meta http-equiv="Content-Security-Policy" content=(policy(self.script));
                    meta name="viewport" content="width=device-width, initial-scale=1";
                    meta name="color-scheme" content="light dark";
                    title { (self.title) }
                    style { (PreEscaped(BASE_STYLE)) (PreEscaped(self.style)) }
                }
                body {
                    (self.body)
                    @if let Some(script) = self.script { script { (PreEscaped(script)) } }
                }
            }
        };
        without_hostile_characters(&page.into_string())
    }
}

/// Replaces control characters, and characters that turn the writing direction of what follows, by a visible mark: a
/// specimen code must not be able to rearrange the page.
///
/// It runs over the finished page, so that no text can go round it.
fn without_hostile_characters(page: &str) -> String {
    let visible = |c| match c {
        '\n' => c,
        '\r' | '\t' => ' ',
        c if is_hostile(c) => '\u{FFFD}',
        c => c,
    };
    page.chars().map(visible).collect()
}

/// Characters that have no business in a name: controls, direction overrides, non-characters.
fn is_hostile(c: char) -> bool {
    c.is_control()
        || matches!(c, '\u{200E}' | '\u{200F}' | '\u{202A}'..='\u{202E}' | '\u{2066}'..='\u{2069}' | '\u{FEFF}')
        || (u32::from(c) & 0xFFFE) == 0xFFFE
}

/// The address of a file beside the page, percent-encoded piece by piece, so that no file name leads elsewhere.
pub(crate) fn relative_address(path: &str) -> String {
    let mut out = String::with_capacity(path.len());
    for byte in path.bytes() {
        match byte {
            b'A'..=b'Z' | b'a'..=b'z' | b'0'..=b'9' | b'-' | b'_' | b'.' | b'~' | b'/' => out.push(char::from(byte)),
            _ => {
                let _ = write!(out, "%{byte:02X}");
            }
        }
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn no_text_leaves_its_place_or_turns_the_page() {
        let hostile = "</title><b a=\"1\">&\u{202E}b\u{0}c\td";
        let page =
            Document { title: hostile, style: "", body: html! { p title=(hostile) { (hostile) } }, script: None }
                .into_page();
        assert!(!page.contains("<b ") && !page.contains(['\u{202E}', '\u{0}', '\t']));
        assert!(page.contains("&lt;/title&gt;&lt;b a=&quot;1&quot;&gt;&amp;\u{FFFD}b\u{FFFD}c d"));
        let page = Document { title: "Ångström µ 結び", style: "", body: html! {}, script: None }.into_page();
        assert!(page.contains("Ångström µ 結び"));
    }

    #[test]
    fn a_script_runs_by_its_digest_only() {
        let page = Document { title: "t", style: "", body: html! {}, script: Some("abc") }.into_page();
        // SHA-256 of "abc": FIPS 180-2, appendix B.1 (ba7816bf … f20015ad), in base64.
        assert!(
            page.contains("script-src &#39;sha256-ungWv48Bz+pBQUDeXa4iI7ADYaOWF3qctBD/YfIAFa0=&#39;")
                || page.contains("script-src 'sha256-ungWv48Bz+pBQUDeXa4iI7ADYaOWF3qctBD/YfIAFa0='")
        );
    }

    #[test]
    fn addresses_are_encoded() {
        assert_eq!(relative_address("pictures/a b#\"é.jpg"), "pictures/a%20b%23%22%C3%A9.jpg");
    }
}
