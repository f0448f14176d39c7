//! Load against shear: does more cutting go with less load, and how much strength is left as carriers go?
//!
//! Capacities are idealised: a cut carrier loads its neighbours more than the rest, the braid unbalances and kinks. Cut ends
//! may also grip again away from the cut.

use super::group::{Group, Pulls};
use crate::settings::FaceSettings;
use crate::stats::rank::{spearman, spearman_interval};
use crate::stats::{bundle, weibull};

/// Rank correlation of sheared fraction with breaking load, over the knot specimens of one line.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Association {
    /// Line designation, when given.
    pub line: Option<String>,
    /// Specimens with both a fraction and a load.
    pub n: u32,
    /// Spearman's rank correlation; missing when one of them does not vary.
    pub rho: Option<f64>,
    /// Lower end of its 95 % interval (Bonett and Wright 2000); missing below six specimens.
    pub low: Option<f64>,
    /// Upper end of its 95 % interval.
    pub high: Option<f64>,
}

/// Strength of a braid as its carriers go.
#[derive(Debug, Clone, PartialEq)]
pub struct Capacity {
    /// Line designation, when given.
    pub line: Option<String>,
    /// Carriers of the braid.
    pub carriers: u32,
    /// Weibull modulus of a carrier that was used.
    pub modulus: f64,
    /// Whether the modulus was estimated from straight-pull loads of this line; otherwise it is the setting.
    pub modulus_estimated: bool,
    /// One point for each number of carriers cut, from none.
    pub points: Vec<CapacityPoint>,
}

/// Share of the uncut load that is left.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct CapacityPoint {
    /// Carriers cut.
    pub cut: u32,
    /// Plain share, (n − cut)/n.
    pub plain: f64,
    /// By equal load sharing (Daniels 1945), idealised; `None` beyond the exact recursion.
    pub bundle: Option<f64>,
}

/// Modulus of the carriers of a line and whether it was estimated from its straight pulls.
///
/// A braid of n carriers that share equally scatters less than a carrier does, so the modulus of whole lines is an upper bound
/// for that of carriers; the bundle's capacities hardly depend on it (`docs/answers.md`).
pub(super) fn modulus(pulls: Option<&Vec<f64>>, settings: &FaceSettings) -> (f64, bool) {
    let estimated = pulls
        .filter(|p| settings.fewest_loads <= p.len())
        .and_then(|p| weibull::fit(p).map(|w| w.modulus * weibull::unbiasing(p.len())))
        .filter(|m| 1.0 <= *m);
    estimated.map_or((settings.bundle_modulus, false), |m| (m, true))
}

/// Strength of what is left for each line with knots and a known number of carriers.
pub(super) fn capacities(groups: &[Group], pulls: &Pulls, settings: &FaceSettings) -> Vec<Capacity> {
    let mut found: Vec<Capacity> = Vec::new();
    for group in groups {
        let Some(n) = group.specimens.iter().find_map(|s| s.carriers).filter(|n| 0 < *n) else { continue };
        if found.iter().any(|c| c.line.as_deref() == group.line && c.carriers == n) {
            continue;
        }
        let (modulus, modulus_estimated) = modulus(pulls.get(&group.line), settings);
        let points = (0..=n)
            .filter_map(|cut| {
                let plain = bundle::plain_capacity(n, cut)?;
                Some(CapacityPoint { cut, plain, bundle: bundle::bundle_capacity(n, cut, modulus) })
            })
            .collect();
        found.push(Capacity { line: group.line.map(str::to_owned), carriers: n, modulus, modulus_estimated, points });
    }
    found
}

/// Sheared fraction against peak load, over the knot specimens of each line.
pub(super) fn associations(groups: &[Group]) -> Vec<Association> {
    let mut lines: Vec<Option<&str>> = groups.iter().map(|g| g.line).collect();
    lines.sort_unstable();
    lines.dedup();
    lines
        .into_iter()
        .filter_map(|line| {
            let both: Vec<(f64, f64)> = groups
                .iter()
                .filter(|g| g.line == line)
                .flat_map(|g| &g.specimens)
                .filter_map(|s| s.sheared_fraction.zip(s.peak_load_n))
                .collect();
            if both.is_empty() {
                return None;
            }
            let (x, y): (Vec<f64>, Vec<f64>) = both.into_iter().unzip();
            let interval = spearman_interval(&x, &y);
            Some(Association {
                line: line.map(str::to_owned),
                n: x.len() as u32,
                rho: spearman(&x, &y),
                low: interval.map(|i| i.low),
                high: interval.map(|i| i.high),
            })
        })
        .collect()
}
