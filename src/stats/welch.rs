//! Difference of two means whose spreads need not be alike.

use statrs::distribution::{ContinuousCDF, StudentsT};

use super::sample::{mean, variance};

/// Degrees of freedom of a sum of independent variance estimates, each with its own: (Σ v)² / Σ v² / df.
///
/// Source: Satterthwaite 1946, Biometrics Bulletin 2:110. `None` when nothing varies.
pub fn satterthwaite_df(parts: &[(f64, f64)]) -> Option<f64> {
    let sum: f64 = parts.iter().map(|(v, _)| v).sum();
    let below: f64 = parts.iter().map(|(v, df)| v * v / df).sum();
    (0.0 < below).then(|| sum * sum / below)
}

/// Welch's test of a difference of means.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Welch {
    /// Mean of the first less mean of the second, over its standard error.
    pub t: f64,
    /// Degrees of freedom.
    pub df: f64,
    /// Two-sided p-value.
    pub p_two_sided: f64,
}

/// Welch's t test (Welch 1947, Biometrika 34:28); `None` below two values a side or when nothing varies.
pub fn welch(a: &[f64], b: &[f64]) -> Option<Welch> {
    let (va, vb) = (variance(a)? / a.len() as f64, variance(b)? / b.len() as f64);
    let df = satterthwaite_df(&[(va, a.len() as f64 - 1.0), (vb, b.len() as f64 - 1.0)])?;
    let t = (mean(a)? - mean(b)?) / (va + vb).sqrt();
    let student = StudentsT::new(0.0, 1.0, df).ok()?;
    Some(Welch { t, df, p_two_sided: 2.0 * student.cdf(-t.abs()) })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn as_scipy_gives_it() {
        // scipy 1.17 ttest_ind(A, B, equal_var=False).
        const A: [f64; 10] = [38.1, 40.2, 36.9, 39.5, 41.0, 37.4, 39.9, 38.8, 40.6, 37.7];
        const B: [f64; 4] = [41.2, 46.5, 36.1, 49.8];
        let w = welch(&A, &B).unwrap();
        assert!((w.t + 1.442_280_997).abs() < 1e-6 && (w.df - 3.137_676_155).abs() < 1e-6, "{w:?}");
        assert!((w.p_two_sided - 0.241_087_731).abs() < 1e-6, "{w:?}");
    }

    #[test]
    fn too_few_or_all_alike() {
        assert_eq!(welch(&[1.0], &[1.0, 2.0]), None);
        assert_eq!(welch(&[1.0, 1.0], &[2.0, 2.0]), None);
    }
}
