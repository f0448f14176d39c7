//! Ratio of two means (knot efficiency), with the uncertainty of both.

use super::moderated::{Variance, moderated};
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

/// A sample of positive values, and what is known of the spread of samples of its kind.
#[derive(Debug, Clone, Copy)]
pub struct Sample<'a> {
    /// The values.
    pub values: &'a [f64],
    /// Usual variance of values over their mean, squared, with its degrees of freedom; a few values are drawn towards it.
    pub usual: Option<Variance>,
}

impl<'a> Sample<'a> {
    /// A sample about whose kind nothing is known.
    pub const fn alone(values: &'a [f64]) -> Self {
        Self { values, usual: None }
    }
}

/// Ratio of the means of two samples; `None` when one is empty or the second mean is not positive.
pub fn of_means(a: Sample, b: Sample) -> Option<Ratio> {
    let (ma, mb) = (mean(a.values)?, mean(b.values)?);
    if mb <= 0.0 {
        return None;
    }
    let ratio = ma / mb;
    let (interval, method) = match fieller(a, b) {
        Some(i) => (Some(i), Some(Method::Fieller)),
        None => match log_ratio(a.values, b.values) {
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
    fn of(sample: Sample) -> Option<Self> {
        let n = sample.values.len() as f64;
        let (value, own) = (mean(sample.values)?, variance(sample.values)?);
        let spread = match sample.usual {
            Some(usual) => {
                let square = value * value;
                let relative = moderated(Variance { value: own / square, df: n - 1.0 }, usual);
                Variance { value: relative.value * square, df: relative.df }
            }
            None => Variance { value: own, df: n - 1.0 },
        };
        Some(Self { value, variance: spread.value / n, df: spread.df })
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
/// estimated ratio, as Hasler, Vonk and Hothorn 2008 (Statistics in Medicine 27:490); variances drawn towards what is usual
/// as [`moderated`] says.
pub fn fieller(a: Sample, b: Sample) -> Option<Interval> {
    welch_fieller(Mean::of(a)?, Mean::of(b)?)
}

/// Difference of the means of `a` and `b` over the mean of `c` (two knots' loads over the straight pulls': the difference of
/// their efficiencies) with its interval, as [`fieller`]; `None` when a sample is empty or the mean of `c` is not positive.
pub fn of_difference(a: Sample, b: Sample, c: Sample) -> Option<Ratio> {
    let below = mean(c.values).filter(|m| 0.0 < *m)?;
    let ratio = (mean(a.values)? - mean(b.values)?) / below;
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

    fn alone(values: &[f64]) -> Sample<'_> {
        Sample::alone(values)
    }

    #[test]
    fn a_usual_spread_stands_in_for_few_values() {
        // By hand: 90 and 110 vary by 200 / 100² = 0.02 with 1 degree of freedom; with a usual 0.005 of 4 that is 0.008 of 5, so
        // the mean has the variance 0.008 · 100² / 2 = 40.
        let sample = Sample { values: &[90.0, 110.0], usual: Some(Variance { value: 0.005, df: 4.0 }) };
        let m = Mean::of(sample).unwrap();
        assert!((m.variance - 40.0).abs() < 1e-9 && m.df == 5.0 && m.value == 100.0);
        let wide = of_means(alone(&[90.0, 110.0]), alone(&B)).unwrap().interval.unwrap();
        let narrow = of_means(sample, alone(&B)).unwrap().interval.unwrap();
        assert!(narrow.width() < 0.5 * wide.width());
    }

    #[test]
    fn worked_ratio() {
        // Check values 3, computed independently.
        let r = of_means(alone(&A), alone(&B)).unwrap();
        assert!((r.ratio - 0.627170).abs() < 1e-6);
        assert_eq!(r.method, Some(Method::Fieller));
        // With 13.788 degrees of freedom by Satterthwaite (numpy 2, scipy 1.17).
        let i = r.interval.unwrap();
        assert!((i.low - 0.609_479_6).abs() < 1e-6 && (i.high - 0.645_087_3).abs() < 1e-6, "{i:?}");
        let i = fieller_with(Mean::of(alone(&A)).unwrap(), Mean::of(alone(&B)).unwrap(), 18.0).unwrap();
        assert!((i.low - 0.609864).abs() < 1e-6 && (i.high - 0.644693).abs() < 1e-6, "{i:?}");
        let i = log_ratio(&A, &B).unwrap();
        assert!((i.low - 0.611135).abs() < 1e-6 && (i.high - 0.643627).abs() < 1e-6, "{i:?}");
    }

    #[test]
    fn difference_over_a_third_mean() {
        // Of a sample and nothing else: the ratio itself. Against itself: none.
        let pulls = [100.0, 101.0, 99.0, 100.5];
        let r = of_difference(alone(&A), alone(&B), alone(&pulls)).unwrap();
        assert!((r.ratio - (39.01 - 62.2) / 100.125).abs() < 1e-9, "{r:?}");
        assert!(r.interval.unwrap().contains(r.ratio));
        let none = of_difference(alone(&A), alone(&A), alone(&pulls)).unwrap();
        assert!(none.ratio == 0.0 && none.interval.unwrap().contains(0.0));
        assert_eq!(of_difference(alone(&A), alone(&B), alone(&[])), None);
        assert_eq!(of_difference(alone(&A), alone(&[60.0]), alone(&pulls)).unwrap().interval, None);
    }

    #[test]
    fn degenerate() {
        assert_eq!(of_means(alone(&[]), alone(&B)), None);
        assert_eq!(of_means(alone(&A), alone(&[0.0])), None);
        let single = of_means(alone(&A), alone(&[60.0])).unwrap();
        assert_eq!((single.interval, single.method), (None, None));
        // Equal loads on both sides: certain ratio.
        let i = fieller(alone(&[5.0, 5.0]), alone(&[10.0, 10.0])).unwrap();
        assert_eq!((i.low, i.high), (0.5, 0.5));
        // A denominator that may be zero has no bounded Fieller interval.
        assert_eq!(fieller(alone(&[1.0, 2.0]), alone(&[-1.0, 1.5])), None);
    }
}
