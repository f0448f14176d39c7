//! Names that look alike and are taken as different: capitals and spaces are easily typed in two ways.

use super::ListedPicture;
use std::collections::{BTreeMap, BTreeSet};

/// One line for every two specimens or knots of a table whose names differ in nothing else.
pub(super) fn notes(table: &str, rows: &[ListedPicture]) -> Vec<String> {
    let specimens = rows.iter().map(|row| row.series.specimen.as_str());
    let knots = rows.iter().filter_map(|row| row.series.knot.as_deref());
    let found = alike(specimens).into_iter().map(|pair| ("specimens", pair));
    let found = found.chain(alike(knots).into_iter().map(|pair| ("knots", pair)));
    let note = |(what, [a, b]): (&str, [&str; 2])| {
        format!("table {table}: {what} {a:?} and {b:?} differ only in capitals or spaces, and are taken as two")
    };
    found.map(note).collect()
}

fn alike<'a>(names: impl Iterator<Item = &'a str>) -> Vec<[&'a str; 2]> {
    let mut spellings: BTreeMap<String, BTreeSet<&str>> = BTreeMap::new();
    for name in names {
        let plain = name.chars().filter(|c| !c.is_whitespace()).flat_map(char::to_lowercase).collect();
        spellings.entry(plain).or_default().insert(name);
    }
    let pairs = spellings.values().filter_map(|names| Some([*names.first()?, *names.last()?]));
    pairs.filter(|[a, b]| a != b).collect()
}
