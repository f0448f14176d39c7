//! A table of hand labels: read, what stands of it, and the same rows written and read again.

#![no_main]

use breakface::labels::{agreement, effective, header_line, parse_labels, place, row_line, standing};
use breakface::settings::Settings;
use libfuzzer_sys::fuzz_target;
use std::path::Path;

fuzz_target!(|bytes: &[u8]| {
    let path = Path::new("labels.csv");
    let Ok(rows) = parse_labels(bytes, path) else { return };
    standing(&rows);
    effective(&rows);
    agreement(&rows);
    place(&rows, &[], &Settings::default().label);
    let written: Vec<u8> = std::iter::once(header_line()).chain(rows.iter().map(row_line)).flatten().collect();
    assert_eq!(parse_labels(&written, path).expect("our own table can be read"), rows);
});
