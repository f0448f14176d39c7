//! Robust statistics: median, quantiles, median absolute deviation, weighted median.
//!
//! Pure functions on numbers; one place for every module below. Nothing in, nothing out: an empty sample gives `None`.

/// Standard deviation over the median absolute deviation of normal values: 1 / Φ⁻¹(3/4) (Rousseeuw and Croux 1993).
pub const MAD_TO_SD: f64 = 1.482_602_218_505_602;

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

/// Median, the mean of the two middle values where their number is even; `None` for nothing.
pub fn median(values: &[f64]) -> Option<f64> {
    quantile(values, 0.5)
}

/// Upper median in linear time, for samples of pixels; the values change places. `None` for nothing.
pub fn upper_median(values: &mut [f32]) -> Option<f32> {
    let middle = values.len() / 2;
    (!values.is_empty()).then(|| *values.select_nth_unstable_by(middle, f32::total_cmp).1)
}

/// Median absolute deviation of the values from `centre`; `None` for nothing.
pub fn mad(values: &[f64], centre: f64) -> Option<f64> {
    median(&values.iter().map(|v| (v - centre).abs()).collect::<Vec<_>>())
}

/// Standard deviation of normal values by their [`mad`]: up to half of the values may be anything.
pub fn mad_sd(values: &[f64], centre: f64) -> Option<f64> {
    mad(values, centre).map(|m| MAD_TO_SD * m)
}

/// Median of values with weights, `[value, weight]`: half of the weight lies on either side, each value's own weight
/// centred on it and lines drawn between neighbours, so that a small change of weights changes the median little.
/// The pairs are put in order of their values; `None` without positive weight.
pub fn weighted_median(pairs: &mut [[f64; 2]]) -> Option<f64> {
    pairs.sort_by(|a, b| a[0].total_cmp(&b[0]));
    let total: f64 = pairs.iter().map(|p| p[1]).sum();
    if total <= 0.0 || total.is_nan() {
        return None;
    }
    let mut sum = 0.0;
    let mut before: Option<[f64; 2]> = None;
    for p in pairs.iter().filter(|p| 0.0 < p[1]) {
        let centre = sum + 0.5 * p[1];
        if 0.5 * total <= centre {
            let Some([value, at]) = before else { return Some(p[0]) };
            return Some(value + (p[0] - value) * (0.5 * total - at) / (centre - at));
        }
        before = Some([p[0], centre]);
        sum += p[1];
    }
    before.map(|b| b[0])
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
        assert_eq!((median(&[]), upper_median(&mut [])), (None, None));
        assert_eq!((median(&[4.0, 1.0, 2.0, 3.0]), upper_median(&mut [4.0, 1.0, 2.0, 3.0])), (Some(2.5), Some(3.0)));
    }

    #[test]
    fn median_absolute_deviation_as_statsmodels_gives_it() {
        // statsmodels.robust.mad([3, 1, 4, 1, 5, 9, 2, 6]) = 2.965204 (centre 3.5, median deviation 2).
        let v = [3.0, 1.0, 4.0, 1.0, 5.0, 9.0, 2.0, 6.0];
        assert!((mad_sd(&v, 3.5).unwrap() - 2.965_204_437).abs() < 1e-8);
    }

    #[test]
    fn weights_move_the_median() {
        // By hand: equal weights give the middle; all weight on one value gives that value.
        assert_eq!(weighted_median(&mut [[1.0, 1.0], [5.0, 1.0], [2.0, 1.0]]), Some(2.0));
        assert_eq!(weighted_median(&mut [[1.0, 0.0], [5.0, 2.0]]), Some(5.0));
        assert_eq!(weighted_median(&mut [[1.0, 0.0]]), None);
    }
}
