//! One proportion and the difference of two.

use super::Interval;

/// Wilson's score interval for `x` of `n`, both real numbers so that effective counts can be used; `None` without trials.
///
/// Source: Wilson 1927; method 3 of Newcombe 1998, Statistics in Medicine 17:857.
pub fn wilson(x: f64, n: f64, z: f64) -> Option<Interval> {
    if !(n > 0.0 && (0.0..=n).contains(&x)) {
        return None;
    }
    let p = x / n;
    let z2 = z * z;
    let centre = (p + z2 / (2.0 * n)) / (1.0 + z2 / n);
    let half = z * (p * (1.0 - p) / n + z2 / (4.0 * n * n)).sqrt() / (1.0 + z2 / n);
    // At the edges the formula gives 0 or 1 but for rounding.
    let low = if x == 0.0 { 0.0 } else { (centre - half).max(0.0) };
    let high = if x == n { 1.0 } else { (centre + half).min(1.0) };
    Some(Interval { low, high })
}

/// Interval of `a/m − b/n` from two Wilson intervals; `None` without trials.
///
/// Source: Newcombe 1998, Statistics in Medicine 17:873, method 10.
pub fn newcombe_difference(a: f64, m: f64, b: f64, n: f64, z: f64) -> Option<Interval> {
    let (first, second) = (wilson(a, m, z)?, wilson(b, n, z)?);
    let (p, q) = (a / m, b / n);
    let low = p - q - (p - first.low).hypot(second.high - q);
    let high = p - q + (first.high - p).hypot(q - second.low);
    Some(Interval { low, high })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::stats::Z95;

    #[test]
    fn wilson_as_published() {
        // Newcombe 1998 (Stat. Med. 17:857), Table I, method 3; equal to statsmodels proportion_confint(method="wilson").
        for (x, n, low, high) in [
            (81.0, 263.0, 0.2553, 0.3662),
            (15.0, 148.0, 0.0624, 0.1605),
            (0.0, 20.0, 0.0, 0.1611),
            (1.0, 29.0, 0.0061, 0.1718),
        ] {
            let i = wilson(x, n, Z95).unwrap();
            assert!((i.low - low).abs() < 5.1e-5 && (i.high - high).abs() < 5.1e-5, "{x}/{n}: {i:?}");
        }
        // 91 of 114, after Pelton 1995 (check values 1.2, scipy).
        let i = wilson(91.0, 114.0, Z95).unwrap();
        assert!((i.low - 0.7154).abs() < 5.1e-5 && (i.high - 0.8616).abs() < 5.1e-5, "{i:?}");
    }

    #[test]
    fn fewest_sheared_for_mostly_shear() {
        // Check values 4.1 (scipy): fewest successes whose lower limit passes one half.
        for (n, x) in [(20.0, 15.0), (30.0, 21.0), (60.0, 38.0), (100.0, 60.0), (200.0, 114.0)] {
            assert!(wilson(x, n, Z95).unwrap().low > 0.5);
            assert!(wilson(x - 1.0, n, Z95).unwrap().low <= 0.5);
        }
    }

    #[test]
    fn wilson_at_the_edges() {
        assert_eq!(wilson(0.0, 0.0, Z95), None);
        assert_eq!(wilson(3.0, 2.0, Z95), None);
        assert_eq!(wilson(f64::NAN, 2.0, Z95), None);
        let all = wilson(20.0, 20.0, Z95).unwrap();
        assert!(all.high == 1.0 && (all.low - 0.8389).abs() < 1e-4);
    }

    #[test]
    fn newcombe_as_published() {
        // Newcombe 1998 (Stat. Med. 17:873), Table II, method 10; equal to statsmodels confint_proportions_2indep("newcomb").
        for (a, m, b, n, low, high) in [
            (56.0, 70.0, 48.0, 80.0, 0.0524, 0.3339),
            (9.0, 10.0, 3.0, 10.0, 0.1705, 0.8090),
            (6.0, 7.0, 2.0, 7.0, 0.0582, 0.8062),
            (5.0, 56.0, 0.0, 29.0, -0.0381, 0.1926),
            (0.0, 10.0, 0.0, 20.0, -0.1611, 0.2775),
            (0.0, 10.0, 0.0, 10.0, -0.2775, 0.2775),
            (10.0, 10.0, 0.0, 20.0, 0.6791, 1.0),
            (10.0, 10.0, 0.0, 10.0, 0.6075, 1.0),
        ] {
            let i = newcombe_difference(a, m, b, n, Z95).unwrap();
            assert!((i.low - low).abs() < 5.1e-5 && (i.high - high).abs() < 5.1e-5, "{a}/{m} - {b}/{n}: {i:?}");
        }
    }
}
