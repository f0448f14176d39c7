//! Ratio of two means (knot efficiency), with the uncertainty of both.

use super::sample::{mean, variance};
use super::{Interval, Z95, t95};
use crate::tabular::words;

/// A ratio of means with its interval.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Ratio {
    /// Mean of the first over mean of the second.
    pub ratio: f64,
    /// 95 % interval; missing when a side has fewer than two values.
    pub interval: Option<Interval>,
    /// Which formula gave the interval; `None` without one.
    pub method: Option<Method>,
}

words! {
    /// Formula of a ratio's interval.
    #[derive(Debug, Clone, Copy, PartialEq, Eq)]
    pub enum Method {
        /// Fieller 1954, with Student's t.
        Fieller = "fieller",
        /// Delta method on the logarithm, normal quantile; used where Fieller's interval is unbounded.
        LogRatio = "log-ratio",
    }
}

/// Ratio of the means of two samples; `None` when one is empty or the second mean is not positive.
pub fn of_means(a: &[f64], b: &[f64]) -> Option<Ratio> {
    let (ma, mb) = (mean(a)?, mean(b)?);
    if mb <= 0.0 {
        return None;
    }
    let ratio = ma / mb;
    let (interval, method) = match fieller(a, b) {
        Some(i) => (Some(i), Some(Method::Fieller)),
        None => match log_ratio(a, b) {
            Some(i) => (Some(i), Some(Method::LogRatio)),
            None => (None, None),
        },
    };
    Some(Ratio { ratio, interval, method })
}

/// Fieller's 95 % interval, t with n₁ + n₂ − 2 degrees of freedom; `None` below two values a side, or when the second mean is
/// too uncertain for a bounded interval.
///
/// Source: Fieller 1954, Journal of the Royal Statistical Society B 16:175.
pub fn fieller(a: &[f64], b: &[f64]) -> Option<Interval> {
    let (ma, mb) = (mean(a)?, mean(b)?);
    let (va, vb) = (variance(a)? / a.len() as f64, variance(b)? / b.len() as f64);
    let t = t95((a.len() + b.len()) as f64 - 2.0)?;
    let g = t * t * vb / (mb * mb);
    let root = va + (ma / mb).powi(2) * vb - g * va;
    if g >= 1.0 || root < 0.0 {
        return None;
    }
    let half = t / mb.abs() * root.sqrt();
    Some(Interval { low: (ma / mb - half) / (1.0 - g), high: (ma / mb + half) / (1.0 - g) })
}

/// 95 % interval by the delta method on the logarithm of the ratio; `None` below two values a side or for means that are not positive.
pub fn log_ratio(a: &[f64], b: &[f64]) -> Option<Interval> {
    let (ma, mb) = (mean(a)?, mean(b)?);
    if ma <= 0.0 || mb <= 0.0 {
        return None;
    }
    let relative = variance(a)? / (a.len() as f64 * ma * ma) + variance(b)? / (b.len() as f64 * mb * mb);
    let half = Z95 * relative.sqrt();
    Some(Interval { low: (ma / mb) * (-half).exp(), high: (ma / mb) * half.exp() })
}

#[cfg(test)]
mod tests {
    use super::*;

    const A: [f64; 10] = [38.1, 40.2, 36.9, 39.5, 41.0, 37.4, 39.9, 38.8, 40.6, 37.7];
    const B: [f64; 10] = [61.2, 63.5, 60.1, 62.8, 64.0, 61.9, 62.2, 60.8, 63.1, 62.4];

    #[test]
    fn worked_ratio() {
        // Check values 3, computed independently.
        let r = of_means(&A, &B).unwrap();
        assert!((r.ratio - 0.627170).abs() < 1e-6);
        assert_eq!(r.method, Some(Method::Fieller));
        let i = r.interval.unwrap();
        assert!((i.low - 0.609864).abs() < 1e-6 && (i.high - 0.644693).abs() < 1e-6, "{i:?}");
        let i = log_ratio(&A, &B).unwrap();
        assert!((i.low - 0.611135).abs() < 1e-6 && (i.high - 0.643627).abs() < 1e-6, "{i:?}");
    }

    #[test]
    fn degenerate() {
        assert_eq!(of_means(&[], &B), None);
        assert_eq!(of_means(&A, &[0.0]), None);
        let single = of_means(&A, &[60.0]).unwrap();
        assert_eq!((single.interval, single.method), (None, None));
        // Equal loads on both sides: certain ratio.
        let i = fieller(&[5.0, 5.0], &[10.0, 10.0]).unwrap();
        assert_eq!((i.low, i.high), (0.5, 0.5));
        // A denominator that may be zero has no bounded Fieller interval.
        assert_eq!(fieller(&[1.0, 2.0], &[-1.0, 1.5]), None);
    }
}
