//! Directions (period 360°) and axes (period 180°).

use crate::robust::{MAD_TO_SD, median};
use crate::units::axial_gap_deg;

/// Mean of angles on their circle.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct MeanAngle {
    /// Mean, degrees; `None` when the angles cancel out and no mean exists.
    pub mean_deg: Option<f64>,
    /// Resultant length, 0 (spread evenly) to 1 (all alike).
    pub resultant: f64,
    /// Number of angles.
    pub n: usize,
}

/// Below this resultant length only rounding decides the mean direction.
const NO_MEAN: f64 = 1e-9;

impl MeanAngle {
    /// Circular standard deviation √(−2 ln R), degrees on the scale on which the resultant was taken; `None` when R is 0.
    pub fn sd_deg(&self) -> Option<f64> {
        (self.resultant > NO_MEAN).then(|| (-2.0 * self.resultant.min(1.0).ln()).sqrt().to_degrees())
    }

    /// Rayleigh's test that the angles are spread evenly: p by Zar's approximation; `None` without angles.
    ///
    /// Source: Zar, Biostatistical Analysis, eq. 27.4.
    pub fn rayleigh_p(&self) -> Option<f64> {
        if self.n == 0 {
            return None;
        }
        let n = self.n as f64;
        let r = n * self.resultant;
        Some(((1.0 + 4.0 * n + 4.0 * (n * n - r * r)).sqrt() - (1.0 + 2.0 * n)).exp().min(1.0))
    }
}

/// Circular mean of directions, in (−180, 180]; `None` without directions (Mardia and Jupp 2000, section 2.2).
pub fn directions(degrees: &[f64]) -> Option<MeanAngle> {
    if degrees.is_empty() {
        return None;
    }
    let n = degrees.len();
    let (sin, cos) = degrees.iter().fold((0.0, 0.0), |(s, c), d| {
        let (sin, cos) = d.to_radians().sin_cos();
        (s + sin, c + cos)
    });
    let resultant = (sin.hypot(cos) / n as f64).min(1.0);
    Some(MeanAngle { mean_deg: (resultant > NO_MEAN).then(|| sin.atan2(cos).to_degrees()), resultant, n })
}

/// Mean of axes by doubling the angles, in (−90, 90]; the resultant length is that of the doubled angles, and the standard
/// deviation of the axes is half of [`MeanAngle::sd_deg`] (Mardia and Jupp 2000, section 1.1).
pub fn axes(degrees: &[f64]) -> Option<MeanAngle> {
    let doubled: Vec<f64> = degrees.iter().map(|d| 2.0 * d).collect();
    directions(&doubled).map(|m| MeanAngle { mean_deg: m.mean_deg.map(|d| d / 2.0), ..m })
}

/// An axis with how much it counts.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct WeightedAxis {
    /// Direction, degrees modulo 180.
    pub deg: f64,
    /// Weight, such as one over its variance; positive.
    pub weight: f64,
}

/// Weighted mean of axes, as [`axes`]; `None` without axes of positive weight.
pub fn weighted_axes(axes: &[WeightedAxis]) -> Option<MeanAngle> {
    let total: f64 = axes.iter().map(|a| a.weight).sum();
    if !(total.is_finite() && 0.0 < total) {
        return None;
    }
    let (sin, cos) = axes.iter().fold((0.0, 0.0), |(s, c), a| {
        let (sin, cos) = (2.0 * a.deg).to_radians().sin_cos();
        (s + a.weight * sin, c + a.weight * cos)
    });
    let resultant = (sin.hypot(cos) / total).min(1.0);
    let mean_deg = (NO_MEAN < resultant).then(|| sin.atan2(cos).to_degrees() / 2.0);
    Some(MeanAngle { mean_deg, resultant, n: axes.len() })
}

