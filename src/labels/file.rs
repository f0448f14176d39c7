//! `labels.csv` as bytes: reading with every fault named, writing row by row in the columns that the file has.

use super::{Action, EndRef, HandLabel, LabelRow};
use crate::table::{LineNumbers, check_quotes_among, guard_formula, unguard_formula};
use crate::units::Point;
use std::io;
use std::path::{Path, PathBuf};

/// Our columns of `labels.csv`, in the order of a new file. The first four must be there.
pub const COLUMNS: [&str; 8] = ["image", "x_px", "y_px", "label", "labeller", "when", "action", "end"];

/// Why hand labels could not be read.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum LabelsError {
    /// The file cannot be read.
    #[error("labels {path}")]
    Io {
        /// The file.
        path: PathBuf,
        /// The cause.
        #[source]
        source: io::Error,
    },
    /// A row could not be brought to the disk.
    #[error("labels {path}: the label was not kept")]
    NotKept {
        /// The file.
        path: PathBuf,
        /// The cause.
        #[source]
        source: io::Error,
    },
    /// A column is missing.
    #[error("labels {path}: column {column} is missing; expected at least image, x_px, y_px, label")]
    Column {
        /// The file.
        path: PathBuf,
        /// Its name.
        column: &'static str,
    },
    /// A column is there twice: one of them would go unread.
    #[error("labels {path}: column {column} is there twice; keep one of them")]
    Twice {
        /// The file.
        path: PathBuf,
        /// Its name.
        column: &'static str,
    },
    /// A cell cannot be read.
    #[error("labels {path}, line {line}, column {column}: expected {expected}, found \"{found}\"")]
    Cell {
        /// The file.
        path: PathBuf,
        /// Line in the file, from 1.
        line: u64,
        /// Column name.
        column: &'static str,
        /// What should stand there.
        expected: &'static str,
        /// What stands there.
        found: String,
    },
    /// A quote swallows lines.
    #[error("labels {path}, line {line}: {reason}")]
    Quote {
        /// The file.
        path: PathBuf,
        /// Line in the file, from 1.
        line: u64,
        /// What is wrong with it, and the way out.
        reason: String,
    },
}

/// Reads `labels.csv`: UTF-8 with or without BOM, columns in any order, unknown columns passed over.
///
/// A last line that was cut short (no line end, too few cells) is left out: it was never confirmed to anybody.
///
/// # Errors
/// When the file cannot be read, a needed column is missing or a cell cannot be understood.
pub fn read_labels(path: &Path) -> Result<Vec<LabelRow>, LabelsError> {
    let bytes = crate::files::read_regular(path).map_err(|source| LabelsError::Io { path: path.into(), source })?;
    parse_labels(&bytes, path)
}

/// As [`read_labels`], from bytes; `path` is for messages.
///
/// # Errors
/// As [`read_labels`].
pub fn parse_labels(bytes: &[u8], path: &Path) -> Result<Vec<LabelRow>, LabelsError> {
    Ok(LabelFile::parse(bytes, path)?.rows)
}

/// A label file with what is needed to go on writing into it.
#[derive(Debug, Clone, Default)]
pub(super) struct LabelFile {
    /// Names of its columns, ours and others; empty = an empty file.
    pub header: Vec<String>,
    /// Its rows.
    pub rows: Vec<LabelRow>,
    /// The cells of its rows.
    records: Vec<csv::StringRecord>,
    /// Bytes that hold whole rows; what follows was never confirmed to anybody.
    pub whole: usize,
}

