//! Mean and variance of a small sample; medians and quantiles are in [`crate::robust`].

/// Mean; `None` for nothing.
pub fn mean(values: &[f64]) -> Option<f64> {
    (!values.is_empty()).then(|| values.iter().sum::<f64>() / values.len() as f64)
}

/// Variance with n − 1; `None` below two values.
pub fn variance(values: &[f64]) -> Option<f64> {
    let m = mean(values)?;
    (values.len() > 1).then(|| values.iter().map(|v| (v - m).powi(2)).sum::<f64>() / (values.len() as f64 - 1.0))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn variance_needs_two_values() {
        assert_eq!((variance(&[1.0]), variance(&[1.0, 3.0])), (None, Some(2.0)));
    }
}
