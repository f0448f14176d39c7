//! The lab's table of calibrations, `calibrations.csv`: one row per objective, referred to by name from the series table.
//!
//! Columns: `name, um_per_px, u_um_per_px, date, source`. `u_um_per_px` is the standard uncertainty and may be empty. Text that
//! a spreadsheet would run as a formula is written with an apostrophe in front, which reading takes away.

mod csv_text;
mod error;
mod file;
mod table;

pub use error::ListError;
pub use table::{Calibration, CalibrationList};
