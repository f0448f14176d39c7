//! Knots of one line against each other: permutation tests over specimens, adjusted together.

use super::Group;
use crate::settings::FaceSettings;
use crate::stats::multiple::benjamini_hochberg;
use crate::stats::permutation::{Dealing, means};
use crate::table::PairRow;

pub(super) fn pairs(groups: &[Group], settings: &FaceSettings) -> Vec<PairRow> {
    let how = Dealing { most: settings.most_deals, seed: settings.seed };
    let fractions = |g: &Group| g.specimens.iter().filter_map(|s| s.sheared_fraction).collect::<Vec<f64>>();
    let mut rows = Vec::new();
    for (i, a) in groups.iter().enumerate() {
        for b in groups[i + 1..].iter().filter(|b| b.line == a.line) {
            let (fa, fb) = (fractions(a), fractions(b));
            let test = means(&fa, &fb, how);
            let enough = settings.fewest_specimens as usize <= fa.len().min(fb.len());
            rows.push(PairRow {
                line: a.line.map(str::to_owned),
                knot_a: a.knot.to_owned(),
                knot_b: b.knot.to_owned(),
                n_a: fa.len() as u32,
                n_b: fb.len() as u32,
                difference: test.map(|t| t.difference),
                p: test.filter(|_| enough).map(|t| t.p_two_sided),
                p_adjusted: None,
            });
        }
    }
    let tested: Vec<f64> = rows.iter().filter_map(|r| r.p).collect();
    let adjusted = benjamini_hochberg(&tested);
    rows.iter_mut().filter(|r| r.p.is_some()).zip(adjusted).for_each(|(row, p)| row.p_adjusted = Some(p));
    rows
}
