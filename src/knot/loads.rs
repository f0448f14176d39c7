//! Breaking loads of knots against each other, loads to suspect, and how many more specimens a comparison needs.

use super::group::{Group, Pulls};
use crate::settings::FaceSettings;
use crate::stats::Interval;
use crate::stats::moderated::{Variance, pooled};
use crate::stats::permutation::{Dealing, means};
use crate::stats::ratio::Sample;
use crate::stats::sample::{mean, variance};
use crate::stats::{outlier, power, ratio, welch};

/// Breaking loads of a group, N; loads that are not positive numbers are left out.
pub(super) fn loads(group: &Group) -> Vec<f64> {
    group.specimens.iter().filter_map(|s| s.peak_load_n).filter(|l| l.is_finite() && 0.0 < *l).collect()
}

/// Usual variance of the loads of one knot over their mean, squared, over the knots of a run other than this one; `None` where
/// no other has two loads. It counts for no more degrees of freedom than the setting says, since knots differ.
pub(super) fn usual_spread(of: &Group, groups: &[Group], settings: &FaceSettings) -> Option<Variance> {
    let relative = |loads: Vec<f64>| {
        let square = mean(&loads)?.powi(2);
        Some(Variance { value: variance(&loads)? / square, df: loads.len() as f64 - 1.0 })
    };
    let other = |g: &&Group| (g.line, g.knot) != (of.line, of.knot);
    let all: Vec<Variance> = groups.iter().filter(other).filter_map(|g| relative(loads(g))).collect();
    pooled(&all).map(|v| Variance { df: v.df.min(settings.load_spread_df), ..v })
}

/// The loads of two knots of one line compared.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub(super) struct LoadPair {
    /// Mean load of the first over that of the second.
    pub(super) ratio: Option<f64>,
    /// Its 95 % interval.
    pub(super) interval: Option<Interval>,
    /// Efficiency of the first less that of the second.
    pub(super) efficiency_difference: Option<f64>,
    /// Its 95 % interval.
    pub(super) difference_interval: Option<Interval>,
    /// Permutation test of the difference of means, two-sided.
    pub(super) p: Option<f64>,
    /// Welch's t test, two-sided.
    pub(super) p_welch: Option<f64>,
    /// Loads of each knot that would show a difference as large as the settings ask for.
    pub(super) needed: Option<u32>,
}

/// Compares the loads of two knots of the run's `groups`.
pub(super) fn pair((a, b): (&Group, &Group), groups: &[Group], pulls: &Pulls, settings: &FaceSettings) -> LoadPair {
    let (la, lb) = (loads(a), loads(b));
    let (sa, sb) = (
        Sample { values: &la, usual: usual_spread(a, groups, settings) },
        Sample { values: &lb, usual: usual_spread(b, groups, settings) },
    );
    let Some(of_means) = ratio::of_means(sa, sb) else { return LoadPair::default() };
    let enough = settings.fewest_specimens as usize <= la.len().min(lb.len());
    let how = Dealing { most: settings.most_deals, seed: settings.seed };
    let difference = pulls.get(&a.line).and_then(|pulls| ratio::of_difference(sa, sb, Sample::alone(pulls)));
    LoadPair {
        ratio: Some(of_means.ratio),
        interval: of_means.interval,
        efficiency_difference: difference.map(|d| d.ratio),
        difference_interval: difference.and_then(|d| d.interval),
        p: means(&la, &lb, how).filter(|_| enough).map(|t| t.p_two_sided),
        p_welch: welch::welch(&la, &lb).filter(|_| enough).map(|t| t.p_two_sided),
        needed: pooled_sd(&la, &lb)
            .zip(mean(&lb))
            .and_then(|(sd, m)| power::values_needed(settings.load_difference_to_show * m, sd, settings.power)),
    }
}

/// Standard deviation within both samples; `None` without a sample of two.
pub(super) fn pooled_sd(a: &[f64], b: &[f64]) -> Option<f64> {
    let part = |v: &[f64]| Some((variance(v)?, v.len() as f64 - 1.0));
    let (sum, df) = [part(a), part(b)].into_iter().flatten().fold((0.0, 0.0), |(s, d), (v, df)| (s + v * df, d + df));
    (0.0 < df).then(|| (sum / df).sqrt())
}

/// One load that does not belong to the others of its knot or line.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Suspicious {
    /// Specimen code.
    pub(super) specimen: String,
    /// Its load, N.
    pub(super) load_n: f64,
    /// Median of the others, N.
    pub(super) others_n: f64,
    /// What the others are loads of.
    pub(super) of: String,
}

/// Loads farther from the mean of their knot than chance allows (Grubbs 1969).
pub(super) fn suspicious(groups: &[Group], settings: &FaceSettings) -> Vec<Suspicious> {
    groups
        .iter()
        .filter_map(|group| {
            let with_load = |s: &&&crate::table::SpecimenRow| s.peak_load_n.is_some_and(|l| l.is_finite() && 0.0 < l);
            let specimens: Vec<_> = group.specimens.iter().filter(with_load).collect();
            let values = loads(group);
            let found = outlier::suspicious(&values, settings.load_outlier_alpha)?;
            let others: Vec<f64> = (0..values.len()).filter(|i| *i != found).map(|i| values[i]).collect();
            Some(Suspicious {
                specimen: specimens[found].specimen.clone(),
                load_n: values[found],
                others_n: crate::robust::median(&others)?,
                of: group.knot.to_owned(),
            })
        })
        .collect()
}
