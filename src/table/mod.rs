//! One row per end, picture, specimen and knot; written as CSV (RFC 4180) and, on request, Parquet.
//!
//! A missing value is an empty field. Column names carry units. Each row type lists its columns once
//! ([`TableRow`]); header, reader, writer and Parquet schema derive from that list.

mod cell;
mod end;
mod file;
mod image;
#[cfg(feature = "parquet")]
mod parquet;
mod plain;
mod score;

pub use crate::series::{guard_formula, unguard_formula};
pub use cell::{Cell, CellKind, Column, Record, format_number, tidy};
pub use end::EndRow;
pub use file::{
    CsvFile, Rows, Staged, TEMPORARY, all_columns, from_csv, open_csv, read_csv, to_csv, write_atomic, write_csv,
};
pub use image::{ImageRow, Status, split_warnings};
#[cfg(feature = "parquet")]
pub use parquet::{ParquetFile, to_parquet, write_parquet};
pub use score::{CarrierRow, KnotRow, PairRow, SideRow, SpecimenRow};

/// A row of a table.
pub trait TableRow: Sized {
    /// The columns, in order.
    fn columns() -> Vec<Column>;

    /// The cells, in the order of [`TableRow::columns`].
    fn cells(&self) -> Vec<Cell>;

    /// The row from a record of a table file.
    ///
    /// # Errors
    /// When a needed column is missing or a cell is of the wrong kind.
    fn from_record(record: &Record<'_>) -> Result<Self, TableError>;

    /// Columns passed through from the series table: (name, text).
    fn extra(&self) -> &[(String, String)] {
        &[]
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
        expected: &'static str,
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

/// Whether a column name belongs to `ends.csv` or `images.csv`, so that a series column must not take it.
pub fn is_result_column(name: &str) -> bool {
    EndRow::columns().iter().chain(&ImageRow::columns()).any(|c| c.name == name)
}
