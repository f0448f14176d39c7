//! Saved tables and settings as they are read back: the first byte says which.

#![no_main]

use breakface::table::{
    CarrierRow, EndRow, ImageRow, KnotRow, PairRow, SideRow, SpecimenRow, TableRow, from_csv, to_csv,
};
use libfuzzer_sys::fuzz_target;

/// Whatever can be read stays the same when it is written and read again.
fn again<T: TableRow>(bytes: &[u8]) {
    let Ok(rows) = from_csv::<T>("table.csv", bytes) else { return };
    let written = to_csv(&rows);
    let Ok(read) = from_csv::<T>("table.csv", &written) else { panic!("our own table cannot be read") };
    assert_eq!(to_csv(&read), written);
}

fuzz_target!(|bytes: &[u8]| {
    let Some((which, bytes)) = bytes.split_first() else { return };
    match which % 7 {
        0 => again::<EndRow>(bytes),
        1 => again::<ImageRow>(bytes),
        2 => again::<SpecimenRow>(bytes),
        3 => again::<SideRow>(bytes),
        4 => again::<CarrierRow>(bytes),
        5 => again::<KnotRow>(bytes),
        _ => again::<PairRow>(bytes),
    }
});
