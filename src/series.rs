//! `series.csv`: which picture shows which specimen, knot, side and site, at which scale.
//!
//! In: the table file. Out: rows that can be worked on, and one clear line for everything that cannot.

mod look_alike;
mod read;

pub use read::{parse_series, read_series};

use crate::tabular::{Extra, row, words};

words! {
    /// What kind of specimen a picture shows.
    #[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
    pub enum Kind {
        /// A control cut with scissors: every end is sheared.
        Cut = "cut",
        /// A control pulled straight: every end is tensile.
        Pull = "pull",
        /// A knot.
        Knot = "knot",
    }
}

row! {
    in "series", needs ["image", "specimen"], first [];
    /// What a row of `series.csv` says of a picture, but for its scale ([`GivenScale`]).
    #[derive(Debug, Clone, PartialEq, Default)]
    pub struct SeriesRow {
        /// Picture, as in the series table (`/` between folders, relative to the table) or relative to the folder given.
        pub image: String,
        /// Specimen code.
        pub specimen: String,
        /// Kind of specimen: cut, pull or knot.
        pub kind: Option<Kind>,
        /// Trade name of the knot.
        pub knot: Option<String>,
        /// Line designation.
        pub line: Option<String>,
        /// Which side of the break: standing, tag or free text.
        pub side: Option<String>,
        /// Place on the break face; pictures of one site count once.
        pub site: Option<String>,
        /// Carriers of the braid.
        pub carriers: Option<u32>,
        /// Peak load of the break.
        pub peak_load_n: Option<f64>,
        /// Whether the picture counts towards its break face.
        pub counted: bool,
        /// Unknown columns, kept and passed through: (name, value).
        pub extra: Extra,
    }
}

/// The scale that a series table gives for a picture, in the column `um_per_px` or by a named calibration.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct GivenScale {
    /// Micrometres per pixel.
    pub um_per_px: Option<f64>,
    /// Standard uncertainty of that, µm per px.
    pub u_um_per_px: Option<f64>,
    /// Whether the scale is that of a named calibration.
    pub calibrated: bool,
}

/// A row of a series table that can be worked on.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct ListedPicture {
    /// What it says of the picture.
    pub series: SeriesRow,
    /// The scale it gives.
    pub scale: GivenScale,
    /// Line of the row in the table.
    pub row: u64,
}

/// A series table as read.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Series {
    /// Rows that can be worked on, in table order.
    pub rows: Vec<ListedPicture>,
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
    /// An input does not exist.
    #[error("{path}: there is no such file or folder; nothing was read or written")]
    NoInput {
        /// The input.
        path: String,
    },
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
        table: Box<str>,
        /// Line in the file.
        row: u64,
        /// Column.
        column: Box<str>,
        /// What belongs there.
        expected: Box<str>,
        /// What is there.
        found: Box<str>,
        /// What to do.
        remedy: Box<str>,
    },
    /// Rows of one specimen contradict each other.
    #[error(
        "specimen {specimen}: {column} is {first:?} in {first_place} and {second:?} in {second_place}; a specimen is one piece of \
         line that broke once: correct one of the rows, or give them specimen codes of their own"
    )]
    Contradicting {
        /// Specimen code.
        specimen: Box<str>,
        /// Column in which they differ.
        column: &'static str,
        /// What the first row says.
        first: Box<str>,
        /// Table and row of the first.
        first_place: Box<str>,
        /// What the second row says.
        second: Box<str>,
        /// Table and row of the second.
        second_place: Box<str>,
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
