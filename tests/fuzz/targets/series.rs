//! A series table: read, and what it holds written to a table and read again.

#![no_main]

use breakface::series::parse_series;
use breakface::table::{ImageRow, Status, from_csv, to_csv};
use libfuzzer_sys::fuzz_target;

/// What a spreadsheet runs as a formula.
fn is_formula(field: &str) -> bool {
    field.starts_with(['=', '+', '@', '\t', '\r']) || field.starts_with('-') && field.parse::<f64>().is_err()
}

fuzz_target!(|bytes: &[u8]| {
    let Ok(series) = parse_series("series.csv", bytes) else { return };
    series.problems.iter().for_each(|p| assert!(!p.error.to_string().is_empty()));
    let failed = series.problems.into_iter().map(|p| (p.series, p.error.to_string()));
    let rows: Vec<ImageRow> = failed
        .chain(series.rows.into_iter().map(|listed| (listed.series, String::new())))
        .map(|(series, error)| ImageRow { status: Status::Failed, error, series, ..ImageRow::default() })
        .collect();
    let written = to_csv(&rows);
    let mut reader = csv::ReaderBuilder::new().has_headers(false).from_reader(written.as_slice());
    for record in reader.records() {
        assert!(!record.expect("our own table is CSV").iter().any(is_formula));
    }
    // Columns of a table that take the name of a result column are renamed before a run; here they are only read.
    let Ok(read) = from_csv::<ImageRow>("images.csv", &written) else { return };
    assert_eq!(read.len(), rows.len());
    for (read, row) in read.iter().zip(&rows) {
        assert_eq!((&read.series.image, &read.series.specimen), (&row.series.image, &row.series.specimen));
        assert_eq!(read.error, row.error);
    }
});
