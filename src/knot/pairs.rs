//! Knots of one line against each other: sheared fractions and loads by specimens, tests adjusted together.

use super::group::{Group, Pulls};
use super::loads::{self, LoadPair};
use crate::settings::FaceSettings;
use crate::stats::multiple::benjamini_hochberg;
use crate::stats::permutation::{Dealing, means};
use crate::stats::power;
use crate::table::PairRow;

pub(super) fn pairs(groups: &[Group], pulls: &Pulls, settings: &FaceSettings) -> Vec<PairRow> {
    let mut rows = Vec::new();
    for (i, a) in groups.iter().enumerate() {
        let of_line = groups[i + 1..].iter().filter(|b| b.line == a.line);
        rows.extend(of_line.map(|b| pair((a, b), groups, pulls, settings)));
    }
    adjust(&mut rows, |r| r.p, |r, p| r.p_adjusted = Some(p));
    adjust(&mut rows, |r| r.p_load, |r, p| r.p_load_adjusted = Some(p));
    rows
}

fn pair((a, b): (&Group, &Group), groups: &[Group], pulls: &Pulls, settings: &FaceSettings) -> PairRow {
    let how = Dealing { most: settings.most_deals, seed: settings.seed };
    let fractions = |g: &Group| g.specimens.iter().filter_map(|s| s.sheared_fraction).collect::<Vec<f64>>();
    let (fa, fb) = (fractions(a), fractions(b));
    let test = means(&fa, &fb, how);
    let enough = settings.fewest_specimens as usize <= fa.len().min(fb.len());
    let LoadPair { ratio, interval, efficiency_difference, difference_interval, p, p_welch, needed } =
        loads::pair((a, b), groups, pulls, settings);
    PairRow {
        line: a.line.map(str::to_owned),
        knot_a: a.knot.to_owned(),
        knot_b: b.knot.to_owned(),
        n_a: fa.len() as u32,
        n_b: fb.len() as u32,
        difference: test.map(|t| t.difference),
        p: test.filter(|_| enough).map(|t| t.p_two_sided),
        p_adjusted: None,
        n_needed: loads::pooled_sd(&fa, &fb)
            .and_then(|sd| power::values_needed(settings.difference_to_show, sd, settings.power)),
        load_ratio: ratio,
        load_ratio_low: interval.map(|i| i.low),
        load_ratio_high: interval.map(|i| i.high),
        efficiency_difference,
        efficiency_difference_low: difference_interval.map(|i| i.low),
        efficiency_difference_high: difference_interval.map(|i| i.high),
        p_load: p,
        p_load_welch: p_welch,
        p_load_adjusted: None,
        n_loads_needed: needed,
    }
}

/// Adjusts one kind of p-values over all pairs that have it.
fn adjust(rows: &mut [PairRow], p: impl Fn(&PairRow) -> Option<f64>, mut set: impl FnMut(&mut PairRow, f64)) {
    let tested: Vec<f64> = rows.iter().filter_map(&p).collect();
    let adjusted = benjamini_hochberg(&tested);
    rows.iter_mut().filter(|r| p(r).is_some()).zip(adjusted).for_each(|(row, value)| set(row, value));
}
