//! Quotes of a CSV text: a stray one would swallow the rows after it, so it is found before anything is read.

/// A quote that does not belong where it is.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct StrayQuote {
    /// Line of the quote, from 1.
    pub line: u64,
    /// Byte of the quote, from 0.
    pub at: usize,
    /// What is wrong and what to do.
    pub reason: String,
}

/// Checks that every quoted field is closed, that nothing follows its closing quote, and that none holds whole rows.
///
/// A field of several lines is allowed (RFC 4180, section 2.6), unless one of its lines has as many fields as the header:
/// then a quote was forgotten and the "text" is rows.
///
/// Lines end as rows do: at a line feed, a carriage return, or both.
///
/// # Errors
/// The first stray quote.
pub fn check_quotes(text: &str, delimiter: u8) -> Result<(), StrayQuote> {
    let header = text.split(ends_row).next().unwrap_or_default();
    check_quotes_among(text, delimiter, fields_of(header, delimiter))
}

/// As [`check_quotes`], for rows of so many columns.
///
/// # Errors
/// The first stray quote.
pub fn check_quotes_among(text: &str, delimiter: u8, columns: usize) -> Result<(), StrayQuote> {
    let bytes = text.as_bytes();
    let mut scan = Scan { bytes, at: 0, line: 1 };
    let mut at_start = true;
    while let Some(byte) = scan.next() {
        if at_start && byte == b'"' {
            let (line, from) = (scan.line, scan.at);
            let stray = |what: &str| stray(line, from - 1, what);
            scan.close().ok_or_else(|| stray("is never closed"))?;
            if !matches!(bytes.get(scan.at), None | Some(b'\r' | b'\n')) && bytes.get(scan.at) != Some(&delimiter) {
                return Err(stray("closes before the end of its field"));
            }
            // The field begins and ends at a quote, which is ASCII, so the cut is at character boundaries.
            let field = &text[from..scan.at - 1];
            if 1 < columns && field.split(ends_row).skip(1).any(|l| columns <= fields_of(l, delimiter)) {
                return Err(stray("takes the rows after it for text of its field"));
            }
        }
        at_start = byte == delimiter || ends_row(char::from(byte));
    }
    Ok(())
}

fn stray(line: u64, at: usize, what: &str) -> StrayQuote {
    let reason = format!(
        "a double quote that opens a field here {what}; delete the quote, or write a quote within text twice and put the \
         whole text in quotes"
    );
    StrayQuote { line, at, reason }
}

fn ends_row(character: char) -> bool {
    matches!(character, '\n' | '\r')
}

fn fields_of(line: &str, delimiter: u8) -> usize {
    1 + line.bytes().filter(|b| *b == delimiter).count()
}

struct Scan<'a> {
    bytes: &'a [u8],
    at: usize,
    line: u64,
}

impl Scan<'_> {
    fn next(&mut self) -> Option<u8> {
        let byte = *self.bytes.get(self.at)?;
        self.at += 1;
        let before_feed = byte == b'\r' && self.bytes.get(self.at) == Some(&b'\n');
        self.line += u64::from(ends_row(char::from(byte)) && !before_feed);
        Some(byte)
    }

    /// Goes behind the quote that closes the field.
    fn close(&mut self) -> Option<()> {
        loop {
            if self.next()? == b'"' {
                if self.bytes.get(self.at) != Some(&b'"') {
                    return Some(());
                }
                self.at += 1;
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn line_of(text: &str) -> Option<u64> {
        check_quotes(text, b',').err().map(|e| e.line)
    }

    #[test]
    fn fields_as_rfc_4180_has_them_are_fine() {
        for text in ["a,b\r\n1,\"x, y\"\r\n", "a,b\n1,\"say \"\"x\"\"\"\n", "a,b\n\"\",2", "a,b\n5\" hook,2\n", ""] {
            assert_eq!(line_of(text), None, "{text}");
        }
        assert_eq!(line_of("image,specimen,note\na,S,\"two\nlines\"\nb,S,\n"), None);
    }

    #[test]
    fn a_stray_quote_is_named_by_its_line() {
        assert_eq!(line_of("a,b\n1,\"x\n2,y\n3,z\n"), Some(2), "never closed");
        assert_eq!(line_of("a,b\n1,x\n2,\"y\n3,\"z\n"), Some(3), "the next stray quote closes it");
        assert_eq!(line_of("a,b\n1,\"y\n2,z\n3,z\"\n"), Some(2), "closed at the end of a later row");
        assert_eq!(line_of("a,b\n\"x\"y,2\n"), Some(2));
        assert_eq!(line_of("a,b\r1,x\r\"2,y\r3,z\"\r"), Some(3), "rows that end at carriage returns");
        assert_eq!(line_of("a,b\r\n1,x\r\n\"2,y\r\n3,z\"\r\n"), Some(3));
    }
}