impl LabelFile {
    /// Reads the bytes of a file; `path` is for messages.
    pub fn parse(bytes: &[u8], path: &Path) -> Result<Self, LabelsError> {
        let mark = if bytes.starts_with(b"\xef\xbb\xbf") { 3 } else { 0 };
        let whole = bytes.len();
        let bytes = &bytes[mark..];
        refuse_stray_quotes(bytes, path)?;
        let torn_tail = bytes.last().is_some_and(|b| *b != b'\n');
        let mut reader = csv::ReaderBuilder::new().flexible(true).from_reader(bytes);
        let as_io = |e: Box<dyn std::error::Error + Send + Sync>| LabelsError::Io {
            path: path.into(),
            source: io::Error::other(e),
        };
        let header = reader.headers().map_err(|e| as_io(e.into()))?.clone();
        let lines = LineNumbers::after_header(&reader, &header);
        let place = |name: &str| header.iter().position(|h| h.trim() == name);
        let mut places = [None; COLUMNS.len()];
        for (index, name) in COLUMNS.into_iter().enumerate() {
            places[index] = place(name);
            if places[index].is_none() && index < NEEDED && !header.is_empty() {
                return Err(LabelsError::Column { path: path.into(), column: name });
            }
            if 1 < header.iter().filter(|h| h.trim() == name).count() {
                return Err(LabelsError::Twice { path: path.into(), column: name });
            }
        }
        let records: Vec<csv::ByteRecord> =
            reader.byte_records().collect::<Result<_, _>>().map_err(|e| as_io(e.into()))?;
        let last = records.len().saturating_sub(1);
        let header = header.iter().map(|h| h.trim().to_owned()).collect();
        let mut file = Self { header, rows: Vec::with_capacity(records.len()), records: Vec::new(), whole };
        for (index, record) in records.into_iter().enumerate() {
            if torn_tail && index == last && record.len() < file.header.len() {
                let begin = record.position().map_or(0, csv::Position::byte) as usize;
                // A line feed behind a carriage return belongs to the line before.
                file.whole = mark + begin + usize::from(bytes[begin..].starts_with(b"\n"));
                continue;
            }
            let record =
                csv::StringRecord::from_byte_record(record).map_err(|e| as_io(e.utf8_error().clone().into()))?;
            file.rows.push(parse_row(&record, &places, lines, path)?);
            file.records.push(record);
        }
        Ok(file)
    }

    /// Whether rows can be appended as the file stands: it has all of our columns.
    pub fn is_complete(&self) -> bool {
        COLUMNS.iter().all(|name| self.header.iter().any(|h| h == name))
    }

    /// The same rows and cells with the columns of ours that are missing, at the end.
    pub fn completed(&self) -> Vec<u8> {
        let missing: Vec<usize> =
            (0..COLUMNS.len()).filter(|c| !self.header.iter().any(|h| h == COLUMNS[*c])).collect();
        let names = self.header.iter().map(String::as_str).chain(missing.iter().map(|c| COLUMNS[*c]));
        let mut bytes = line(names.map(str::to_owned));
        for (record, row) in self.records.iter().zip(&self.rows) {
            let own = cells(row);
            let old = (0..self.header.len()).map(|i| record.get(i).unwrap_or_default().to_owned());
            bytes.extend(line(old.chain(missing.iter().map(|c| guard_formula(&own[*c])))));
        }
        bytes
    }
}

/// The first four of [`COLUMNS`] must be there.
const NEEDED: usize = 4;

/// A stray quote makes many lines one cell, unless it opens in a last line that was cut short: that one was never confirmed.
fn refuse_stray_quotes(bytes: &[u8], path: &Path) -> Result<(), LabelsError> {
    // Text that is not UTF-8 is refused record by record.
    let Ok(text) = std::str::from_utf8(bytes) else { return Ok(()) };
    let columns = 1 + text.split(['\n', '\r']).next().unwrap_or_default().matches(',').count();
    // What is read can be written with our own columns too.
    match check_quotes_among(text, b',', columns.min(COLUMNS.len())) {
        // In a last line that was cut short it is no fault.
        Err(stray) if text.rfind(['\n', '\r']).is_some_and(|end| stray.at < end) => {
            Err(LabelsError::Quote { path: path.into(), line: stray.line, reason: stray.reason })
        }
        _ => Ok(()),
    }
}

