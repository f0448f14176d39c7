//! One edge to a fraction of a sample: the place where the profile crosses half height between its local levels.
//!
//! Profile + rough place -> sub-sample place, height and blur. The levels are where the profile stops rising and
//! falling on either side of its steepest place, so a bright rail, a dark body or an uneven ground each give their own
//! half height. Between two bodies that touch lies a line without a floor, and they part at its middle: there the edge is
//! drawn away from half height. For a step blurred by a Gaussian of standard deviation s the steepest slope is height / (s sqrt(2 pi)).

use crate::network::planes::{Colour, dot, length};
use crate::settings::MeasureSettings;

/// An edge of a profile.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Edge {
    /// Place, in samples.
    pub(super) at: f64,
    /// Step between the local levels, 0..1 of the picture's range.
    pub(super) height: f64,
    /// Standard deviation of the blur, in samples.
    pub(super) blur: f64,
}

/// On which side of an edge the shaft's outside lies.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Outside {
    /// Towards smaller samples.
    Smaller,
    /// Towards larger samples.
    Larger,
}

/// The step of a profile near the sample `near`, whose colour changes by `step` towards larger samples: half height.
///
/// `place` is how many samples away the steepest place may lie, `reach` how many the levels may. `None` when there is no
/// step or the profile is too short.
pub(super) fn half_height(
    profile: &[Colour],
    near: usize,
    step: Colour,
    reaches: (usize, usize),
    settings: &MeasureSettings,
) -> Option<Edge> {
    find_step(profile, near, step, reaches, settings).map(|found| found.edge)
}

/// The edge of a body, found as by [`half_height`]; where another body touches it, the middle of the line between them.
pub(super) fn body_edge(
    profile: &[Colour],
    near: usize,
    step: Colour,
    reaches: (usize, usize),
    outside: Outside,
    settings: &MeasureSettings,
) -> Option<Edge> {
    let Step { edge, along, low, high } = find_step(profile, near, step, reaches, settings)?;
    let (inner, outer, outwards) = match outside {
        Outside::Smaller => (high, low, -1.0),
        Outside::Larger => (low, high, 1.0),
    };
    // The step as a share, 0 on the inner level and 1 on the outer, sample by sample outwards.
    let level = |j: usize| f64::from(dot(profile[j], along));
    let share = |j: usize| (level(j) - level(inner)).abs() / edge.height;
    let last = (outer + reaches.1).min(profile.len() - 1);
    let shares: Vec<f64> = match outside {
        Outside::Smaller => (outer.saturating_sub(reaches.1)..=inner).rev().map(share).collect(),
        Outside::Larger => (inner..=last).map(share).collect(),
    };
    let Some((middle, pointed)) = line(&shares, inner.abs_diff(outer)) else { return Some(edge) };
    let (gap, touching) = settings.touching_line_floor;
    let weight = ((gap - pointed) / (gap - touching)).clamp(0.0, 1.0);
    let middle = inner as f64 + outwards * middle;
    Some(Edge { at: edge.at + weight * (middle - edge.at), ..edge })
}

/// A step and the samples where its lower and upper level are reached; `along` is the direction of its colour.
struct Step {
    edge: Edge,
    along: Colour,
    low: usize,
    high: usize,
}

fn find_step(
    profile: &[Colour],
    near: usize,
    step: Colour,
    (place, reach): (usize, usize),
    settings: &MeasureSettings,
) -> Option<Step> {
    let size = length(step);
    if size <= 0.0 || near >= profile.len() || profile.len() < 3 {
        return None;
    }
    let along = step.map(|s| s / size);
    let at = |j: usize| f64::from(dot(profile[j], along));
    let (low_limit, high_limit) = (near.saturating_sub(reach), (near + reach).min(profile.len() - 1));
    let steepest =
        (low_limit..high_limit).filter(|j| j.abs_diff(near) <= place).map(|j| at(j + 1) - at(j)).fold(0.0f64, f64::max);
    if steepest <= 0.0 {
        return None;
    }
    let flat = settings.level_slope_share * steepest;
    let start = (low_limit..high_limit)
        .filter(|j| at(j + 1) - at(*j) >= steepest)
        .min_by_key(|j| j.abs_diff(near))
        .unwrap_or(near.min(high_limit.saturating_sub(1)));
    let mut low = start;
    while low > low_limit && at(low) - at(low - 1) > flat {
        low -= 1;
    }
    let mut high = start + 1;
    while high < high_limit && at(high + 1) - at(high) > flat {
        high += 1;
    }
    let (bottom, top) = (at(low), at(high));
    let height = top - bottom;
    let half = 0.5 * (bottom + top);
    let cross = (low..high).find(|j| at(*j) <= half && half < at(j + 1))?;
    let rise = at(cross + 1) - at(cross);
    let place = cross as f64 + if rise > 0.0 { (half - at(cross)) / rise } else { 0.5 };
    let edge = Edge { at: place, height, blur: height / (steepest * std::f64::consts::TAU.sqrt()) };
    Some(Step { edge, along, low, high })
}

