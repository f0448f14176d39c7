//! The bend of a centre line: a cubic through weighted points.

use crate::settings::MeasureSettings;

/// Cubic through `[x, offset, weight]` by weighted least squares with three rounds of down-weighting outliers (Cauchy
/// weights); a small charge on the square and cubic terms keeps short or poor traces straight.
pub(super) fn fit_bend(points: &[[f64; 3]], unit: f64, settings: &MeasureSettings) -> Option<[f64; 4]> {
    let scale = settings.bend_outlier * unit;
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
        a[1][1] += total * settings.bend_charge[0];
        a[2][2] += total * settings.bend_charge[1];
        a[3][3] += total * settings.bend_charge[2];
        bend = solve(a, b)?;
    }
    Some(bend)
}

/// Solves a small symmetric system by Gaussian elimination with pivoting; `None` when singular.
pub(super) fn solve<const N: usize>(mut a: [[f64; N]; N], mut b: [f64; N]) -> Option<[f64; N]> {
    for k in 0..N {
        let pivot = (k..N).max_by(|x, y| a[*x][k].abs().total_cmp(&a[*y][k].abs()))?;
        if a[pivot][k].abs() <= f64::MIN_POSITIVE {
            return None;
        }
        a.swap(k, pivot);
        b.swap(k, pivot);
        for r in k + 1..N {
            let f = a[r][k] / a[k][k];
            for c in k..N {
                a[r][c] -= f * a[k][c];
            }
            b[r] -= f * b[k];
        }
    }
    let mut x = [0.0; N];
    for k in (0..N).rev() {
        let rest: f64 = (k + 1..N).map(|c| a[k][c] * x[c]).sum();
        x[k] = (b[k] - rest) / a[k][k];
    }
    x.iter().all(|v| v.is_finite()).then_some(x)
}
