//! What is told to people: plain text that cannot do anything to their terminal, and a reader that went away or a full disk
//! behind it ends no run.

use std::io::Write;

/// The text with every control character but the line end as `\xNN`: names of files and cells may hold any, and a terminal
/// obeys them.
pub fn plain(text: &str) -> String {
    let mut out = String::with_capacity(text.len());
    for c in text.chars() {
        match c {
            '\n' => out.push(c),
            c if c.is_control() => out.push_str(&format!("\\x{:02X}", u32::from(c))),
            c => out.push(c),
        }
    }
    out
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
    use super::plain;

    #[test]
    fn a_terminal_is_told_nothing_but_text() {
        assert_eq!(plain("a\u{1b}[2J\tb\u{9b}\nµ"), "a\\x1B[2J\\x09b\\x9B\nµ");
    }
}
