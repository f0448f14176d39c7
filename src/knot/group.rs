//! Specimens -> those of each knot in each line, and the straight pulls beside them.

use crate::series::Kind;
use crate::table::SpecimenRow;
use std::collections::BTreeMap;

/// One knot in one line and its specimens.
pub(super) struct Group<'a> {
    pub line: Option<&'a str>,
    pub knot: &'a str,
    pub specimens: Vec<&'a SpecimenRow>,
}

/// Loads of the straight pulls of each line.
pub(super) type Pulls<'a> = BTreeMap<Option<&'a str>, Vec<f64>>;

/// Specimens of kind `knot` (or of no kind but with a knot's name) by line and knot.
pub(super) fn groups(specimens: &[SpecimenRow]) -> Vec<Group<'_>> {
    let mut found: BTreeMap<(Option<&str>, &str), Vec<&SpecimenRow>> = BTreeMap::new();
    for s in specimens.iter().filter(|s| matches!(s.kind, None | Some(Kind::Knot))) {
        if let Some(knot) = s.knot.as_deref().filter(|k| !k.trim().is_empty()) {
            found.entry((s.line.as_deref(), knot)).or_default().push(s);
        }
    }
    found.into_iter().map(|((line, knot), specimens)| Group { line, knot, specimens }).collect()
}

pub(super) fn pulls(specimens: &[SpecimenRow]) -> Pulls<'_> {
    let mut found = Pulls::new();
    for s in specimens.iter().filter(|s| s.kind == Some(Kind::Pull)) {
        if let Some(load) = s.peak_load_n.filter(|l| l.is_finite() && 0.0 < *l) {
            found.entry(s.line.as_deref()).or_default().push(load);
        }
    }
    found
}

/// The straight pulls of each line as groups of their own.
pub(super) fn pull_groups(specimens: &[SpecimenRow]) -> Vec<Group<'_>> {
    let mut found: BTreeMap<Option<&str>, Vec<&SpecimenRow>> = BTreeMap::new();
    for s in specimens.iter().filter(|s| s.kind == Some(Kind::Pull)) {
        found.entry(s.line.as_deref()).or_default().push(s);
    }
    found.into_iter().map(|(line, specimens)| Group { line, knot: "straight pull", specimens }).collect()
}
