//! `series.csv`: which picture shows which specimen, knot, side and site, at which scale.
//!
//! In: the table file. Out: rows that can be worked on, and one clear line for everything that cannot.

mod formula;
mod read;

pub use formula::{guard_formula, unguard_formula};
pub use read::{parse_series, read_series};

/// What kind of specimen a picture shows.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Kind {
    /// A control cut with scissors: every end is sheared.
    Cut,
    /// A control pulled straight: every end is tensile.
    Pull,
    /// A knot.
    Knot,
}

impl Kind {
    /// The word in the tables.
    pub fn word(self) -> &'static str {
        match self {
            Self::Cut => "cut",
            Self::Pull => "pull",
            Self::Knot => "knot",
        }
    }

    /// The kind from its word in the tables, whatever the case.
    pub fn from_word(word: &str) -> Option<Self> {
        [Self::Cut, Self::Pull, Self::Knot].into_iter().find(|k| k.word().eq_ignore_ascii_case(word.trim()))
    }
}

/// One row of `series.csv`.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct SeriesRow {
    /// Picture path as written in the table, `/` between folders, relative to the table.
    pub image: String,
    /// Specimen code.
    pub specimen: String,
    /// Kind of specimen, when given.
    pub kind: Option<Kind>,
    /// Trade name of the knot.
    pub knot: Option<String>,
    /// Line designation.
    pub line: Option<String>,
    /// `standing`, `tag` or free text.
    pub side: Option<String>,
    /// Place on the break face; pictures of one site count once.
    pub site: Option<String>,
    /// Micrometres per pixel.
    pub um_per_px: Option<f64>,
    /// Standard uncertainty of that, µm per px.
    pub u_um_per_px: Option<f64>,
    /// Whether the scale is that of a named calibration.
    pub calibrated: bool,
    /// Carriers of the braid.
    pub carriers: Option<u32>,
    /// Peak load of the break, N.
    pub peak_load_n: Option<f64>,
    /// Whether the picture counts towards the score.
    pub count: bool,
    /// Unknown columns, kept and passed through: (name, value).
    pub extra: Vec<(String, String)>,
}

/// A series table as read.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Series {
    /// Rows that can be worked on, in table order.
    pub rows: Vec<SeriesRow>,
    /// Rows that cannot, and why; their pictures are left out.
    pub problems: Vec<RowProblem>,
    /// Harmless peculiarities that were read as meant, one line each.
    pub notes: Vec<String>,
}

/// A row of the series table that cannot be used.
#[derive(Debug, Clone, PartialEq)]
pub struct RowProblem {
    /// What is known of the row.
    pub series: SeriesRow,
    /// Why it cannot be used.
    pub error: SeriesError,
}

/// What is wrong with a series table or one of its rows. Every message names file, row and column, what was expected,
/// and what to do.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[non_exhaustive]
pub enum SeriesError {
    /// The file cannot be opened.
    #[error("table {table}: cannot be read: {reason}; check the path and the rights")]
    Unreadable {
        /// File.
        table: String,
        /// What the system said.
        reason: String,
    },
    /// The file is not a table of text.
    #[error("table {table}, row {row}: {reason}")]
    Malformed {
        /// File.
        table: String,
        /// Line in the file.
        row: u64,
        /// What was expected and what to do.
        reason: String,
    },
    /// A needed column is missing.
    #[error(
        "table {table}, row 1: column {column} is missing; expected at least image and specimen; add it to the header"
    )]
    MissingColumn {
        /// File.
        table: String,
        /// Column.
        column: &'static str,
    },
    /// A column is there twice.
    #[error("table {table}, row 1: column {column} is there twice; keep one of them")]
    DuplicateColumn {
        /// File.
        table: String,
        /// Column.
        column: String,
    },
    /// A cell cannot be understood.
    #[error("table {table}, row {row}, column {column}: expected {expected}, found {found:?}; {remedy}")]
    Cell {
        /// File.
        table: String,
        /// Line in the file.
        row: u64,
        /// Column.
        column: String,
        /// What belongs there.
        expected: &'static str,
        /// What is there.
        found: String,
        /// What to do.
        remedy: String,
    },
    /// One picture is listed twice.
    #[error(
        "table {table}, row {row}, column image: {image} is in row {first} already, for specimen {specimen}; a picture shows one specimen: keep one of the rows"
    )]
    Repeated {
        /// File.
        table: String,
        /// Line in the file.
        row: u64,
        /// Picture.
        image: String,
        /// Line of the first row.
        first: u64,
        /// Specimen of the first row.
        specimen: String,
    },
}
