//! One value that does not belong to its sample.

use statrs::distribution::{ContinuousCDF, StudentsT};

use super::sample::{mean, variance};

/// Fewest values of which one can be suspected.
pub const FEWEST: usize = 3;

/// Greatest distance from the mean, in standard deviations, that `n` normal values reach with probability 1 − `alpha`.
///
/// Two-sided: either end may be the outlier. Source: Grubbs 1969, Technometrics 11:1; the values are those tabled in
/// ISO 5725-2:1994, table 5. `None` below three values.
pub fn grubbs_critical(n: usize, alpha: f64) -> Option<f64> {
    if n < FEWEST {
        return None;
    }
    let count = n as f64;
    let t = StudentsT::new(0.0, 1.0, count - 2.0).ok()?.inverse_cdf(1.0 - alpha / (2.0 * count));
    let t2 = t * t;
    Some((count - 1.0) / count.sqrt() * (t2 / (count - 2.0 + t2)).sqrt())
}

/// Position of the value farthest from the mean, when it lies farther than chance allows at `alpha`; `None` otherwise.
pub fn suspicious(values: &[f64], alpha: f64) -> Option<usize> {
    let (m, sd) = (mean(values)?, variance(values)?.sqrt());
    let farthest = (0..values.len()).max_by(|a, b| (values[*a] - m).abs().total_cmp(&(values[*b] - m).abs()))?;
    (0.0 < sd && grubbs_critical(values.len(), alpha)? < (values[farthest] - m).abs() / sd).then_some(farthest)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn critical_values_as_tabled() {
        // ISO 5725-2:1994, table 5, one largest or one smallest: upper 2.5 % and 0.5 %, to their three decimals (from memory; the
        // formula with scipy 1.17 quantiles gives the same).
        for (n, five, one) in [(3, 1.155, 1.155), (5, 1.715, 1.764), (10, 2.290, 2.482), (20, 2.709, 3.001)] {
            assert!((grubbs_critical(n, 0.05).unwrap() - five).abs() < 1.1e-3, "{n}");
            assert!((grubbs_critical(n, 0.01).unwrap() - one).abs() < 1.1e-3, "{n}");
        }
        assert_eq!(grubbs_critical(2, 0.05), None);
    }

    #[test]
    fn the_largest_of_ten_breaking_strengths() {
        // Breaking strengths of copper wire, the example of Grubbs 1969 and ASTM E178 (from memory). By numpy 2: (596 - mean) / sd
        // is 2.390, past 2.290; without it the largest is 2.217 of 2.215 at 5 % and of 2.387 at 1 %.
        let strengths = [568.0, 570.0, 570.0, 570.0, 572.0, 572.0, 572.0, 578.0, 584.0, 596.0];
        assert_eq!(suspicious(&strengths, 0.05), Some(9));
        assert_eq!(suspicious(&strengths[..9], 0.01), None);
    }

    #[test]
    fn nothing_to_suspect() {
        assert_eq!(suspicious(&[], 0.05), None);
        assert_eq!(suspicious(&[5.0; 6], 0.05), None);
        assert_eq!(suspicious(&[1.0, 2.0], 0.05), None);
    }
}
