//! Resampling whole specimens, seeded: the same interval on every run.

use rand::{Rng, SeedableRng};
use rand_chacha::ChaCha8Rng;
use statrs::distribution::{ContinuousCDF, Normal};

use super::{Interval, t95};
use crate::robust::quantile_of_sorted;

/// How to resample.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Resampling {
    /// Number of resamples.
    pub resamples: u32,
    /// Seed.
    pub seed: u64,
}

/// 95 % interval of `statistic` over `n` specimens: percentiles of its values on resamples (drawn with replacement, as
/// positions 0..n), moved outwards for small samples.
///
/// The percentiles are those of Hesterberg 2015 (American Statistician 69:371, "expanded percentile"): Φ(−√(n/(n−1)) t).
/// Resamples on which the statistic does not exist are left out; `None` below two specimens or when none is left.
pub fn interval(n: usize, how: Resampling, statistic: impl Fn(&[usize]) -> Option<f64>) -> Option<Interval> {
    if n < 2 {
        return None;
    }
    let mut rng = ChaCha8Rng::seed_from_u64(how.seed);
    let mut drawn = vec![0; n];
    let mut values = Vec::with_capacity(how.resamples as usize);
    for _ in 0..how.resamples {
        drawn.iter_mut().for_each(|d| *d = rng.random_range(0..n));
        values.extend(statistic(&drawn).filter(|v| v.is_finite()));
    }
    values.sort_by(f64::total_cmp);
    let tail = tail_share(n)?;
    Some(Interval { low: quantile_of_sorted(&values, tail)?, high: quantile_of_sorted(&values, 1.0 - tail)? })
}

/// Share of resamples left out on either side.
fn tail_share(n: usize) -> Option<f64> {
    let n = n as f64;
    let widened = (n / (n - 1.0)).sqrt() * t95(n - 1.0)?;
    Normal::new(0.0, 1.0).ok().map(|normal| normal.cdf(-widened))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::stats::sample::mean;

    fn mean_interval(values: &[f64], seed: u64) -> Option<Interval> {
        interval(values.len(), Resampling { resamples: 4000, seed }, |drawn| {
            mean(&drawn.iter().map(|i| values[*i]).collect::<Vec<_>>())
        })
    }

    #[test]
    fn close_to_the_t_interval_of_a_normal_sample() {
        // Loads B of check values 3: mean 62.20, SD 1.22927, n = 10; t interval ± 2.26216 × SD / √10 = ± 0.87937.
        let b = [61.2, 63.5, 60.1, 62.8, 64.0, 61.9, 62.2, 60.8, 63.1, 62.4];
        let i = mean_interval(&b, 1).unwrap();
        assert!((i.low - (62.20 - 0.879)).abs() < 0.1 && (i.high - (62.20 + 0.879)).abs() < 0.1, "{i:?}");
    }

    #[test]
    fn tails_as_published() {
        // Hesterberg 2015, Table 2: n = 10 needs about 0.0086 instead of 0.025 in each tail (value from memory, formula checked).
        assert!((tail_share(10).unwrap() - 0.0086).abs() < 5e-4);
    }

    #[test]
    fn seeded_and_degenerate() {
        let v = [0.1, 0.4, 0.9, 0.3, 0.5];
        assert_eq!(mean_interval(&v, 7), mean_interval(&v, 7));
        assert_eq!(mean_interval(&v[..1], 7), None);
        let same = mean_interval(&[0.5; 4], 7).unwrap();
        assert_eq!((same.low, same.high), (0.5, 0.5));
    }
}
