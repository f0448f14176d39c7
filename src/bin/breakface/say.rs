//! What is told to people: plain text that cannot do anything to their terminal, and a reader that went away or a full disk
//! behind it ends no run.

use std::io::Write;

/// The text with every control character but the line end, and every character that turns the direction of what follows, as
/// `\xNN` or `\uNNNN`: names of files and cells may hold any, and a terminal obeys them. The longer form is one that JSON knows.
pub fn plain(text: &str) -> String {
    let mut out = String::with_capacity(text.len());
    for c in text.chars() {
        match c {
            '\n' => out.push(c),
            c if c.is_ascii_control() && c != '\x7F' => out.push_str(&format!("\\x{:02X}", u32::from(c))),
            c if c.is_control() || turns_direction(c) => out.push_str(&format!("\\u{:04X}", u32::from(c))),
            c => out.push(c),
        }
    }
    out
}

/// Marks of direction (Unicode Standard Annex 9, section 2): a name with one can read as another name.
fn turns_direction(c: char) -> bool {
    matches!(c, '\u{061C}' | '\u{200E}' | '\u{200F}' | '\u{202A}'..='\u{202E}' | '\u{2066}'..='\u{2069}')
}

/// Standard output for text that may hold names.
pub fn out() -> impl Write {
    Plain { to: std::io::stdout().lock(), held: Vec::new() }
}

/// Passes text on as [`plain`] has it.
struct Plain<W> {
    to: W,
    /// The begin of a character whose end has not come.
    held: Vec<u8>,
}

impl<W: Write> Write for Plain<W> {
    fn write(&mut self, bytes: &[u8]) -> std::io::Result<usize> {
        self.held.extend_from_slice(bytes);
        let whole = match std::str::from_utf8(&self.held) {
            Err(e) if e.error_len().is_none() => e.valid_up_to(),
            _ => self.held.len(),
        };
        let text: Vec<u8> = self.held.drain(..whole).collect();
        self.to.write_all(plain(&String::from_utf8_lossy(&text)).as_bytes())?;
        Ok(bytes.len())
    }

    fn flush(&mut self) -> std::io::Result<()> {
        self.to.flush()
    }
}

/// Writes a line; what cannot be written is lost, since there is nobody left to tell.
pub fn line(mut to: impl Write, text: &str) {
    let _ = writeln!(to, "{}", plain(text));
}

/// Tells something on standard error.
macro_rules! note {
    ($($arg:tt)*) => { $crate::say::line(std::io::stderr().lock(), &format!($($arg)*)) };
}

/// Tells a result on standard output.
macro_rules! tell {
    ($($arg:tt)*) => { $crate::say::line(std::io::stdout().lock(), &format!($($arg)*)) };
}

#[cfg(test)]
mod tests {
    use super::{Plain, plain};
    use std::io::Write;

    #[test]
    fn a_terminal_is_told_nothing_but_text() {
        assert_eq!(plain("a\u{1b}[2J\tb\u{9b}\nµ"), "a\\x1B[2J\\x09b\\u009B\nµ");
        assert_eq!(plain("a\u{202e}gnp.\u{7f}"), "a\\u202Egnp.\\u007F");
        let mut out = Plain { to: Vec::new(), held: Vec::new() };
        "µ\u{202e}\n".as_bytes().iter().for_each(|b| out.write_all(&[*b]).unwrap());
        assert_eq!(out.to, "µ\\u202E\n".as_bytes());
    }
}
