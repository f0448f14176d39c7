//! Measured ends of one picture -> the same ends with the level of their diameters set.
//!
//! Edges of round, glossy bodies are easily seen too far inside: at highlights, or where two touching fibres shade each
//! other. All ends of a picture then come out too narrow together, which no comparison among them can show. The finder
//! tells widths less precisely, but from the look of the whole end. Where a picture's measured diameters lie below what the
//! finder told, as a group, they are lifted to its level; what is measured within the group stays.

use super::MeasuredEnd;
use crate::settings::MeasureSettings;

/// Lifts the diameters of a picture's ends by the median gap to the finder's widths: the more, the more ends say so (a single
/// end is no group) and the less sure measuring is beside the finder.
pub(super) fn lift(ends: &mut [MeasuredEnd], settings: &MeasureSettings) {
    let mut gaps: Vec<f64> = ends.iter().filter_map(|e| e.features.get("width_shift")).collect();
    gaps.sort_by(f64::total_cmp);
    let n = gaps.len();
    if n == 0 {
        return;
    }
    let gap = (gaps[(n - 1) / 2] + gaps[n / 2]) / 2.0;
    let mut own: Vec<f64> = ends.iter().filter_map(relative_u).collect();
    own.sort_by(f64::total_cmp);
    let own = own.get(own.len() / 2).map_or(0.0, |u| u * u);
    let others = (n - 1) as f64;
    let says =
        others / (others + settings.level_half) * own / (own + settings.level_sigma.powi(2)).max(f64::MIN_POSITIVE);
    let rise = (-gap).max(0.0) * if 0.0 < says { says } else { 0.0 };
    if rise == 0.0 {
        return;
    }
    for end in ends {
        let features = &mut end.features;
        let (Some(d), Some(u)) = (features.get("shaft_diameter_px"), features.get("shaft_diameter_u_px")) else {
            continue;
        };
        let lifted = d * rise.exp();
        features.set("shaft_diameter_px", Some(lifted));
        features.set("shaft_diameter_u_px", Some((u * rise.exp()).hypot(settings.level_u_share * rise * lifted)));
        let shift = features.get("width_shift").map(|s| s + rise);
        features.set("width_shift", shift);
    }
}

/// Standard uncertainty of the diameter over the diameter.
fn relative_u(end: &MeasuredEnd) -> Option<f64> {
    Some(end.features.get("shaft_diameter_u_px")? / end.features.get("shaft_diameter_px")?)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::find::Candidate;
    use crate::units::Point;

    fn end(d: f64, told: f64) -> MeasuredEnd {
        let candidate =
            Candidate { tip: Point::new(9.0, 9.0), axis_deg: 0.0, width_px: told, score: 0.9, look_sheared: None };
        let mut end = super::super::end::unmeasured(&candidate);
        end.features.set("shaft_diameter_px", Some(d));
        end.features.set("shaft_diameter_u_px", Some(0.1));
        end.features.set("width_shift", Some((d / told).ln()));
        end
    }

    fn widths(ends: &[MeasuredEnd]) -> Vec<f64> {
        ends.iter().filter_map(|e| e.features.get("shaft_diameter_px")).collect()
    }

    #[test]
    fn a_narrow_group_is_lifted_and_keeps_its_inner_ratios() {
        let settings = MeasureSettings { level_half: 0.0, level_sigma: 0.0, ..MeasureSettings::default() };
        let mut ends = vec![end(16.0, 20.0), end(18.0, 22.5), end(24.0, 30.0)];
        lift(&mut ends, &settings);
        for (width, right) in widths(&ends).into_iter().zip([20.0, 22.5, 30.0]) {
            assert!((width - right).abs() < 1e-9, "{width} {right}");
        }
        assert!(ends[0].features.get("shaft_diameter_u_px").is_some_and(|u| 2.0 < u));
    }

    #[test]
    fn a_single_end_is_no_group() {
        let mut ends = vec![end(16.0, 20.0)];
        lift(&mut ends, &MeasureSettings::default());
        assert_eq!(widths(&ends), [16.0]);
    }

    #[test]
    fn a_wide_group_stays() {
        let mut ends = vec![end(20.0, 16.0), end(20.0, 18.0)];
        lift(&mut ends, &MeasureSettings::default());
        assert_eq!(widths(&ends), [20.0, 20.0]);
    }
}
