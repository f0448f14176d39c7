//! What the rescoring trees are told about a detection: what surrounds it in its picture, and what its strip shows.

use statrs::function::logistic::logit;

use super::decode::Detection;
use super::spatial_index::SpatialIndex;
use super::suppress;
use crate::network::regression::StripEvidence;
use crate::network::tiles::UNIT;
use crate::units::direction_gap_deg;

/// Farthest that a neighbour is looked for, widths; also the value when there is none.
const FAR: f64 = 6.0;

macro_rules! description {
    ($($(#[$meaning:meta])* $name:ident,)*) => {
        /// One detection as the rescoring trees see it. Lengths are in widths of the detection unless a unit is named.
        #[derive(Debug, Clone, Copy, PartialEq)]
        pub struct Description {
            $($(#[$meaning])* pub $name: f64,)*
        }

        /// Names of what a [`Description`] holds, in its order.
        pub const RESCORE_FEATURES: &[&str] = &[$(stringify!($name),)*];

        impl Description {
            /// The values, in the order of [`RESCORE_FEATURES`].
            pub fn values(&self) -> [f64; RESCORE_FEATURES.len()] {
                [$(self.$name,)*]
            }
        }
    };
}

description! {
    /// Logit of the network's confidence.
    network_logit,
    /// Width in the copy over the network's unit, octaves.
    width_in_level,
    /// Mean heat of the cells two cells away over that of the peak.
    peak_flatness,
    /// Spread of the tips that the cells around the peak point to.
    tip_spread,
    /// Spread of the widths that they tell, octaves.
    width_spread,
    /// Spread of the axes that they tell, 0..1.
    axis_spread,
    /// How decided the detection network's look is, 0..1.
    appearance_certainty,
    /// Confidence of other detections of this copy on the same end.
    duplicates_same_level,
    /// Confidence of the best detection of another copy on the same end.
    score_other_level,
    /// Width of that one over this, octaves.
    other_level_width_gap,
    /// Turn from that one's axis, half turns.
    other_level_axis_gap,
    /// Distance from that one.
    other_level_distance,
    /// Distance of the nearest stronger candidate.
    stronger_distance,
    /// Logit by which that one is stronger.
    stronger_logit_gap,
    /// Turn from that one's axis, half turns.
    stronger_axis_gap,
    /// Where that one lies along the axis.
    stronger_along,
    /// How far that one lies off the axis.
    stronger_across,
    /// Width over the picture's typical one, octaves.
    width_against_picture,
    /// Confidence of the candidates around.
    local_density,
    /// Confidence of all detections close by that are not on this end.
    weak_neighbours,
    /// Distance from the nearest side of the picture.
    border_distance,
    /// Width, octaves of a pixel.
    width_px,
    /// Logit that a fibre ends in this strip.
    strip_end,
    /// Logit that the strip allows a verdict.
    strip_clear,
    /// How decided the strip's look is, a logit.
    strip_appearance_certainty,
    /// Logarithm of the regressed over the told width.
    strip_width_shift,
    /// Logarithm of the spread of that.
    strip_width_spread,
    /// Distance of the regressed from the told tip.
    strip_tip_shift,
    /// Turn of the regressed from the told axis, degrees.
    strip_turn,
    /// How `strip_end` differs from that of the picture's upper quarter.
    strip_end_gap,
}

/// Describes every kept detection by what surrounds it and what its strip shows. `detections` are all detections of the
/// picture, `evidence` what the strips show in the order of `kept`, `size` the picture's width and height, px.
pub(super) fn describe(
    kept: &[Detection],
    detections: &[Detection],
    evidence: &[StripEvidence],
    size: (u32, u32),
) -> Vec<Description> {
    let (all, some) = (SpatialIndex::new(detections), SpatialIndex::new(kept));
    let typical = typical_width(kept);
    // What the strips of the picture's surest detections say: some pictures are hard throughout.
    let mut ends: Vec<f64> = evidence.iter().map(|g| g.end).collect();
    ends.sort_by(f64::total_cmp);
    let picture_end = ends.get(ends.len() * 3 / 4).copied().unwrap_or(0.0);
    kept.iter()
        .zip(evidence)
        .map(|(detection, evidence)| {
            let c = &detection.candidate;
            let w = c.width_px;
            let gap = |o: &Detection| c.tip.distance(o.candidate.tip) / w.max(o.candidate.width_px);
            let axis_gap = |o: &Detection| direction_gap_deg(c.axis_deg, o.candidate.axis_deg) / 180.0;
            let others = |reach: f64| all.within(c.tip, reach * w).filter(|o| *o != detection);
            let doubles = others(1.0).filter(|o| o.reduction == detection.reduction && gap(o) < 0.75);
            let elsewhere = others(2.0)
                .filter(|o| o.reduction != detection.reduction && gap(o) < 0.75)
                .max_by(|a, b| a.candidate.score.total_cmp(&b.candidate.score));
            let stronger = some
                .within(c.tip, FAR * w)
                .filter(|o| o.candidate.score > c.score)
                .min_by(|a, b| c.tip.distance(a.candidate.tip).total_cmp(&c.tip.distance(b.candidate.tip)));
            let (along, across) = stronger.map_or((0.0, 0.0), |o| {
                let (u, v) = suppress::along_across(c.tip, c.axis_deg, o.candidate.tip);
                (u / w, v.abs() / w)
            });
            let local_density =
                some.within(c.tip, 4.0 * w).filter(|o| *o != detection).map(|o| o.candidate.score).sum::<f64>();
            let weak_neighbours = others(2.0).filter(|o| gap(o) >= 0.5).map(|o| o.candidate.score).sum::<f64>();
            let far = [c.tip.x, c.tip.y, f64::from(size.0) - 1.0 - c.tip.x, f64::from(size.1) - 1.0 - c.tip.y];
            Description {
                network_logit: logit(c.score),
                width_in_level: (w / detection.reduction / UNIT).log2(),
                peak_flatness: detection.peak_flatness,
                tip_spread: detection.tip_spread,
                width_spread: detection.width_spread,
                axis_spread: detection.axis_spread,
                appearance_certainty: c.network_p_sheared.map_or(0.0, |p| (2.0 * p - 1.0).abs()),
                duplicates_same_level: doubles.map(|o| o.candidate.score).sum(),
                score_other_level: elsewhere.map_or(0.0, |o| o.candidate.score),
                other_level_width_gap: elsewhere.map_or(1.0, |o| (o.candidate.width_px / w).log2()),
                other_level_axis_gap: elsewhere.map_or(1.0, axis_gap),
                other_level_distance: elsewhere.map_or(1.0, gap),
                stronger_distance: stronger.map_or(FAR, |o| c.tip.distance(o.candidate.tip) / w),
                stronger_logit_gap: stronger.map_or(0.0, |o| logit(o.candidate.score) - logit(c.score)),
                stronger_axis_gap: stronger.map_or(1.0, axis_gap),
                stronger_along: along,
                stronger_across: across,
                width_against_picture: (w / typical).log2(),
                local_density,
                weak_neighbours,
                border_distance: far.into_iter().fold(FAR * w, f64::min) / w,
                width_px: w.log2(),
                strip_end: evidence.end,
                strip_clear: evidence.clear,
                strip_appearance_certainty: evidence.look.abs(),
                strip_width_shift: evidence.width[0],
                strip_width_spread: evidence.width[1],
                strip_tip_shift: evidence.tip_shift,
                strip_turn: evidence.turn_deg,
                strip_end_gap: evidence.end - picture_end,
            }
        })
        .collect()
}

/// Median width of a picture's kept detections, px. Every detection counts as much as the network believes it.
fn typical_width(kept: &[Detection]) -> f64 {
    let mut widths: Vec<(f64, f64)> = kept.iter().map(|h| (h.candidate.width_px, h.candidate.score.powi(2))).collect();
    widths.sort_by(|a, b| a.0.total_cmp(&b.0).then(a.1.total_cmp(&b.1)));
    let total = widths.iter().map(|w| w.1).sum::<f64>();
    let mut sum = 0.0;
    let median = widths.iter().find(|w| {
        sum += w.1;
        sum >= total / 2.0
    });
    median.map_or(1.0, |w| w.0)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::detect::candidate::Candidate;
    use crate::units::Point;

    fn detection(x: f64, y: f64, score: f64, reduction: f64) -> Detection {
        let candidate =
            Candidate { tip: Point::new(x, y), axis_deg: 0.0, width_px: 10.0, score, network_p_sheared: Some(0.5) };
        Detection { candidate, reduction, peak_flatness: 0.1, tip_spread: 0.0, width_spread: 0.0, axis_spread: 0.0 }
    }

    #[test]
    fn neighbours_are_told_in_widths() {
        let detections =
            [detection(100.0, 100.0, 0.5, 1.0), detection(130.0, 100.0, 0.9, 1.0), detection(101.0, 100.0, 0.3, 2.0)];
        let rows = describe(&detections[..2], &detections, &[StripEvidence::default(); 2], (400, 300));
        assert_eq!(rows[0].stronger_distance, 3.0);
        assert_eq!(rows[0].stronger_along, 3.0);
        assert_eq!(rows[0].score_other_level, 0.3);
        assert_eq!(rows[1].stronger_distance, FAR);
        assert!(rows[1].width_against_picture.abs() < 1e-9);
    }
}
