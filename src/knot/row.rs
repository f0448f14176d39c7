//! One knot in one line -> its row.

use super::group::{Group, Pulls};
use super::{capacity, loads};
use crate::face::estimate::{Estimate, verdict};
use crate::flag::Flag;
use crate::settings::FaceSettings;
use crate::stats::bootstrap::{self, Resampling};
use crate::stats::moderated::{Variance, moderated, pooled};
use crate::stats::ratio::Sample;
use crate::stats::sample::{mean, variance};
use crate::stats::{Interval, Z95, bundle, ratio, t95, weibull};
use crate::table::{FaceVerdict, IntervalFrom, KnotRow, SpecimenRow};

/// What a knot is seen against: the usual spreads of the run's knots, and the straight pulls.
pub(super) struct Run<'a> {
    /// Of sheared fractions between specimens.
    pub(super) fractions: Variance,
    /// Knots of the run, for the usual spread of loads.
    pub(super) groups: &'a [Group<'a>],
    /// Loads of straight pulls.
    pub(super) pulls: &'a Pulls<'a>,
}

pub(super) fn row(group: &Group, run: &Run, settings: &FaceSettings) -> KnotRow {
    let Run { fractions: usual, groups, pulls } = *run;
    let scored: Vec<&SpecimenRow> = group.specimens.iter().copied().filter(|s| s.sheared_fraction.is_some()).collect();
    let found = mean_fraction(&scored, usual, settings);
    let estimate = found.map(|(e, _)| e);
    let labelled = scored.iter().map(|s| s.n_sheared + s.n_tensile).sum();
    let loads = loads::loads(group);
    let enough_loads = settings.fewest_loads <= loads.len();
    let strength = enough_loads.then(|| weibull::fit(&loads)).flatten();
    let efficiency = pulls.get(&group.line).and_then(|p| {
        let usual = super::loads::usual_spread(group, groups, settings);
        ratio::of_means(Sample { values: &loads, usual }, Sample::alone(p))
    });
    let carriers = group.specimens.iter().find_map(|s| s.carriers);
    // One specimen is no knot.
    let several = (settings.fewest_for_knot as usize <= scored.len()).then_some(estimate).flatten();
    let verdict = verdict(several, labelled, settings);
    let mut flags = Vec::new();
    if verdict == FaceVerdict::MostlyShear {
        flags.push(Flag::KnotMostlyShear);
    }
    if (scored.len() as u32) < settings.fewest_specimens {
        flags.push(Flag::TooFewSpecimens);
    }
    KnotRow {
        knot: group.knot.to_owned(),
        line: group.line.map(str::to_owned),
        rank: None,
        n_specimens: scored.len() as u32,
        sheared_fraction: estimate.map(|e| e.fraction),
        sheared_low: estimate.map(|e| e.interval.low),
        sheared_high: estimate.map(|e| e.interval.high),
        interval_from: found.map(|(_, from)| from),
        verdict: Some(verdict),
        n_loads: loads.len() as u32,
        mean_load_n: mean(&loads),
        efficiency: efficiency.map(|r| r.ratio),
        efficiency_low: efficiency.and_then(|r| r.interval).map(|i| i.low),
        efficiency_high: efficiency.and_then(|r| r.interval).map(|i| i.high),
        efficiency_method: efficiency.and_then(|r| r.method),
        load_modulus: strength.map(|w| w.modulus * weibull::unbiasing(loads.len())),
        load_scale_n: strength.map(|w| w.scale),
        carriers,
        carriers_lost: efficiency.zip(carriers).map(|(e, n)| f64::from(n) * (1.0 - e.ratio).clamp(0.0, 1.0)),
        carriers_lost_bundle: efficiency.zip(carriers).and_then(|(e, n)| {
            bundle::carriers_lost(n, e.ratio, capacity::modulus(pulls.get(&group.line), settings).0)
        }),
        flags: crate::flag::join(&flags),
    }
}

/// Spread of fractions between specimens of one knot, over the knots of a run, drawn towards the setting.
pub(super) fn usual_spread(groups: &[Group], settings: &FaceSettings) -> Variance {
    let prior = Variance { value: settings.specimen_sd.powi(2), df: settings.specimen_sd_df };
    let own = groups.iter().filter_map(|g| own_spread(&fractions(&g.specimens)));
    let all: Vec<Variance> = own.chain([prior]).collect();
    pooled(&all).unwrap_or(prior)
}

fn own_spread(fractions: &[f64]) -> Option<Variance> {
    Some(Variance { value: variance(fractions)?, df: fractions.len() as f64 - 1.0 })
}

fn fractions(specimens: &[&SpecimenRow]) -> Vec<f64> {
    specimens.iter().filter_map(|s| s.sheared_fraction).collect()
}

/// Mean of the specimens' fractions with its interval and where that comes from.
///
/// A few specimens may agree by chance, and one specimen says nothing about others: their spread is drawn towards that of the
/// run's knots ([`moderated`]). It holds the specimens' own uncertainty too, so the standard error is never taken below
/// what their intervals say.
fn mean_fraction(
    scored: &[&SpecimenRow],
    usual: Variance,
    settings: &FaceSettings,
) -> Option<(Estimate, IntervalFrom)> {
    let fractions = fractions(scored);
    let fraction = mean(&fractions)?;
    let n = fractions.len() as f64;
    let own: f64 = scored.iter().filter_map(|s| Some(((s.sheared_high? - s.sheared_low?) / (2.0 * Z95)).powi(2))).sum();
    let none = Variance { value: 0.0, df: 0.0 };
    let prior = Variance { df: usual.df.min(settings.specimen_sd_df), ..usual };
    let spread = moderated(own_spread(&fractions).unwrap_or(none), prior);
    let se = (spread.value / n).max(own / (n * n)).sqrt();
    let half = t95(spread.df)? * se;
    let student = Interval { low: fraction - half, high: fraction + half }.clipped();
    if fractions.len() == 1 {
        return Some((Estimate { fraction, interval: student }, IntervalFrom::OneSpecimen));
    }
    if (fractions.len() as u32) < settings.bootstrap_from {
        return Some((Estimate { fraction, interval: student }, IntervalFrom::BetweenSpecimens));
    }
    let how = Resampling { resamples: settings.resamples, seed: settings.seed };
    let resampled = bootstrap::interval(fractions.len(), how, |drawn| {
        mean(&drawn.iter().map(|i| fractions[*i]).collect::<Vec<_>>())
    })?;
    let floor = Z95 * own.sqrt() / n;
    let interval = Interval { low: resampled.low.min(fraction - floor), high: resampled.high.max(fraction + floor) };
    Some((Estimate { fraction, interval: interval.clipped() }, IntervalFrom::ResampledSpecimens))
}

/// Places within each line, least sheared first; equal means share a place.
pub(super) fn rank(knots: &mut [KnotRow]) {
    for i in 0..knots.len() {
        let ranked = |k: &KnotRow| k.sheared_fraction.filter(|_| k.verdict != Some(FaceVerdict::TooFew));
        let Some(own) = ranked(&knots[i]) else { continue };
        let line = knots[i].line.clone();
        let less = knots.iter().filter(|k| k.line == line && ranked(k).is_some_and(|f| f < own)).count();
        knots[i].rank = Some(less as u32 + 1);
    }
}
