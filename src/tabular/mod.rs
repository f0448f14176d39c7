//! What every table has in common: cells, columns, rows whose columns are declared once, CSV and Parquet.
//!
//! A missing value is an empty field. Column names carry units. A row type is a struct within `row!`: each field is a
//! column (or a group of columns), and header, reader, writer, Parquet schema and documentation follow from it. Knows no
//! row type by name.

mod cell;
mod error;
mod file;
mod formula;
mod lines;
#[cfg(feature = "parquet")]
mod parquet;
mod quotes;
mod record;
mod row;
mod table_row;
mod words;

pub use cell::{Cell, CellKind, Column, Extra, format_number, tidy};
pub use error::TableError;
pub use file::{
    CsvFile, Fields, Rows, Staged, TEMPORARY, all_columns, digest_of_file, from_csv, open_csv, read_csv, to_csv,
    write_atomic, write_csv,
};
pub use formula::{guard_formula, unguard_formula};
pub use lines::LineNumbers;
#[cfg(feature = "parquet")]
pub use parquet::{ParquetFile, to_parquet, write_parquet};
pub use quotes::{StrayQuote, check_quotes, check_quotes_among};
pub use record::{Header, Record};
pub(crate) use row::{Group, in_order, order, row};
pub use table_row::TableRow;
pub use words::Word;
pub(crate) use words::words;
