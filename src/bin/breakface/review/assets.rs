//! The page itself, compiled in.

/// One file of the page.
pub struct Asset {
    /// Media type.
    pub kind: &'static str,
    /// Its bytes.
    pub bytes: &'static str,
}

/// The page.
pub const PAGE: &str = include_str!("page/index.html");
/// What stands there for a visitor without the token.
pub const LOCKED: &str = include_str!("page/locked.html");

const CSS: &str = "text/css; charset=utf-8";
const JS: &str = "text/javascript; charset=utf-8";

/// A file of the page by its path; `None` when there is no such file.
pub fn find(path: &str) -> Option<Asset> {
    let (kind, bytes) = match path {
        "/page/review.css" => (CSS, include_str!("page/review.css")),
        "/page/main.js" => (JS, include_str!("page/main.js")),
        "/page/server.js" => (JS, include_str!("page/server.js")),
        "/page/store.js" => (JS, include_str!("page/store.js")),
        "/page/marks.js" => (JS, include_str!("page/marks.js")),
        "/page/close.js" => (JS, include_str!("page/close.js")),
        "/page/viewer.js" => (JS, include_str!("page/viewer.js")),
        "/page/panel.js" => (JS, include_str!("page/panel.js")),
        "/page/dialogs.js" => (JS, include_str!("page/dialogs.js")),
        "/favicon.ico" | "/page/mark.svg" => ("image/svg+xml", include_str!("page/mark.svg")),
        _ => return None,
    };
    Some(Asset { kind, bytes })
}
