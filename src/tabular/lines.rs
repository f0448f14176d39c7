//! Where records stand in their file, as an editor counts lines.

/// Turns the positions of a CSV reader into lines of the file.
///
/// The reader counts line feeds. A record that ends in a carriage return is over before the line feed behind it is read, so
/// in files with both the next record would seem to begin one line too early.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct LineNumbers {
    behind: u64,
}

impl LineNumbers {
    /// Of a reader whose header has just been read.
    pub fn after_header<R: std::io::Read>(reader: &csv::Reader<R>, header: &csv::StringRecord) -> Self {
        let within: u64 = header.iter().map(|name| name.matches('\n').count() as u64).sum();
        let begin = header.position().map_or(1, csv::Position::line);
        Self { behind: (begin + within + 1).saturating_sub(reader.position().line()) }
    }

    /// The line of a record, from 1.
    pub fn line(self, position: Option<&csv::Position>) -> u64 {
        position.map_or(1, |p| p.line() + self.behind)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn lines_are_those_of_an_editor_whatever_ends_them() {
        for text in ["a,b\n1,2\n\"3\n4\",5\n6,7\n", "a,b\r\n1,2\r\n\"3\n4\",5\r\n6,7\r\n", "\"a\r\nx\",b\r\n1,2\r\n"] {
            let mut reader = csv::Reader::from_reader(text.as_bytes());
            let header = reader.headers().unwrap().clone();
            let lines = LineNumbers::after_header(&reader, &header);
            let found: Vec<u64> = reader.records().map(|r| lines.line(r.unwrap().position())).collect();
            assert_eq!(found, if text.starts_with('a') { vec![2, 3, 5] } else { vec![3] }, "{text:?}");
        }
    }
}
