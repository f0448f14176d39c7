//! A table of calibrations: read, asked for every name, written and read again.

#![no_main]

use breakface::calibrate::CalibrationList;
use libfuzzer_sys::fuzz_target;

fuzz_target!(|text: &str| {
    let Ok(list) = CalibrationList::parse("calibrations.csv", text) else { return };
    for row in list.rows() {
        assert!(list.scale(&row.name).is_ok_and(|s| s.um_per_px().is_finite() && 0.0 < s.um_per_px()));
    }
    let written = list.to_csv().expect("a table that was read can be written");
    let again = CalibrationList::parse("calibrations.csv", &written).expect("our own table can be read");
    assert_eq!(again.to_csv().expect("a table that was read can be written"), written);
    for (a, b) in again.rows().iter().zip(list.rows()) {
        assert_eq!((&a.name, &a.date, &a.source), (&b.name, &b.date, &b.source));
    }
});