/// Weighted mean direction of axes among which some may be far off, degrees in (−90, 90]: begins at the axis nearest to all others
/// (weighted median on the circle), then takes the mean of those within `outlier` robust standard deviations, thrice. A
/// standard deviation below `least_sd_deg` is taken as that. `None` without a mean.
pub fn robust_axis_deg(axes: &[WeightedAxis], outlier: f64, least_sd_deg: f64) -> Option<f64> {
    const ROUNDS: usize = 3;
    let cost = |deg: f64| axes.iter().map(|a| a.weight * axial_gap_deg(a.deg, deg)).sum::<f64>();
    let start = axes.iter().map(|a| (cost(a.deg), a.deg)).min_by(|a, b| a.0.total_cmp(&b.0))?.1;
    let mut middle = start;
    for _ in 0..ROUNDS {
        let gaps: Vec<f64> = axes.iter().map(|a| axial_gap_deg(a.deg, middle)).collect();
        let reach = outlier * (MAD_TO_SD * median(&gaps)?).max(least_sd_deg);
        let near: Vec<WeightedAxis> = axes.iter().zip(&gaps).filter(|(_, g)| **g <= reach).map(|(a, _)| *a).collect();
        middle = weighted_axes(&near)?.mean_deg?;
    }
    Some(middle)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn near(found: f64, expected: f64, tolerance: f64) {
        assert!((found - expected).abs() < tolerance, "{found} instead of {expected}");
    }

    #[test]
    fn mardia_and_jupp_example() {
        // Mardia and Jupp 2000, example 1.1: mean 51°, R 0.711; digits from scipy and astropy (check values 4.6).
        let m = directions(&[43.0, 45.0, 52.0, 61.0, 75.0, 88.0, 88.0, 279.0, 357.0]).unwrap();
        near(m.mean_deg.unwrap(), 51.0502, 1e-4);
        near(m.resultant, 0.710991, 1e-6);
        near(m.sd_deg().unwrap(), 47.3234, 1e-4);
        near(m.rayleigh_p().unwrap(), 0.007036, 1e-6);
    }

    #[test]
    fn library_examples() {
        // Check values 4.6: documentation examples of scipy and astropy.
        let m = directions(&[51.0, 67.0, 40.0, 109.0, 31.0, 358.0]).unwrap();
        near(m.mean_deg.unwrap(), 48.627181, 1e-6);
        near(1.0 - m.resultant, 0.163564, 1e-6);
        let m = directions(&[355.0, 5.0, 2.0, 359.0, 10.0, 350.0]).unwrap();
        near(m.mean_deg.unwrap(), 0.167690, 1e-6);
        near(m.sd_deg().unwrap(), 6.520702, 1e-6);
    }

    #[test]
    fn axes_are_doubled() {
        // Check values 4.6: scipy with high = 180.
        let m = axes(&[175.0, 5.0, 10.0, 170.0, 0.0, 2.0]).unwrap();
        near(m.mean_deg.unwrap(), 0.341787, 1e-6);
        near(m.resultant, 0.974497, 1e-6);
        near(m.sd_deg().unwrap() / 2.0, 6.511839, 1e-6);
        for spread in [&[0.0, 90.0][..], &[0.0, 45.0, 90.0, 135.0]] {
            let m = axes(spread).unwrap();
            assert_eq!(m.mean_deg, None);
            near(m.resultant, 0.0, 1e-9);
        }
        assert_eq!(axes(&[]), None);
    }

    #[test]
    fn weights_and_outliers_of_axes() {
        let plain = |degrees: &[f64]| -> Vec<WeightedAxis> {
            degrees.iter().map(|deg| WeightedAxis { deg: *deg, weight: 2.0 }).collect()
        };
        // Even weights: as the plain mean (check values 4.6, scipy high=180).
        let data = [175.0, 5.0, 10.0, 170.0, 0.0, 2.0];
        let mean = weighted_axes(&plain(&data)).unwrap();
        assert!((mean.mean_deg.unwrap() - 0.341787).abs() < 1e-6 && (mean.resultant - 0.974497).abs() < 1e-6);
        // An axis of double weight counts as two.
        let mut heavy = plain(&data[..3]);
        heavy[1].weight = 4.0;
        let twice = axes(&[175.0, 5.0, 5.0, 10.0]).unwrap();
        assert!((weighted_axes(&heavy).unwrap().mean_deg.unwrap() - twice.mean_deg.unwrap()).abs() < 1e-9);
        // Two far off among six do not move it; the plain mean they do.
        let far = [&data[..], &[60.0, 70.0]].concat();
        let middle = robust_axis_deg(&plain(&far), 2.5, 3.0).unwrap();
        assert!((middle - 0.341787).abs() < 1e-6, "{middle}");
        assert!(8.0 < axes(&far).unwrap().mean_deg.unwrap());
        // The same round the corner, and what has no mean.
        assert!(axial_gap_deg(robust_axis_deg(&plain(&[89.0, -89.0, 90.0]), 2.5, 3.0).unwrap(), 90.0) < 1e-9);
        assert_eq!(robust_axis_deg(&[], 2.5, 3.0), None);
        assert_eq!(weighted_axes(&[WeightedAxis { deg: 1.0, weight: 0.0 }]), None);
    }
}
