//! The rows of the tables: one per end, picture, specimen, side, carrier, knot and pair of knots.
//!
//! How rows become files is in [`crate::tabular`]; a row type declares its columns once.

mod end;
mod hand;
mod image;
mod score;
#[cfg(test)]
mod tests;
mod verdict;

pub use crate::tabular::{
    Cell, CellKind, Column, CsvFile, Extra, Fields, Header, LineNumbers, Record, Rows, Staged, StrayQuote, TEMPORARY,
    TableError, TableRow, Word, all_columns, check_quotes, check_quotes_among, digest_of_file, format_number, from_csv,
    guard_formula, open_csv, read_csv, tidy, to_csv, unguard_formula, write_atomic, write_csv,
};
#[cfg(feature = "parquet")]
pub use crate::tabular::{ParquetFile, to_parquet, write_parquet};
pub use end::EndRow;
pub use hand::HandLabel;
pub use image::{ImageRow, Status, split_warnings};
pub use score::{CarrierRow, KnotRow, PairRow, SideRow, SpecimenRow};
pub use verdict::{Basis, CarrierVerdict, FaceVerdict, History, IntervalFrom};

/// Every table of a run: name of its file without extension, what a row is, its columns.
pub fn tables() -> Vec<(&'static str, &'static str, Vec<Column>)> {
    fn of<T: TableRow>(row: &'static str) -> (&'static str, &'static str, Vec<Column>) {
        (T::STEM, row, T::columns())
    }
    vec![
        of::<EndRow>("one end"),
        of::<ImageRow>("one picture"),
        of::<SpecimenRow>("the break face of one specimen"),
        of::<SideRow>("one of the two broken sides of a specimen"),
        of::<CarrierRow>("the ends of one carrier in one picture"),
        of::<KnotRow>("one knot in one line, by its specimens"),
        of::<PairRow>("two knots of one line, compared by their specimens"),
    ]
}

/// Whether a column name belongs to `ends.csv` or `images.csv`, so that a series column must not take it.
pub fn is_result_column(name: &str) -> bool {
    EndRow::columns().iter().chain(&ImageRow::columns()).any(|c| c.name == name)
}
