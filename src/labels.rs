//! Hand labels as data: `labels.csv`, what a row means, which row stands, how two people agree.
//!
//! `labels.csv` is an append-only log. One row is the whole state of one end in the eyes of one labeller at one time:
//! where the tip is and what the end is. **The last row of an end wins**, so an undo is one more row that repeats the
//! state before (an empty label = no hand label any more). Rows are never changed or removed. The columns of the design
//! come first; `action` and `end` follow and may be missing in files made by hand.
//!
//! Input: the file, or rows. Output: rows that stand, agreement of two labellers. It knows nothing of pictures or models.

mod agreement;
mod log;
mod placed;

use std::collections::BTreeMap;
use std::io;
use std::path::{Path, PathBuf};

pub use crate::table::HandLabel;
use crate::table::{guard_formula, unguard_formula};
use crate::units::Point;

pub use agreement::{Agreement, Disagreement, agreement, cohen_kappa};
pub use log::LabelLog;
pub use placed::{ReviewedEnd, place, with_hand_labels};

/// The header of `labels.csv`.
pub const COLUMNS: [&str; 8] = ["image", "x_px", "y_px", "label", "labeller", "when", "action", "end"];

/// What was done when a row was written. Only for people and for undo: the state is in the other columns.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Action {
    /// A label was given.
    Label,
    /// A missed end was added.
    Add,
    /// The tip was moved.
    Move,
    /// The last row of this labeller was taken back.
    Undo,
}

impl Action {
    /// The word in `labels.csv`.
    pub fn word(self) -> &'static str {
        match self {
            Self::Label => "label",
            Self::Add => "add",
            Self::Move => "move",
            Self::Undo => "undo",
        }
    }

    fn from_word(word: &str) -> Option<Self> {
        [Self::Label, Self::Add, Self::Move, Self::Undo].into_iter().find(|a| a.word() == word.trim())
    }
}

/// Which end a row speaks of.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum EndRef {
    /// An end of `ends.csv` by its number.
    Found(u32),
    /// A missed end that a person added; numbered per picture from 1 and written `+1`.
    Added(u32),
}

impl EndRef {
    /// As text: `12` or `+1`; in the `end` column `+1` has an apostrophe in front, or a spreadsheet would make it 1.
    pub fn text(self) -> String {
        match self {
            Self::Found(n) => n.to_string(),
            Self::Added(n) => format!("+{n}"),
        }
    }

    /// Reads `12` or `+1`.
    pub fn from_text(text: &str) -> Option<Self> {
        let digits = |t: &str| t.bytes().all(|b| b.is_ascii_digit()).then(|| t.parse().ok()).flatten();
        match text.strip_prefix('+') {
            Some(rest) => digits(rest).map(Self::Added),
            None => digits(text).map(Self::Found),
        }
    }
}

/// One row of `labels.csv`.
#[derive(Debug, Clone, PartialEq)]
pub struct LabelRow {
    /// Picture, as in `ends.csv`.
    pub image: String,
    /// Tip, px.
    pub tip: Point,
    /// The hand label; `None` = none (any more).
    pub label: Option<HandLabel>,
    /// Who said so.
    pub labeller: String,
    /// When, RFC 3339.
    pub when: String,
    /// What was done.
    pub action: Action,
    /// Which end; `None` in files made by hand: then the position tells.
    pub end: Option<EndRef>,
}

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
}

/// Reads `labels.csv`: UTF-8 with or without BOM, columns in any order, unknown columns passed over.
///
/// A last line that was cut short (no line end, too few cells) is left out: it was never confirmed to anybody.
///
/// # Errors
/// When the file cannot be read, a needed column is missing or a cell cannot be understood.
pub fn read_labels(path: &Path) -> Result<Vec<LabelRow>, LabelsError> {
    let bytes = std::fs::read(path).map_err(|source| LabelsError::Io { path: path.into(), source })?;
    parse_labels(&bytes, path)
}

