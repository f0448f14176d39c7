//! How many values it takes.

use statrs::distribution::{ContinuousCDF, StudentsT};

/// Most values that are proposed: more is no plan.
const MOST: u32 = 1000;

/// Values in each of two samples so that a two-sided 5 % t test shows a true difference with this power.
///
/// `sd` is the standard deviation within each sample, in the unit of the difference. The smallest n with
/// n ≥ 2 (sd / difference)² (t₁₋α/₂ + t_power)², both quantiles with 2 (n − 1) degrees of freedom; `None` when a thousand do not
/// suffice or something is not positive.
///
/// Source: Zar 2010, Biostatistical Analysis, equation 8.22.
pub fn values_needed(difference: f64, sd: f64, power: f64) -> Option<u32> {
    if !(0.0 < difference && 0.0 < sd && 0.0 < power && power < 1.0) {
        return None;
    }
    (2..=MOST).find(|n| {
        let df = 2.0 * (f64::from(*n) - 1.0);
        let Ok(t) = StudentsT::new(0.0, 1.0, df) else { return false };
        let needed = 2.0 * (sd / difference).powi(2) * (t.inverse_cdf(0.975) + t.inverse_cdf(power)).powi(2);
        needed <= f64::from(*n)
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn as_the_noncentral_t_says() {
        // statsmodels 0.15 TTestIndPower().solve_power(effect_size, alpha=0.05, power), rounded up.
        for (effect, power, n) in [(0.5, 0.8, 64), (1.0, 0.8, 17), (1.0, 0.9, 23), (2.0, 0.8, 6), (0.8, 0.8, 26)] {
            let found = values_needed(effect, 1.0, power).unwrap();
            assert!(found.abs_diff(n) <= 1, "{effect} {power}: {found}");
        }
    }

    #[test]
    fn nothing_sensible_asked() {
        assert_eq!(values_needed(0.0, 1.0, 0.8), None);
        assert_eq!(values_needed(0.01, 1.0, 0.8), None);
        assert_eq!(values_needed(1.0, f64::NAN, 0.8), None);
    }
}
