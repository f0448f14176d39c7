//! The bend of a centre line: a cubic through weighted points.

use crate::linear_solve::solve;
use crate::settings::MeasureSettings;

/// Cubic through `[x, offset, weight]` by weighted least squares with three rounds of down-weighting outliers (Cauchy
/// weights); a small charge on the square and cubic terms keeps short or poor traces straight.
pub(super) fn fit_centreline(points: &[[f64; 3]], unit: f64, settings: &MeasureSettings) -> Option<[f64; 4]> {
    let scale = settings.centreline_outlier_scale * unit;
    let mut bend = [0.0; 4];
    for round in 0..3 {
        let mut a = [[0.0; 4]; 4];
        let mut b = [0.0; 4];
        let mut total = 0.0;
        for p in points {
            let t = p[0] / unit;
            let gap = p[1] - (bend[0] + t * (bend[1] + t * (bend[2] + t * bend[3])));
            let weight = p[2] * if round == 0 { 1.0 } else { 1.0 / (1.0 + (gap / scale).powi(2)) };
            let powers = [1.0, t, t * t, t * t * t];
            for r in 0..4 {
                b[r] += weight * powers[r] * p[1];
                for c in 0..4 {
                    a[r][c] += weight * powers[r] * powers[c];
                }
            }
            total += weight;
        }
        if total <= 0.0 || !total.is_finite() {
            return None;
        }
        a[1][1] += total * settings.centreline_penalty[0];
        a[2][2] += total * settings.centreline_penalty[1];
        a[3][3] += total * settings.centreline_penalty[2];
        bend = solve(a, b)?;
    }
    Some(bend)
}
