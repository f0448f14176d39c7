//! Break faces -> knots: means by specimens, ranks, tests, efficiency, capacity.
//!
//! Plain data in, plain data out: works from `specimens.csv` alone. Specimens are the unit throughout: pooling fibres would
//! overstate the evidence.

use crate::flag::{Flag, Warning};
use crate::settings::FaceSettings;
use crate::table::{KnotRow, PairRow, SpecimenRow};

// The specimens of each knot.
mod group;

// One knot: mean fraction, efficiency, carriers lost.
mod row;

// Knots against each other.
mod pairs;

// Breaking loads of knots against each other.
mod loads;

// Sheared fraction against load; strength of what is left.
pub mod capacity;

// Flags of specimens, knots and pictures, worst first.
pub mod flagged;

pub use capacity::{Association, Capacity, CapacityPoint};

use group::{Group, Pulls, groups, pull_groups, pulls};

/// Everything the comparison finds out.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Comparison {
    /// One row per knot and line, least sheared first.
    pub knots: Vec<KnotRow>,
    /// Every pair of knots of one line.
    pub pairs: Vec<PairRow>,
    /// Sheared fraction against load, one per line.
    pub associations: Vec<Association>,
    /// Strength of what is left as carriers go, one per line whose carriers are known.
    pub capacities: Vec<Capacity>,
    /// What to know about the comparison, worst first.
    pub warnings: Vec<Warning>,
}

/// Compares knots by their specimens, never by pooled fibres.
pub fn compare(specimens: &[SpecimenRow], settings: &FaceSettings) -> Comparison {
    let groups = groups(specimens);
    let pulls = pulls(specimens);
    let run = row::Run { fractions: row::usual_spread(&groups, settings), groups: &groups, pulls: &pulls };
    let mut knots: Vec<KnotRow> = groups.iter().map(|g| row::row(g, &run, settings)).collect();
    row::rank(&mut knots);
    let mut warnings = warnings(&knots, &groups, &pulls, settings);
    warnings.extend(load_warnings(&groups, settings));
    warnings.extend(load_warnings(&pull_groups(specimens), settings));
    warnings.sort_by_key(|w| w.flag);
    knots.sort_by(|a, b| {
        let key = |k: &KnotRow| (k.line.clone(), k.rank.unwrap_or(u32::MAX), k.knot.clone());
        key(a).cmp(&key(b))
    });
    Comparison {
        knots,
        pairs: pairs::pairs(&groups, &pulls, settings),
        associations: capacity::associations(&groups),
        capacities: capacity::capacities(&groups, &pulls, settings),
        warnings,
    }
}

/// One line for each load to suspect.
fn load_warnings(groups: &[Group], settings: &FaceSettings) -> Vec<Warning> {
    let suspicious = loads::suspicious(groups, settings);
    let warning = |s: loads::Suspicious| {
        let text = format!(
            "{}: a load of {:.1} N lies farther from the other loads of {} (median {:.1} N) than chance allows: check the entry, \
             and how this specimen broke",
            s.specimen, s.load_n, s.of, s.others_n
        );
        Warning::new(Flag::LoadSuspicious, text)
    };
    suspicious.into_iter().map(warning).collect()
}

/// One line per kind of warning, with a count and an example.
fn warnings(knots: &[KnotRow], groups: &[Group], pulls: &Pulls, settings: &FaceSettings) -> Vec<Warning> {
    let mut found = Vec::new();
    let few: Vec<&KnotRow> = knots.iter().filter(|k| k.n_specimens < settings.fewest_specimens).collect();
    if let Some(first) = few.first() {
        let text = format!(
            "{} of {} knots have fewer than {} scored specimens ({} first, {}): ranked, but not tested",
            few.len(),
            knots.len(),
            settings.fewest_specimens,
            first.knot,
            first.n_specimens
        );
        found.push(Warning::new(Flag::TooFewSpecimens, text));
    }
    let without = |g: &&Group| g.specimens.iter().all(|s| s.peak_load_n.is_none());
    let no_load = groups.iter().filter(without).count();
    let no_pull: Vec<&str> =
        groups.iter().filter(|g| !pulls.contains_key(&g.line)).map(|g| g.line.unwrap_or("no line given")).collect();
    if 0 < no_load {
        found.push(Warning::new(Flag::LoadsMissing, format!("{no_load} knots have no peak loads, so no efficiency")));
    } else if let Some(line) = no_pull.first() {
        let text = format!("no straight-pull loads for {} knots ({line}), so no efficiency", no_pull.len());
        found.push(Warning::new(Flag::LoadsMissing, text));
    }
    found
}