fn parse_row(
    record: &csv::StringRecord,
    places: &[Option<usize>; COLUMNS.len()],
    lines: LineNumbers,
    path: &Path,
) -> Result<LabelRow, LabelsError> {
    let raw = |column: usize| unguard_formula(places[column].and_then(|p| record.get(p)).unwrap_or(""));
    let cell = |column: usize| raw(column).trim().to_owned();
    let wrong = |column: usize, expected: &'static str| LabelsError::Cell {
        path: path.into(),
        line: lines.line(record.position()),
        column: COLUMNS[column],
        expected,
        found: cell(column),
    };
    let number = |column: usize| {
        let value = cell(column).parse::<f64>().ok().filter(|v| v.is_finite());
        value.ok_or_else(|| wrong(column, "a number"))
    };
    // Only a file name may hold a line break; elsewhere a quote has swallowed lines.
    if let Some(column) = (1..COLUMNS.len()).find(|c| raw(*c).contains('\n')) {
        return Err(wrong(column, "one line of text"));
    }
    if cell(0).is_empty() {
        return Err(wrong(0, "the name of a picture"));
    }
    let label = match cell(3).as_str() {
        "" => None,
        word => Some(
            HandLabel::from_word(word).ok_or_else(|| wrong(3, "sheared, tensile, unclear, not_an_end or nothing"))?,
        ),
    };
    let action = match cell(6).as_str() {
        "" => Action::Label,
        word => {
            Action::from_word(word).ok_or_else(|| wrong(6, "label, add, move, undo, adjudicate or undo_adjudicate"))?
        }
    };
    let end = match cell(7).as_str() {
        "" => None,
        text => Some(EndRef::from_text(text).ok_or_else(|| wrong(7, "the number of an end, or +1 for an added one"))?),
    };
    let tip = Point::new(number(1)?, number(2)?);
    // A file name may begin or end with a space.
    Ok(LabelRow { image: raw(0), tip, label, labeller: cell(4), when: cell(5), action, end })
}

/// One row as a line of a new `labels.csv`, with its line end.
pub fn row_line(row: &LabelRow) -> Vec<u8> {
    line(cells(row).into_iter().map(|c| guard_formula(&c)))
}

/// One row as a line of a file with this header; columns that are not ours stay empty.
pub(super) fn row_line_under(header: &[String], row: &LabelRow) -> Vec<u8> {
    let own = cells(row);
    let cell =
        |name: &String| COLUMNS.iter().position(|c| c == name).map_or_else(String::new, |c| guard_formula(&own[c]));
    line(header.iter().map(cell))
}

/// The header of a new file as a line, with its line end.
pub fn header_line() -> Vec<u8> {
    line(COLUMNS.into_iter().map(str::to_owned))
}

/// The cells of a row in the order of [`COLUMNS`].
fn cells(row: &LabelRow) -> [String; COLUMNS.len()] {
    let [x, y] = [row.tip.x, row.tip.y].map(|v| format!("{v:.2}"));
    let label = row.label.map_or("", HandLabel::word).to_owned();
    let end = row.end.map(EndRef::text).unwrap_or_default();
    [row.image.clone(), x, y, label, row.labeller.clone(), row.when.clone(), row.action.word().into(), end]
}

fn line(cells: impl Iterator<Item = String>) -> Vec<u8> {
    let mut writer = csv::WriterBuilder::new().terminator(csv::Terminator::CRLF).from_writer(Vec::new());
    writer.write_record(cells).expect("writing to memory cannot fail");
    writer.into_inner().expect("writing to memory cannot fail")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_stray_quote_is_named_and_swallows_nothing() {
        let lines = |quote: &str| format!("image,x_px,y_px,label\na.png,1,2,{quote}sheared\nb.png,1,2,tensile\n");
        let said = |text: &str| parse_labels(text.as_bytes(), Path::new("l.csv")).unwrap_err().to_string();
        assert!(
            said(&lines("\""))
                .starts_with("labels l.csv, line 2: a double quote that opens a field here is never closed")
        );
        assert!(said(&lines("x\"")).contains("line 2, column label: expected sheared"));
        let twice = "image,x_px,y_px,label,labeller\na.png,1,2,sheared,\"Bo\nb.png,1,2,tensile,Bo\"\n";
        assert!(
            said(twice).contains("line 2: a double quote that opens a field here takes the rows after it for text")
        );
        let within = "image,x_px,y_px,label,labeller\na.png,1,2,sheared,\"Bo\nb\".png,1,2,tensile,Bo\n";
        assert!(said(within).contains("closes before the end of its field"));
        // A last line that was cut short within a quote was never confirmed to anybody.
        let torn = format!("{}c.png,1,\"2", lines(""));
        assert_eq!(parse_labels(torn.as_bytes(), Path::new("l.csv")).unwrap().len(), 2);

        // A file name may hold anything when it is quoted as a whole.
        let odd = "image,x_px,y_px,label\n\"a \"\"b\"\"\n.png\",1,2,sheared\n";
        assert_eq!(parse_labels(odd.as_bytes(), Path::new("l.csv")).unwrap()[0].image, "a \"b\"\n.png");
    }
}
