//! Intervals, clustered counts, corrected fractions, angles, comparison, strength and bundle theory: one file each.
//!
//! Pure functions on numbers: no tables, no pictures, no settings. Each formula names its source and is checked against
//! published or independently computed values beside it.

pub mod agreement;
pub mod angle;
pub mod bootstrap;
pub mod bundle;
pub mod classifier;
pub mod clustered;
pub mod control_chart;
pub mod moderated;
pub mod multiple;
pub mod outlier;
pub mod permutation;
pub mod power;
pub mod proportion;
pub mod rank;
pub mod ratio;
pub mod sample;
pub mod weibull;
pub mod welch;

mod search;

/// The two-sided 95 % quantile of the standard normal distribution.
pub const Z95: f64 = 1.959_963_984_540_054;

/// An interval, ends included.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Interval {
    /// Lower end.
    pub low: f64,
    /// Upper end.
    pub high: f64,
}

impl Interval {
    /// The part of the interval inside [0, 1]; an interval wholly outside shrinks to the nearer end.
    pub fn clipped(self) -> Self {
        Self { low: self.low.clamp(0.0, 1.0), high: self.high.clamp(0.0, 1.0) }
    }

    /// Whether the value lies inside.
    pub fn contains(self, value: f64) -> bool {
        self.low <= value && value <= self.high
    }

    /// High less low.
    pub fn width(self) -> f64 {
        self.high - self.low
    }
}

/// Two-sided 95 % quantile of Student's t; `None` below one degree of freedom.
pub fn t95(df: f64) -> Option<f64> {
    use statrs::distribution::{ContinuousCDF, StudentsT};
    if df < 1.0 {
        return None;
    }
    StudentsT::new(0.0, 1.0, df).ok().map(|t| t.inverse_cdf(0.975)).filter(|q| q.is_finite())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn student_quantiles() {
        // scipy.stats.t.ppf(0.975, [1, 2, 10, 18, 100]); printed in every t table.
        for (df, q) in [(1.0, 12.7062), (2.0, 4.30265), (10.0, 2.22814), (18.0, 2.10092), (100.0, 1.98397)] {
            assert!((t95(df).unwrap() - q).abs() < 1e-4, "{df}");
        }
        assert_eq!(t95(0.5), None);
    }
}
