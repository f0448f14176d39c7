//! A row type: what every table is read into and written from.

use super::cell::{Cell, Column};
use super::error::TableError;
use super::record::{Header, Record};

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

    /// The header of a table file of these rows; `table` names it in messages.
    ///
    /// # Errors
    /// When a needed column is missing, or one is there twice.
    fn header(table: &str, names: Vec<String>) -> Result<Header, TableError> {
        Header::new(table, current(names, Self::renamed()), &Self::columns(), Self::NEEDED)
    }

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

/// Earlier names of columns become those of this version.
fn current(mut names: Vec<String>, renamed: &[(&str, &str)]) -> Vec<String> {
    for (old, new) in renamed {
        if !names.iter().any(|n| n == new) {
            names.iter_mut().filter(|n| *n == old).for_each(|n| (*new).clone_into(n));
        }
    }
    names
}
