//! How wide the fibres of a picture are: the finder's widths are rough, and a shaft traced at the wrong width goes astray.
//!
//! Micrograph + candidates -> the same candidates with settled widths. The strongest candidates are measured at a ladder of
//! widths about the one that the finder told; a width at which shafts show both edges, measure what was assumed, and end where
//! the finder says, gets the votes. Fibres of one line are alike, so the width that most agree on is taken for all.

use super::{MeasuredEnd, measure_ends};
use crate::find::Candidate;
use crate::micrograph::Micrograph;
use crate::settings::MeasureSettings;

/// Gives every candidate the width that the shafts of the picture agree on; without agreement widths stay as they are.
pub fn settle_widths(
    micrograph: &Micrograph,
    candidates: &[Candidate],
    fibre_um: [f64; 2],
    settings: &MeasureSettings,
) -> Vec<Candidate> {
    let mut settled = candidates.to_vec();
    let mut strongest: Vec<&Candidate> = candidates.iter().collect();
    strongest.sort_by(|a, b| b.score.total_cmp(&a.score));
    strongest.truncate(settings.settle_voters as usize);
    let ladder = ladder(micrograph, fibre_um, settings);
    let votes: Vec<(f64, f64)> =
        ladder.iter().flat_map(|&width| votes_at(micrograph, &strongest, width, settings)).collect();
    if let Some(width) = agreed(&votes, settings) {
        settled.iter_mut().for_each(|c| c.width_px = width);
    }
    settled
}

/// Widths to try, px: what fibres can have at this scale, or anything from the least gradable width to a share of the picture.
fn ladder(micrograph: &Micrograph, fibre_um: [f64; 2], settings: &MeasureSettings) -> Vec<f64> {
    let shorter = f64::from(micrograph.grey.width().min(micrograph.grey.height()));
    let [low, high] = match micrograph.scale {
        Some(scale) => fibre_um.map(|um| um / scale.um_per_px()),
        None => [settings.min_shaft_px, settings.settle_widest_share * shorter],
    };
    let low = low.max(settings.min_shaft_px * 0.75);
    let steps = ((high / low).ln() / settings.settle_step.ln()).ceil().clamp(0.0, 24.0) as i32;
    (0..=steps).map(|i| low * settings.settle_step.powi(i)).collect()
}

/// (logarithm of the measured width, weight) of every voter that could be measured at this width.
fn votes_at(micrograph: &Micrograph, voters: &[&Candidate], width: f64, settings: &MeasureSettings) -> Vec<(f64, f64)> {
    let near: Vec<&Candidate> =
        voters.iter().copied().filter(|c| (width / c.width_px).ln().abs() <= settings.settle_trust.ln()).collect();
    let tried: Vec<Candidate> = near.iter().map(|c| Candidate { width_px: width, ..**c }).collect();
    let measured = measure_ends(micrograph, &tried, settings);
    let told = |end: &MeasuredEnd| {
        near.iter().min_by(|a, b| a.tip.distance(end.tip).total_cmp(&b.tip.distance(end.tip))).map(|c| c.width_px)
    };
    measured.iter().filter_map(|end| vote(end, width, told(end)?, settings)).collect()
}

fn vote(end: &MeasuredEnd, width: f64, told: f64, settings: &MeasureSettings) -> Option<(f64, f64)> {
    let measured = end.features.get("shaft_diameter_px").filter(|d| 0.0 < *d)?;
    let support = end.features.get("shaft_support")?;
    let tip = end.features.get("guide_tip").unwrap_or(0.0);
    let off = (measured / width).ln() / settings.settle_step.ln();
    // what the finder told counts too: a shaft half or twice as wide as it looked is a stripe or a pair of fibres
    let doubt = 2.0 * (measured / told).ln() / settings.settle_trust.ln();
    Some((measured.ln(), support * support * tip * (-off * off - doubt * doubt).exp()))
}

/// The width with the most votes about it, px.
fn agreed(votes: &[(f64, f64)], settings: &MeasureSettings) -> Option<f64> {
    let reach = settings.settle_reach.ln();
    let about = |centre: f64| votes.iter().filter(move |v| (v.0 - centre).abs() <= reach);
    let weight = |centre: f64| about(centre).map(|v| v.1 * (1.0 - ((v.0 - centre) / reach).abs())).sum::<f64>();
    let best = votes.iter().map(|v| (weight(v.0), v.0)).max_by(|a, b| a.0.total_cmp(&b.0).then(a.1.total_cmp(&b.1)))?;
    let all: f64 = votes.iter().map(|v| v.1).sum();
    let (sum, total) = about(best.1).fold((0.0, 0.0), |(s, t), v| (s + v.0 * v.1, t + v.1));
    (0.0 < total && settings.settle_agreement * all <= total).then(|| (sum / total).exp())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_width_with_most_votes_is_taken() {
        let settings = MeasureSettings::default();
        let votes = [(3.0, 1.0), (3.05, 1.0), (2.95, 1.0), (2.0, 1.5)];
        let width = agreed(&votes, &settings).map(f64::ln);
        assert!(width.is_some_and(|w| (w - 3.0).abs() < 0.02));
        assert_eq!(agreed(&[], &settings), None);
    }
}
