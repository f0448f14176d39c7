//! A table of hand labels: read, what stands of it, and the same rows written and read again.

#![no_main]

use breakface::labels::{LabelRow, agreement, effective, header_line, parse_labels, place, row_line, standing};
use breakface::settings::Settings;
use libfuzzer_sys::fuzz_target;
use std::iter::once;
use std::path::Path;

fuzz_target!(|bytes: &[u8]| {
    let path = Path::new("labels.csv");
    let Ok(rows) = parse_labels(bytes, path) else { return };
    standing(&rows);
    effective(&rows);
    agreement(&rows);
    place(&rows, &[], &Settings::default().label);
    let table =
        |rows: &[LabelRow]| -> Vec<u8> { once(header_line()).chain(rows.iter().map(row_line)).flatten().collect() };
    // Places are written to hundredths of a pixel.
    let written = table(&rows);
    let again = parse_labels(&written, path).expect("our own table can be read");
    assert_eq!(table(&again), written);
    for (a, b) in again.iter().zip(&rows) {
        assert_eq!((&a.image, &a.labeller, &a.when, a.label), (&b.image, &b.labeller, &b.when, b.label));
    }
});
