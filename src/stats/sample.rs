//! Mean, spread and quantiles of a small sample.

/// Mean; `None` for nothing.
pub fn mean(values: &[f64]) -> Option<f64> {
    (!values.is_empty()).then(|| values.iter().sum::<f64>() / values.len() as f64)
}

/// Variance with n − 1; `None` below two values.
pub fn variance(values: &[f64]) -> Option<f64> {
    let m = mean(values)?;
    (values.len() > 1).then(|| values.iter().map(|v| (v - m).powi(2)).sum::<f64>() / (values.len() as f64 - 1.0))
}

/// Quantile `q` in [0, 1] with linear interpolation (Hyndman and Fan 1996, type 7); `None` for nothing.
pub fn quantile(values: &[f64], q: f64) -> Option<f64> {
    let mut sorted = values.to_vec();
    sorted.sort_by(f64::total_cmp);
    quantile_of_sorted(&sorted, q)
}

/// As [`quantile`], of values already in rising order.
pub fn quantile_of_sorted(sorted: &[f64], q: f64) -> Option<f64> {
    let last = sorted.len().checked_sub(1)?;
    let place = q.clamp(0.0, 1.0) * last as f64;
    let (below, share) = (place.floor() as usize, place.fract());
    let above = (below + 1).min(last);
    Some(sorted[below] + share * (sorted[above] - sorted[below]))
}

/// Median; `None` for nothing.
pub fn median(values: &[f64]) -> Option<f64> {
    quantile(values, 0.5)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn quantiles_as_numpy_gives_them() {
        // numpy.quantile([3, 1, 4, 1, 5, 9, 2, 6], [0.1, 0.5, 0.9]) = 1.0, 3.5, 6.9.
        let v = [3.0, 1.0, 4.0, 1.0, 5.0, 9.0, 2.0, 6.0];
        for (q, expected) in [(0.1, 1.0), (0.5, 3.5), (0.9, 6.9), (0.0, 1.0), (1.0, 9.0)] {
            assert!((quantile(&v, q).unwrap() - expected).abs() < 1e-12);
        }
        assert_eq!(median(&[]), None);
        assert_eq!(variance(&[1.0]), None);
        assert_eq!(variance(&[1.0, 3.0]), Some(2.0));
    }
}