/// The middle of a line or gap beyond an edge, and the width of its floor over its width at half depth: near 1 for a gap
/// of ground, 0.48 for a Gaussian, 0.3 for two slopes that meet.
///
/// `shares` go outwards from the inner level; the outer level is reached at `outer`. `None` when there is no far side.
fn line(shares: &[f64], outer: usize) -> Option<(f64, f64)> {
    let mut deepest = 1.0f64;
    let far = (outer + 1..shares.len()).find(|i| {
        deepest = deepest.max(shares[*i]);
        shares[*i] < 0.5 * deepest
    })?;
    let between = |i: usize, level: f64| i as f64 + (level - shares[i]) / (shares[i + 1] - shares[i]);
    let ends = |level: f64| {
        let near = (0..far).find(|i| shares[*i] < level && level <= shares[i + 1])?;
        let far = (0..far).rev().find(|i| shares[i + 1] < level && level <= shares[*i])?;
        Some((between(near, level), between(far, level)))
    };
    let (half, floor) = (ends(0.5 * deepest)?, ends(LINE_FLOOR * deepest)?);
    Some((0.5 * (floor.0 + floor.1), (floor.1 - floor.0) / (half.1 - half.0)))
}

/// The floor of a line or gap is what lies beyond this share of its depth.
const LINE_FLOOR: f64 = 0.85;

#[cfg(test)]
mod tests {
    use super::*;

    /// Profile of a body left of `0.0` and one right of `gap`, both `body` bright by distance from their edge, sampled at
    /// half samples from -30.
    fn profile(gap: f64, blur: f64, body: fn(f64) -> f64) -> Vec<Colour> {
        let value = |x: f64| {
            if x < 0.0 {
                body(-x)
            } else if x > gap {
                body(x - gap)
            } else {
                0.1
            }
        };
        let blurred = |x: f64| {
            let (mut sum, mut total) = (0.0, 0.0);
            for k in -40..=40 {
                let away = f64::from(k) / 10.0;
                let weight = (-0.5 * (away / blur).powi(2)).exp();
                sum += weight * value(x + away);
                total += weight;
            }
            (sum / total) as f32
        };
        (0..60).map(|j| [blurred(f64::from(j) - 29.5); 3]).collect()
    }

    /// A quarter of a circle of radius 30, as a round body's brightness.
    fn round(x: f64) -> f64 {
        0.3 + 0.4 * (1.0 - (1.0 - x / 30.0).powi(2)).max(0.0).sqrt()
    }

    /// Places of the edge of the left body: half height, and as the edge of a body.
    fn edges(profile: &[Colour], near: usize) -> (f64, f64) {
        let settings = MeasureSettings::default();
        let half = half_height(profile, near, [-1.0; 3], (4, 12), &settings).expect("an edge");
        let own = body_edge(profile, near, [-1.0; 3], (4, 12), Outside::Larger, &settings).expect("an edge");
        (half.at - 29.5, own.at - 29.5)
    }

    #[test]
    fn a_gap_of_ground_keeps_its_edges() {
        for (gap, blur) in [(4.0, 0.5), (6.0, 1.0), (9.0, 1.0)] {
            let (_, own) = edges(&profile(gap, blur, |_| 0.7), 30);
            assert!(own.abs() < 0.15, "gap {gap}: {own}");
        }
    }

    #[test]
    fn bodies_that_touch_part_at_the_middle_of_their_line() {
        let (half, own) = edges(&profile(0.0, 0.5, round), 28);
        assert!(half < -1.0, "half height lies inside: {half}");
        assert!(own.abs() < 0.3, "{own}");
    }

    /// A line no wider than the blur looks like a blurred gap of ground: it is left at half height.
    #[test]
    fn a_line_as_narrow_as_the_blur_is_not_told_from_a_gap() {
        let (half, own) = edges(&profile(0.0, 1.0, round), 28);
        assert!((half..0.3).contains(&own), "{half} {own}");
    }

    #[test]
    fn both_sides_are_treated_alike() {
        let settings = MeasureSettings::default();
        let one = profile(0.0, 0.5, round);
        let other: Vec<Colour> = one.iter().rev().copied().collect();
        let at = |profile: &[Colour], near: usize, step: f32, outside: Outside| {
            body_edge(profile, near, [step; 3], (4, 12), outside, &settings).expect("an edge").at
        };
        let (left, right) = (at(&one, 28, -1.0, Outside::Larger), at(&other, 31, 1.0, Outside::Smaller));
        assert!((left + right - 59.0).abs() < 1e-6, "{left} {right}");
    }

    #[test]
    fn where_nothing_follows_half_height_stays() {
        let (half, own) = edges(&profile(1e9, 1.0, |_| 0.7), 30);
        assert_eq!(half, own);
    }
}
