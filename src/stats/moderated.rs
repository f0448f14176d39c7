//! A standard deviation from few values, helped by what others of its kind show.

/// A variance with its degrees of freedom.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Variance {
    /// The variance.
    pub value: f64,
    /// Degrees of freedom behind it.
    pub df: f64,
}

/// Variances of one kind brought together, each by its degrees of freedom; `None` without any.
pub fn pooled(variances: &[Variance]) -> Option<Variance> {
    let df: f64 = variances.iter().map(|v| v.df).sum();
    (0.0 < df).then(|| Variance { value: variances.iter().map(|v| v.df * v.value).sum::<f64>() / df, df })
}

/// Own variance drawn towards a common one that counts for `prior.df` degrees of freedom: (d₀ s₀² + d s²) / (d₀ + d), and a t
/// statistic with it has d₀ + d degrees of freedom.
///
/// Source: Smyth 2004, Statistical Applications in Genetics and Molecular Biology 3:3, equations of section 3.
pub fn moderated(own: Variance, prior: Variance) -> Variance {
    let df = own.df + prior.df;
    let value = if 0.0 < df { (own.df * own.value + prior.df * prior.value) / df } else { prior.value };
    Variance { value, df }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn by_hand() {
        let prior = Variance { value: 0.04, df: 4.0 };
        assert_eq!(moderated(Variance { value: 0.0, df: 0.0 }, prior), prior);
        let m = moderated(Variance { value: 0.01, df: 2.0 }, prior);
        assert!((m.value - 0.03).abs() < 1e-15 && m.df == 6.0);
        let p = pooled(&[Variance { value: 0.01, df: 1.0 }, Variance { value: 0.04, df: 2.0 }]).unwrap();
        assert!((p.value - 0.03).abs() < 1e-15 && p.df == 3.0);
        assert_eq!(pooled(&[]), None);
    }
}
