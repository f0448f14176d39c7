//! Rank correlation.

use super::sample::mean;
use super::{Interval, Z95};

/// Ranks from 1, equal values sharing the mean of their places.
pub fn ranks(values: &[f64]) -> Vec<f64> {
    let mut order: Vec<usize> = (0..values.len()).collect();
    order.sort_by(|a, b| values[*a].total_cmp(&values[*b]));
    let mut ranks = vec![0.0; values.len()];
    let mut from = 0;
    while from < order.len() {
        let mut to = from;
        while to + 1 < order.len() && values[order[to + 1]] == values[order[from]] {
            to += 1;
        }
        for place in &order[from..=to] {
            ranks[*place] = (from + to) as f64 / 2.0 + 1.0;
        }
        from = to + 1;
    }
    ranks
}

/// Spearman's rank correlation; `None` for different lengths, fewer than two pairs, or when one side does not vary.
pub fn spearman(x: &[f64], y: &[f64]) -> Option<f64> {
    if x.len() != y.len() || x.len() < 2 {
        return None;
    }
    pearson(&ranks(x), &ranks(y))
}

fn pearson(x: &[f64], y: &[f64]) -> Option<f64> {
    let (mx, my) = (mean(x)?, mean(y)?);
    let (mut sxy, mut sxx, mut syy) = (0.0, 0.0, 0.0);
    for (a, b) in x.iter().zip(y) {
        sxy += (a - mx) * (b - my);
        sxx += (a - mx).powi(2);
        syy += (b - my).powi(2);
    }
    (sxx > 0.0 && syy > 0.0).then(|| (sxy / (sxx * syy).sqrt()).clamp(-1.0, 1.0))
}

/// Fewest pairs for an interval: below, no interval short of nearly everything holds its promise.
const FEWEST_PAIRS: usize = 6;

/// 95 % interval of Spearman's correlation; `None` as for [`spearman`] or below six pairs.
///
/// Fisher's z with the variance (1 + r² / 2) / (n − 3). Perfect agreement in a sample is not certainty: there the limit on the near side is that of the sample's nearest
/// other value, one exchange of neighbours away, 1 − 12 / (n³ − n).
///
/// Source: Bonett and Wright 2000, Psychometrika 65:23.
pub fn spearman_interval(x: &[f64], y: &[f64]) -> Option<Interval> {
    let r = spearman(x, y)?;
    if x.len() < FEWEST_PAIRS {
        return None;
    }
    let n = x.len() as f64;
    let nearest = 1.0 - 12.0 / (n * n * n - n);
    let inner = r.clamp(-nearest, nearest);
    let half = Z95 * ((1.0 + inner * inner / 2.0) / (n - 3.0)).sqrt();
    let (low, high) = ((inner.atanh() - half).tanh(), (inner.atanh() + half).tanh());
    Some(Interval { low: if r <= -nearest { -1.0 } else { low }, high: if nearest <= r { 1.0 } else { high } })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn spearman_as_scipy_gives_it() {
        // The documentation example of scipy; no larger set of its values is kept yet.
        let r = spearman(&[1.0, 2.0, 3.0, 4.0, 5.0], &[5.0, 6.0, 7.0, 8.0, 7.0]).unwrap();
        assert!((r - 0.820_782_681_668_123_3).abs() < 1e-12, "{r}");
    }

    #[test]
    fn ranks_with_ties() {
        assert_eq!(ranks(&[10.0, 20.0, 10.0, 5.0]), [2.5, 4.0, 2.5, 1.0]);
        assert!(ranks(&[]).is_empty());
    }

    #[test]
    fn degenerate() {
        assert_eq!(spearman(&[1.0, 1.0, 1.0], &[1.0, 2.0, 3.0]), None);
        assert_eq!(spearman(&[1.0], &[1.0]), None);
        assert_eq!(spearman(&[1.0, 2.0], &[1.0]), None);
        let x: Vec<f64> = (0..12).map(f64::from).collect();
        let y: Vec<f64> = x.iter().map(|v| -v * v).collect();
        assert_eq!(spearman_interval(&x[..5], &y[..5]), None);
        // Six pairs in perfect order are no certainty.
        let i = spearman_interval(&x[..6], &y[..6]).unwrap();
        assert!(i.low == -1.0 && -0.8 < i.high && i.high < -0.3, "{i:?}");
    }
}
