//! Paths as people and tables see them.

use std::path::Path;

/// A path as text with `/` between folders; bytes that are no UTF-8 are written as `\xNN`, so that nothing is mixed up.
pub(super) fn text(path: &Path) -> String {
    let text: String = path
        .as_os_str()
        .as_encoded_bytes()
        .utf8_chunks()
        .flat_map(|chunk| {
            let bad = chunk.invalid().iter().map(|b| format!("\\x{b:02X}"));
            std::iter::once(chunk.valid().to_owned()).chain(bad)
        })
        .collect();
    if std::path::MAIN_SEPARATOR == '/' { text } else { text.replace(std::path::MAIN_SEPARATOR, "/") }
}