/// As [`read_labels`], from bytes; `path` is for messages.
///
/// # Errors
/// As [`read_labels`].
pub fn parse_labels(bytes: &[u8], path: &Path) -> Result<Vec<LabelRow>, LabelsError> {
    let bytes = bytes.strip_prefix(b"\xef\xbb\xbf").unwrap_or(bytes);
    let torn_tail = bytes.last().is_some_and(|b| *b != b'\n');
    let mut reader = csv::ReaderBuilder::new().flexible(true).from_reader(bytes);
    let as_io = |e: Box<dyn std::error::Error + Send + Sync>| LabelsError::Io {
        path: path.into(),
        source: io::Error::other(e),
    };
    let header = reader.headers().map_err(|e| as_io(e.into()))?.clone();
    let place = |name: &str| header.iter().position(|h| h.trim() == name);
    let mut places = [None; COLUMNS.len()];
    for (index, name) in COLUMNS.into_iter().enumerate() {
        places[index] = place(name);
        if places[index].is_none() && index < NEEDED && !header.is_empty() {
            return Err(LabelsError::Column { path: path.into(), column: name });
        }
    }
    let records: Vec<csv::ByteRecord> = reader.byte_records().collect::<Result<_, _>>().map_err(|e| as_io(e.into()))?;
    let last = records.len().saturating_sub(1);
    let mut rows = Vec::with_capacity(records.len());
    for (index, record) in records.into_iter().enumerate() {
        if torn_tail && index == last && record.len() < header.len() {
            continue;
        }
        let record = csv::StringRecord::from_byte_record(record).map_err(|e| as_io(e.utf8_error().clone().into()))?;
        rows.push(parse_row(&record, &places, path)?);
    }
    Ok(rows)
}

/// The first four of [`COLUMNS`] must be there.
const NEEDED: usize = 4;

fn parse_row(
    record: &csv::StringRecord,
    places: &[Option<usize>; COLUMNS.len()],
    path: &Path,
) -> Result<LabelRow, LabelsError> {
    let raw = |column: usize| unguard_formula(places[column].and_then(|p| record.get(p)).unwrap_or(""));
    let cell = |column: usize| raw(column).trim();
    let wrong = |column: usize, expected: &'static str| LabelsError::Cell {
        path: path.into(),
        line: record.position().map_or(0, csv::Position::line),
        column: COLUMNS[column],
        expected,
        found: cell(column).into(),
    };
    let number = |column: usize| {
        let value = cell(column).parse::<f64>().ok().filter(|v| v.is_finite());
        value.ok_or_else(|| wrong(column, "a number"))
    };
    if cell(0).is_empty() {
        return Err(wrong(0, "the name of a picture"));
    }
    let label = match cell(3) {
        "" => None,
        word => Some(
            HandLabel::from_word(word).ok_or_else(|| wrong(3, "sheared, tensile, unclear, not_an_end or nothing"))?,
        ),
    };
    let action = match cell(6) {
        "" => Action::Label,
        word => Action::from_word(word).ok_or_else(|| wrong(6, "label, add, move or undo"))?,
    };
    let end = match cell(7) {
        "" => None,
        text => Some(EndRef::from_text(text).ok_or_else(|| wrong(7, "the number of an end, or +1 for an added one"))?),
    };
    let tip = Point::new(number(1)?, number(2)?);
    // A file name may begin or end with a space.
    Ok(LabelRow { image: raw(0).into(), tip, label, labeller: cell(4).into(), when: cell(5).into(), action, end })
}

/// One row as a line of `labels.csv`, with its line end.
pub fn row_line(row: &LabelRow) -> Vec<u8> {
    let [x, y] = [row.tip.x, row.tip.y].map(|v| format!("{v:.2}"));
    let label = row.label.map_or("", HandLabel::word);
    let end = row.end.map(EndRef::text).unwrap_or_default();
    line(&[&row.image, &x, &y, label, &row.labeller, &row.when, row.action.word(), &end])
}

/// The header as a line, with its line end.
pub fn header_line() -> Vec<u8> {
    line(&COLUMNS)
}

fn line(cells: &[&str]) -> Vec<u8> {
    let mut writer = csv::WriterBuilder::new().terminator(csv::Terminator::CRLF).from_writer(Vec::new());
    writer.write_record(cells.iter().map(|c| guard_formula(c))).expect("writing to memory cannot fail");
    writer.into_inner().expect("writing to memory cannot fail")
}

/// The row that stands for each end and labeller: the last one. Rows without a number are told apart by position
/// (to the 0.01 px that the file keeps). In the order in which the ends first appear.
pub fn standing(rows: &[LabelRow]) -> Vec<&LabelRow> {
    last_of(rows, |row| (row.labeller.as_str(), end_key(row)))
}

