//! How well two groupings of the same things agree.

use std::collections::BTreeMap;

/// Adjusted Rand index of two groupings: 1 = the same groups, about 0 = by chance; `None` for different lengths or nothing.
///
/// Source: Hubert and Arabie 1985, Journal of Classification 2:193.
pub fn adjusted_rand<A: Ord, B: Ord>(first: &[A], second: &[B]) -> Option<f64> {
    if first.len() != second.len() || first.is_empty() {
        return None;
    }
    let mut table: BTreeMap<(&A, &B), f64> = BTreeMap::new();
    let mut rows: BTreeMap<&A, f64> = BTreeMap::new();
    let mut columns: BTreeMap<&B, f64> = BTreeMap::new();
    for (a, b) in first.iter().zip(second) {
        *table.entry((a, b)).or_default() += 1.0;
        *rows.entry(a).or_default() += 1.0;
        *columns.entry(b).or_default() += 1.0;
    }
    let pairs = |n: &f64| n * (n - 1.0) / 2.0;
    let together: f64 = table.values().map(pairs).sum();
    let (in_rows, in_columns): (f64, f64) = (rows.values().map(pairs).sum(), columns.values().map(pairs).sum());
    let all = pairs(&(first.len() as f64));
    let most = (in_rows + in_columns) / 2.0;
    if all == 0.0 {
        return Some(1.0);
    }
    let chance = in_rows * in_columns / all;
    // Both groupings trivial in the same way (one group, or all apart): they agree.
    Some(if most == chance { 1.0 } else { (together - chance) / (most - chance) })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn adjusted_rand_as_scikit_learn_gives_it() {
        // Documentation examples of sklearn.metrics.adjusted_rand_score.
        let cases: [(&[i32], &[i32], f64); 5] = [
            (&[0, 0, 1, 1], &[0, 0, 1, 1], 1.0),
            (&[0, 0, 1, 1], &[1, 1, 0, 0], 1.0),
            (&[0, 0, 1, 2], &[0, 0, 1, 1], 0.571_428_571_428_571_4),
            (&[0, 0, 0, 0], &[0, 1, 2, 3], 0.0),
            (&[0, 0, 1, 1], &[0, 1, 0, 1], -0.5),
        ];
        for (a, b, expected) in cases {
            assert!((adjusted_rand(a, b).unwrap() - expected).abs() < 1e-12, "{a:?} {b:?}");
        }
        assert_eq!(adjusted_rand::<i32, i32>(&[], &[]), None);
        assert_eq!(adjusted_rand(&[1], &[1, 2]), None);
        assert_eq!(adjusted_rand(&[1], &[1]), Some(1.0));
    }
}
