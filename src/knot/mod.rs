//! Break faces -> knots: means by specimens, ranks, tests, efficiency, capacity.
//!
//! Plain data in, plain data out: works from `specimens.csv` alone.

use crate::flag::Warning;
use crate::settings::FaceSettings;
use crate::table::{KnotRow, PairRow, SpecimenRow};

/// Rank correlation of sheared fraction with breaking load, over the knot specimens of one line.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Association {
    /// Line designation, when given.
    pub line: Option<String>,
    /// Specimens with both a fraction and a load.
    pub n: u32,
    /// Spearman's rank correlation; missing when one of them does not vary.
    pub rho: Option<f64>,
    /// Lower end of its 95 % interval, by resampling specimens.
    pub low: Option<f64>,
    /// Upper end of its 95 % interval.
    pub high: Option<f64>,
}

/// Everything the comparison finds out.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Comparison {
    /// One row per knot and line, least sheared first.
    pub knots: Vec<KnotRow>,
    /// Every pair of knots of one line.
    pub pairs: Vec<PairRow>,
    /// Sheared fraction against load, one per line.
    pub associations: Vec<Association>,
    /// What to know about the comparison, worst first.
    pub warnings: Vec<Warning>,
}

/// Compares knots by their specimens, never by pooled fibres.
pub fn compare(_specimens: &[SpecimenRow], _settings: &FaceSettings) -> Comparison {
    Comparison::default()
}