/// The row that stands for each end, whoever wrote it: the last one. This is what scores and training use.
pub fn effective(rows: &[LabelRow]) -> Vec<&LabelRow> {
    last_of(rows, end_key)
}

/// What tells ends apart within the file.
type EndKey<'a> = (&'a str, Option<EndRef>, [i64; 2]);

fn end_key(row: &LabelRow) -> EndKey<'_> {
    let place = if row.end.is_some() { [0; 2] } else { [row.tip.x, row.tip.y].map(|v| (v * 100.0).round() as i64) };
    (row.image.as_str(), row.end, place)
}

fn last_of<'a, K: Ord>(rows: &'a [LabelRow], key: impl Fn(&'a LabelRow) -> K) -> Vec<&'a LabelRow> {
    let mut slot_of = BTreeMap::new();
    let mut out: Vec<&LabelRow> = Vec::new();
    for row in rows {
        match slot_of.entry(key(row)) {
            std::collections::btree_map::Entry::Occupied(slot) => out[*slot.get()] = row,
            std::collections::btree_map::Entry::Vacant(free) => {
                free.insert(out.len());
                out.push(row);
            }
        }
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    pub(super) fn row(labeller: &str, end: u32, label: Option<HandLabel>) -> LabelRow {
        LabelRow {
            image: "a b/ü,1.jpg".into(),
            tip: Point::new(10.25, 20.5 + f64::from(end)),
            label,
            labeller: labeller.into(),
            when: "2026-01-02T03:04:05Z".into(),
            action: Action::Label,
            end: Some(EndRef::Found(end)),
        }
    }

    fn written(rows: &[LabelRow]) -> Vec<u8> {
        [header_line()].into_iter().chain(rows.iter().map(row_line)).flatten().collect()
    }

    #[test]
    fn what_is_written_is_read_back() {
        let mut added = row("Ann \"A\"", 1, Some(HandLabel::NotAnEnd));
        added.end = Some(EndRef::Added(3));
        added.action = Action::Add;
        let rows = vec![row("Bo", 7, None), added];
        assert_eq!(parse_labels(&written(&rows), Path::new("l.csv")).unwrap(), rows);
    }

    #[test]
    fn design_columns_alone_with_bom_and_crlf_are_enough() {
        let text = "\u{feff}image,x_px,y_px,label,labeller,when\r\np.png,1,2.5,Sheared,me,2026-01-01\r\n";
        let rows = parse_labels(text.as_bytes(), Path::new("l.csv")).unwrap();
        assert_eq!((rows[0].label, rows[0].end, rows[0].action), (Some(HandLabel::Sheared), None, Action::Label));
    }

    #[test]
    fn a_last_line_cut_short_is_left_out_and_everything_before_stays() {
        let rows = [row("Bo", 1, Some(HandLabel::Sheared)), row("Bo", 2, Some(HandLabel::Tensile))];
        let bytes = written(&rows);
        let first_two_lines = header_line().len() + row_line(&rows[0]).len();
        for cut in first_two_lines..bytes.len() - "label,2\r\n".len() {
            assert_eq!(parse_labels(&bytes[..cut], Path::new("l.csv")).unwrap(), rows[..1], "cut at {cut}");
        }
    }

    #[test]
    fn bad_cells_name_line_and_column() {
        let text = "image,x_px,y_px,label\np.png,1,2,sheared\np.png,1,\"2,5\",sheared\n";
        let message = parse_labels(text.as_bytes(), Path::new("l.csv")).unwrap_err().to_string();
        assert_eq!(message, "labels l.csv, line 3, column y_px: expected a number, found \"2,5\"");
        let text = "image,x_px,label\np.png,1,sheared\n";
        assert!(parse_labels(text.as_bytes(), Path::new("l.csv")).unwrap_err().to_string().contains("y_px is missing"));
        assert_eq!(parse_labels(b"", Path::new("l.csv")).unwrap(), Vec::new());
    }

    #[test]
    fn the_last_row_wins_and_an_undo_is_a_row() {
        let first = row("Bo", 1, Some(HandLabel::Sheared));
        let second = row("Bo", 1, Some(HandLabel::Tensile));
        let undo = LabelRow { action: Action::Undo, ..first.clone() };
        let other = row("Ann", 1, Some(HandLabel::Unclear));
        let rows = [first, second, undo.clone(), other.clone()];
        assert_eq!(standing(&rows), [&undo, &other]);
        assert_eq!(effective(&rows), [&other]);
    }
}
