//! What every table has in common: cells, columns, rows whose columns are declared once, CSV and Parquet.
//!
//! A missing value is an empty field. Column names carry units. A row type is a struct within `row!`: each field is a
//! column (or a group of columns), and header, reader, writer, Parquet schema and documentation follow from it. Knows no
//! row type by name.

mod cell;
mod file;
mod formula;
#[cfg(feature = "parquet")]
mod parquet;
mod quotes;
mod record;
mod row;
mod words;

pub use cell::{Cell, CellKind, Column, format_number, tidy};
pub use file::{
    CsvFile, Fields, Rows, Staged, TEMPORARY, all_columns, from_csv, open_csv, read_csv, to_csv, write_atomic,
    write_csv,
};
pub use formula::{guard_formula, unguard_formula};
#[cfg(feature = "parquet")]
pub use parquet::{ParquetFile, to_parquet, write_parquet};
pub use quotes::{StrayQuote, check_quotes};
pub use record::{Header, Record};
pub(crate) use row::{Group, in_order, order, row};
pub use words::Word;
pub(crate) use words::words;

/// Columns passed through from the series table: (name, text).
pub type Extra = Vec<(String, String)>;

/// A row of a table.
pub trait TableRow: Sized {
    /// Name of its file without extension.
    const STEM: &'static str;

    /// Columns that a table must have to be read.
    const NEEDED: &'static [&'static str];

    /// The columns, in order.
    fn columns() -> Vec<Column>;

    /// The cells, in the order of [`TableRow::columns`].
    fn cells(&self) -> Vec<Cell>;

    /// The row from a record of a table file.
    ///
    /// # Errors
    /// When a needed column is missing or a cell is of the wrong kind.
    fn from_record(record: &Record<'_>) -> Result<Self, TableError>;

    /// Columns passed through from the series table.
    fn extra(&self) -> &[(String, String)] {
        &[]
    }

    /// Names that columns had in earlier versions: (old, new).
    fn renamed() -> &'static [(&'static str, &'static str)] {
        &[]
    }

    /// Name of its CSV file.
    fn csv_name() -> String {
        format!("{}.csv", Self::STEM)
    }

    /// Name of its Parquet file.
    fn parquet_name() -> String {
        format!("{}.parquet", Self::STEM)
    }
}

/// Why a table could not be read or written.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum TableError {
    /// The file cannot be opened.
    #[error("table {table}: cannot be read: {reason}")]
    Unreadable {
        /// File.
        table: String,
        /// What the system said.
        reason: String,
    },
    /// The file is not a CSV table.
    #[error("table {table}, row {row}: {reason}")]
    Malformed {
        /// File.
        table: String,
        /// Line in the file.
        row: u64,
        /// What was expected and found.
        reason: String,
    },
    /// A column is missing.
    #[error("table {table}: column {column} is missing")]
    MissingColumn {
        /// File.
        table: String,
        /// Column.
        column: String,
    },
    /// A cell is of the wrong kind.
    #[error("table {table}, row {row}, column {column}: expected {expected}, found {found:?}")]
    Cell {
        /// File.
        table: String,
        /// Line in the file.
        row: u64,
        /// Column.
        column: String,
        /// What belongs there.
        expected: String,
        /// What is there.
        found: String,
    },
    /// The file cannot be written.
    #[error("{path}: cannot be written: {reason}; check the rights and the space there, or name another place")]
    Unwritable {
        /// File.
        path: String,
        /// What the system said.
        reason: String,
    },
}
