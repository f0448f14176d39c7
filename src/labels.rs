//! Hand labels as data: `labels.csv`, what a row means, which row stands, how people agree.
//!
//! `labels.csv` is an append-only log. One row is the whole state of one end in the eyes of one labeller at one time:
//! where the tip is and what the end is. **The last row of an end by one labeller stands**, so an undo is one more row that
//! repeats the state before (an empty label = no hand label any more). Rows are never changed or removed. Four columns
//! are needed (`image`, `x_px`, `y_px`, `label`); further columns of a file are kept as they are.
//!
//! **Which label of several people counts** ([`effective`]): the decision of an adjudicator; else the label that more than
//! half of the labellers of this end give; else none, and the end waits in the list of disagreements ([`disputed`]).
//!
//! Input: the file, or rows. Output: rows that count, agreement of two labellers. It knows nothing of pictures or models.

mod agreement;
mod file;
mod guide;
mod log;
mod placed;
mod standing;

pub use crate::table::HandLabel;
use crate::units::Point;

pub use agreement::{Agreement, Disagreement, Kappa, agreement, cohen_kappa, kappa_with_interval};
pub use file::{COLUMNS, LabelsError, header_line, parse_labels, read_labels, row_line};
pub use guide::{ENOUGH, ENOUGH_OF_A_KIND, Guide, Labelled, guide};
pub use log::LabelLog;
pub use placed::{HandLabels, ReviewedEnd, place, with_hand_labels};
pub use standing::{Disputed, by_labeller, disputed, effective, standing};

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
    /// A disagreement of labellers was decided.
    Adjudicate,
    /// Such a decision was taken back.
    UndoAdjudicate,
}

impl Action {
    /// The word in `labels.csv`.
    pub fn word(self) -> &'static str {
        match self {
            Self::Label => "label",
            Self::Add => "add",
            Self::Move => "move",
            Self::Undo => "undo",
            Self::Adjudicate => "adjudicate",
            Self::UndoAdjudicate => "undo_adjudicate",
        }
    }

    /// Whether the row was written by somebody who decides between labellers, and not as a labeller.
    pub fn is_adjudication(self) -> bool {
        matches!(self, Self::Adjudicate | Self::UndoAdjudicate)
    }

    /// Whether the row takes an earlier one back.
    pub fn is_undo(self) -> bool {
        matches!(self, Self::Undo | Self::UndoAdjudicate)
    }

    fn from_word(word: &str) -> Option<Self> {
        const ALL: [Action; 6] =
            [Action::Label, Action::Add, Action::Move, Action::Undo, Action::Adjudicate, Action::UndoAdjudicate];
        ALL.into_iter().find(|a| a.word() == word.trim())
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

#[cfg(test)]
mod tests {
    use super::*;
    use std::path::Path;

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
        assert!(effective(&rows).is_empty(), "one against one is undecided");
    }
}
