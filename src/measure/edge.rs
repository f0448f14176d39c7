//! One edge to a fraction of a sample: the place where the profile crosses half height between its local levels.
//!
//! Profile + rough place -> sub-sample place, height and blur. The levels are where the profile stops rising and
//! falling on either side of its steepest place, so a bright rail, a dark body or an uneven ground each give their own
//! half height. Between two bodies that touch lies a line without a floor, and they part at its middle: there the edge is
//! drawn away from half height. For a step blurred by a Gaussian of standard deviation s the steepest slope is height / (s sqrt(2 pi)).

use crate::measure::planes::{Colour, dot, length};
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

/// The edge of a profile near the sample `near`, whose colour changes by `step` towards larger samples.
///
/// `place` is how many samples away the steepest place may lie, `reach` how many the levels may; larger samples are
/// further `outside` the shaft or further inside; unsaid for a front. `None` when there is no step or the profile is too short.
pub(super) fn half_height(
    profile: &[Colour],
    near: usize,
    step: Colour,
    (place, reach): (usize, usize),
    outside: Option<Outside>,
    settings: &MeasureSettings,
) -> Option<Edge> {
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
    let Some(outside) = outside else { return Some(edge) };
    // The same step as a share: 0 on the inner level, 1 on the outer, counted outwards from the outer level's place.
    let (inner, outer) = match outside {
        Outside::Smaller => (top, low),
        Outside::Larger => (bottom, high),
    };
    let share = |k: i64| {
        let j = if outside == Outside::Smaller { outer as i64 - k } else { outer as i64 + k };
        usize::try_from(j).ok().filter(|j| *j < profile.len()).map(|j| (at(j) - inner).abs() / height)
    };
    let from_outer = if outside == Outside::Smaller { outer as f64 - place } else { place - outer as f64 };
    let moved = line_middle(share, from_outer, reach as i64, settings).unwrap_or(0.0);
    Some(Edge { at: if outside == Outside::Smaller { place - moved } else { place + moved }, ..edge })
}

/// On which side of an edge the shaft's outside lies.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Outside {
    /// Towards smaller samples.
    Smaller,
    /// Towards larger samples.
    Larger,
}

/// How far outwards of half height (at `half`, negative) the middle of a line between two bodies lies, as far as there is
/// such a line: a gap of ground has a floor and keeps its edges, a line where bodies touch is pointed.
///
/// `share` is the step as a share, by samples outwards from where the outer level is reached. `None` when there is no far
/// side within reach.
fn line_middle(share: impl Fn(i64) -> Option<f64>, half: f64, reach: i64, settings: &MeasureSettings) -> Option<f64> {
    let mut far_half = None;
    let mut deepest = 1.0f64;
    for k in 1..=reach {
        let here = share(k)?;
        deepest = deepest.max(here);
        if here < 0.5 * deepest {
            far_half = Some(k);
            break;
        }
    }
    let far_half = far_half?;
    // Where the share passes a level between samples: from `from` in steps of `by`.
    let crossing = |level: f64, from: i64, by: i64| -> Option<f64> {
        let mut k = from;
        let mut last = share(k)?;
        loop {
            let here = share(k + by)?;
            if last < level && level <= here {
                return Some(k as f64 + by as f64 * (level - last) / (here - last));
            }
            (k, last) = (k + by, here);
            if (k - from).abs() > 4 * reach {
                return None;
            }
        }
    };
    let inside = half.floor() as i64 - 1;
    let (near_half, far) = (crossing(0.5 * deepest, inside, 1)?, crossing(0.5 * deepest, far_half, -1)?);
    let floor = LINE_FLOOR * deepest;
    let (near_floor, far_floor) = (crossing(floor, inside, 1)?, crossing(floor, far_half, -1)?);
    let pointed = (far_floor - near_floor) / (far - near_half);
    let (gap, line) = settings.line_pointed;
    let weight = ((gap - pointed) / (gap - line)).clamp(0.0, 1.0);
    Some(weight * (0.5 * (near_floor + far_floor) - half))
}

/// The floor of a line or gap is what lies beyond this share of its depth.
const LINE_FLOOR: f64 = 0.85;

#[cfg(test)]
mod tests {
    use super::*;

    /// Profile of a body left of `0.0` and one right of `gap`, both `body` bright by distance from their edge, sampled at
    /// half samples from -30 and blurred with a standard deviation of half a sample.
    fn profile(gap: f64, body: fn(f64) -> f64) -> Vec<Colour> {
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
                let weight = (-2.0 * away * away).exp();
                sum += weight * value(x + away);
                total += weight;
            }
            (sum / total) as f32
        };
        (0..60).map(|j| [blurred(f64::from(j) - 29.5); 3]).collect()
    }

    fn edge(profile: &[Colour], near: usize, outside: Option<Outside>) -> f64 {
        let settings = MeasureSettings::default();
        half_height(profile, near, [-1.0; 3], (4, 12), outside, &settings).expect("an edge").at - 29.5
    }

    #[test]
    fn a_gap_of_ground_keeps_its_edges() {
        for gap in [4.0, 6.0, 9.0] {
            let at = edge(&profile(gap, |_| 0.7), 30, Some(Outside::Larger));
            assert!(at.abs() < 0.15, "gap {gap}: {at}");
        }
    }

    #[test]
    fn bodies_that_touch_part_at_the_middle_of_their_line() {
        let round = |x: f64| 0.3 + 0.4 * (1.0 - (1.0 - x / 30.0).powi(2)).max(0.0).sqrt();
        let at = edge(&profile(0.0, round), 28, Some(Outside::Larger));
        assert!(at.abs() < 0.3, "{at}");
        let without = edge(&profile(0.0, round), 28, None);
        assert!(without < -1.0, "half height lies inside: {without}");
    }

    #[test]
    fn where_nothing_follows_half_height_stays() {
        let profile = profile(1e9, |_| 0.7);
        assert_eq!(edge(&profile, 30, Some(Outside::Larger)), edge(&profile, 30, None));
    }
}
