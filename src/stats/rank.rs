//! Rank correlation.

use super::Interval;
use super::bootstrap::{self, Resampling};
use super::sample::mean;

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

/// 95 % interval of Spearman's correlation by resampling pairs (specimens); `None` as for [`spearman`] or below four pairs,
/// where resamples repeat so few pairs that they say nothing.
pub fn spearman_interval(x: &[f64], y: &[f64], how: Resampling) -> Option<Interval> {
    const FEWEST_PAIRS: usize = 4;
    spearman(x, y)?;
    if x.len() < FEWEST_PAIRS {
        return None;
    }
    bootstrap::interval(x.len(), how, |drawn| {
        let pick = |v: &[f64]| drawn.iter().map(|i| v[*i]).collect::<Vec<_>>();
        spearman(&pick(x), &pick(y))
    })
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
        let how = Resampling { resamples: 500, seed: 3 };
        assert_eq!(spearman_interval(&[1.0, 2.0, 3.0], &[1.0, 2.0, 3.0], how), None);
        let x: Vec<f64> = (0..12).map(f64::from).collect();
        let y: Vec<f64> = x.iter().map(|v| -v * v).collect();
        let i = spearman_interval(&x, &y, how).unwrap();
        assert_eq!((i.low, i.high), (-1.0, -1.0));
    }
}
