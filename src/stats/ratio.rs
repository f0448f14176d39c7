//! Ratio of two means (knot efficiency), with the uncertainty of both.

use super::sample::{mean, variance};
use super::welch::satterthwaite_df;
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
        /// Fieller 1954, with Student's t and Satterthwaite's degrees of freedom.
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

/// A mean as the formulas below need it: value, variance of the mean, degrees of freedom.
#[derive(Clone, Copy)]
struct Mean {
    value: f64,
    variance: f64,
    df: f64,
}

impl Mean {
    /// `None` below two values.
    fn of(values: &[f64]) -> Option<Self> {
        let n = values.len() as f64;
        Some(Self { value: mean(values)?, variance: variance(values)? / n, df: n - 1.0 })
    }

    /// The difference of two means.
    fn minus(self, other: Self) -> Self {
        let parts = [(self.variance, self.df), (other.variance, other.df)];
        let df = satterthwaite_df(&parts).unwrap_or(self.df + other.df);
        Self { value: self.value - other.value, variance: self.variance + other.variance, df }
    }
}

/// Fieller's 95 % interval for samples whose spreads need not be alike; `None` below two values a side, or when the second
/// mean is too uncertain for a bounded interval.
///
/// Sources: Fieller 1954, Journal of the Royal Statistical Society B 16:175; degrees of freedom by Satterthwaite at the
/// estimated ratio, as Hasler, Vonk and Hothorn 2008 (Statistics in Medicine 27:490).
pub fn fieller(a: &[f64], b: &[f64]) -> Option<Interval> {
    welch_fieller(Mean::of(a)?, Mean::of(b)?)
}

/// Difference of the means of `a` and `b` over the mean of `c` (two knots' loads over the straight pulls': the difference of
/// their efficiencies) with its interval, as [`fieller`]; `None` when a sample is empty or the mean of `c` is not positive.
pub fn of_difference(a: &[f64], b: &[f64], c: &[f64]) -> Option<Ratio> {
    let below = mean(c).filter(|m| 0.0 < *m)?;
    let ratio = (mean(a)? - mean(b)?) / below;
    let interval = Mean::of(a).zip(Mean::of(b)).zip(Mean::of(c)).and_then(|((a, b), c)| welch_fieller(a.minus(b), c));
    Some(Ratio { ratio, interval, method: interval.map(|_| Method::Fieller) })
}

fn welch_fieller(a: Mean, b: Mean) -> Option<Interval> {
    let ratio = a.value / b.value;
    let parts = [(a.variance, a.df), (ratio * ratio * b.variance, b.df)];
    // Where nothing varies the interval is a point, whatever the degrees of freedom.
    fieller_with(a, b, satterthwaite_df(&parts).unwrap_or(1.0))
}

/// Fieller's 95 % interval with a t quantile of that many degrees of freedom.
fn fieller_with(a: Mean, b: Mean, df: f64) -> Option<Interval> {
    let t = t95(df)?;
    let ratio = a.value / b.value;
    let g = t * t * b.variance / (b.value * b.value);
    let root = a.variance + ratio.powi(2) * b.variance - g * a.variance;
    if g >= 1.0 || root < 0.0 {
        return None;
    }
    let half = t / b.value.abs() * root.sqrt();
    Some(Interval { low: (ratio - half) / (1.0 - g), high: (ratio + half) / (1.0 - g) })
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
        // With 13.788 degrees of freedom by Satterthwaite (numpy 2, scipy 1.17).
        let i = r.interval.unwrap();
        assert!((i.low - 0.609_479_6).abs() < 1e-6 && (i.high - 0.645_087_3).abs() < 1e-6, "{i:?}");
        let i = fieller_with(Mean::of(&A).unwrap(), Mean::of(&B).unwrap(), 18.0).unwrap();
        assert!((i.low - 0.609864).abs() < 1e-6 && (i.high - 0.644693).abs() < 1e-6, "{i:?}");
        let i = log_ratio(&A, &B).unwrap();
        assert!((i.low - 0.611135).abs() < 1e-6 && (i.high - 0.643627).abs() < 1e-6, "{i:?}");
    }

    #[test]
    fn difference_over_a_third_mean() {
        // Of a sample and nothing else: the ratio itself. Against itself: none.
        let pulls = [100.0, 101.0, 99.0, 100.5];
        let r = of_difference(&A, &B, &pulls).unwrap();
        assert!((r.ratio - (39.01 - 62.2) / 100.125).abs() < 1e-9, "{r:?}");
        assert!(r.interval.unwrap().contains(r.ratio));
        let none = of_difference(&A, &A, &pulls).unwrap();
        assert!(none.ratio == 0.0 && none.interval.unwrap().contains(0.0));
        assert_eq!(of_difference(&A, &B, &[]), None);
        assert_eq!(of_difference(&A, &[60.0], &pulls).unwrap().interval, None);
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
