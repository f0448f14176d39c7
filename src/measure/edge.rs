//! One edge to a fraction of a sample: the place where the profile crosses half height between its local levels.
//!
//! Profile + rough place -> sub-sample place, height and blur. The levels are where the profile stops rising and
//! falling on either side of its steepest place, so a bright rail, a dark body or an uneven ground each give their own
//! half height. For a step blurred by a Gaussian of standard deviation s the steepest slope is height / (s sqrt(2 pi)).

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
/// `place` is how many samples away the steepest place may lie, `reach` how many the levels may. `None` when there is no
/// step or the profile is too short.
pub(super) fn half_height(
    profile: &[Colour],
    near: usize,
    step: Colour,
    (place, reach): (usize, usize),
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
    Some(Edge { at: place, height, blur: height / (steepest * std::f64::consts::TAU.sqrt()) })
}
