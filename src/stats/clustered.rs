//! Counts in clusters (fibres in a carrier, ends in a face): intra-cluster correlation and design effect.

use super::Interval;
use super::proportion::wilson;
use super::search::nelder_mead;
use statrs::function::logistic::{logistic, logit};

/// Successes in one cluster.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Cluster {
    /// Successes.
    pub successes: f64,
    /// Trials.
    pub size: f64,
}

impl Cluster {
    /// A cluster of `successes` in `size`.
    pub const fn new(successes: f64, size: f64) -> Self {
        Self { successes, size }
    }
}

/// Between and within mean squares of one or more groups of clusters.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Anova {
    /// Mean square between clusters (within their group).
    pub between: f64,
    /// Mean square within clusters.
    pub within: f64,
    /// Mean cluster size that makes the estimate unbiased.
    pub n0: f64,
    /// Degrees of freedom between clusters.
    pub between_df: f64,
    /// Intra-cluster correlation; may be below zero by chance.
    pub rho: f64,
}

/// Intra-cluster correlation by analysis of variance, clusters compared only within their own stratum (a break face).
///
/// With one stratum this is the usual estimator (Ridout, Demétrio and Firth 1999, Biometrics 55:137). `None` with fewer
/// than one degree of freedom between or within, or when nothing varies.
pub fn anova(strata: &[Vec<Cluster>]) -> Option<Anova> {
    let (mut ssb, mut ssw, mut df_b, mut df_w, mut n0_sum) = (0.0, 0.0, 0.0, 0.0, 0.0);
    for stratum in strata {
        let clusters: Vec<&Cluster> = stratum.iter().filter(|c| c.size > 0.0).collect();
        let n: f64 = clusters.iter().map(|c| c.size).sum();
        if clusters.is_empty() {
            continue;
        }
        let p = clusters.iter().map(|c| c.successes).sum::<f64>() / n;
        for c in &clusters {
            let q = c.successes / c.size;
            ssb += c.size * (q - p).powi(2);
            ssw += c.size * q * (1.0 - q);
        }
        df_b += clusters.len() as f64 - 1.0;
        df_w += n - clusters.len() as f64;
        n0_sum += n - clusters.iter().map(|c| c.size * c.size).sum::<f64>() / n;
    }
    if df_b < 1.0 || df_w < 1.0 {
        return None;
    }
    let (between, within, n0) = (ssb / df_b, ssw / df_w, n0_sum / df_b);
    let denominator = between + (n0 - 1.0) * within;
    (denominator > 0.0).then(|| Anova { between, within, n0, between_df: df_b, rho: (between - within) / denominator })
}

/// Beta-binomial fit.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct BetaBinomial {
    /// Mean proportion.
    pub mean: f64,
    /// Intra-cluster correlation, 0..1.
    pub rho: f64,
    /// Log likelihood, binomial coefficients included.
    pub log_likelihood: f64,
}

/// Maximum-likelihood beta-binomial fit of whole counts (Williams 1975, Biometrics 31:949); `None` with fewer than two
/// clusters or when all trials end the same way, where the likelihood has no inner maximum.
pub fn beta_binomial(clusters: &[Cluster]) -> Option<BetaBinomial> {
    let clusters: Vec<Cluster> = clusters.iter().copied().filter(|c| c.size > 0.0).collect();
    let n: f64 = clusters.iter().map(|c| c.size).sum();
    let x: f64 = clusters.iter().map(|c| c.successes).sum();
    if clusters.len() < 2 || x <= 0.0 || x >= n {
        return None;
    }
    let p = x / n;
    let start = [logit(p), logit(0.1)];
    let best = nelder_mead(start, 0.5, |v| -log_likelihood(&clusters, logistic(v[0]), logistic(v[1])));
    let (mean, rho) = (logistic(best[0]), logistic(best[1]));
    Some(BetaBinomial { mean, rho, log_likelihood: log_likelihood(&clusters, mean, rho) })
}

/// Written with products instead of gamma functions, so that it stays exact as the correlation goes to zero.
fn log_likelihood(clusters: &[Cluster], mean: f64, rho: f64) -> f64 {
    let theta = rho / (1.0 - rho);
    let rising = |from: f64, count: f64| (0..count.round() as u64).map(|j| (from + j as f64 * theta).ln()).sum::<f64>();
    clusters
        .iter()
        .map(|c| {
            let (y, n) = (c.successes.round(), c.size.round());
            let choose: f64 = (0..y as u64).map(|j| ((n - j as f64) / (y - j as f64)).ln()).sum();
            choose + rising(mean, y) + rising(1.0 - mean, n - y) - rising(1.0, n)
        })
        .sum()
}

/// Pooled proportion with the standard error of the ratio estimator.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Pooled {
    /// Pooled proportion.
    pub p: f64,
    /// Its standard error over clusters.
    pub se: f64,
    /// se² over the binomial variance; missing for proportions of 0 or 1.
    pub design_effect: Option<f64>,
}

/// Pooled proportion of clusters and its design effect from their spread (Rao and Scott 1992, Biometrics 48:577);
/// `None` with fewer than two clusters.
pub fn pooled(clusters: &[Cluster]) -> Option<Pooled> {
    let k = clusters.iter().filter(|c| c.size > 0.0).count() as f64;
    let n: f64 = clusters.iter().map(|c| c.size).sum();
    if k < 2.0 {
        return None;
    }
    let p = clusters.iter().map(|c| c.successes).sum::<f64>() / n;
    let squares: f64 = clusters.iter().map(|c| (c.successes - p * c.size).powi(2)).sum();
    let variance = k / (k - 1.0) * squares / (n * n);
    let binomial = p * (1.0 - p) / n;
    Some(Pooled { p, se: variance.sqrt(), design_effect: (binomial > 0.0).then(|| variance / binomial) })
}

/// Design effect of clusters of mean size `mean_size`: 1 + (m − 1) ρ (Kish 1965); negative correlations count as zero.
pub fn design_effect(mean_size: f64, rho: f64) -> f64 {
    1.0 + (mean_size - 1.0).max(0.0) * rho.clamp(0.0, 1.0)
}

/// Wilson's interval on effective counts: `x` of `n`, both divided by the design effect
/// (Saha, Miller and Wang 2015, International Journal of Biostatistics, for clustered data).
pub fn clustered_wilson(x: f64, n: f64, design_effect: f64, z: f64) -> Option<Interval> {
    wilson(x / design_effect, n / design_effect, z)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::stats::Z95;

    /// Weil 1970 rat litters (R package aod, "rats"), as in check values 4.4.
    const CONTROL: [(f64, f64); 16] = [
        (13., 13.),
        (12., 12.),
        (9., 9.),
        (9., 9.),
        (8., 8.),
        (8., 8.),
        (12., 13.),
        (11., 12.),
        (9., 10.),
        (9., 10.),
        (8., 9.),
        (11., 13.),
        (4., 5.),
        (5., 7.),
        (7., 10.),
        (7., 10.),
    ];
    const TREATED: [(f64, f64); 16] = [
        (12., 12.),
        (11., 11.),
        (10., 10.),
        (9., 9.),
        (10., 11.),
        (9., 10.),
        (9., 10.),
        (8., 9.),
        (8., 9.),
        (4., 5.),
        (7., 9.),
        (4., 7.),
        (5., 10.),
        (3., 6.),
        (3., 10.),
        (0., 7.),
    ];

    fn litters(data: &[(f64, f64)]) -> Vec<Cluster> {
        data.iter().map(|(y, n)| Cluster::new(*y, *n)).collect()
    }

    fn near(found: f64, expected: f64, tolerance: f64) {
        assert!((found - expected).abs() < tolerance, "{found} instead of {expected}");
    }

    #[test]
    fn anova_of_weils_litters() {
        // Check values 4.4, statsmodels.
        let a = anova(&[litters(&CONTROL)]).unwrap();
        near(a.between, 0.115349, 1e-6);
        near(a.within, 0.0890811, 1e-7);
        near(a.n0, 9.841350, 1e-6);
        near(a.rho, 0.029091, 1e-6);
        let a = anova(&[litters(&TREATED)]).unwrap();
        near(a.between, 0.722196, 1e-6);
        near(a.within, 0.113618, 1e-6);
        near(a.n0, 9.037241, 1e-6);
        near(a.rho, 0.372135, 1e-6);
    }

    #[test]
    fn beta_binomial_of_weils_litters() {
        // Check values 4.4: maximum likelihood.
        let b = beta_binomial(&litters(&CONTROL)).unwrap();
        near(b.mean, 0.897976, 1e-5);
        near(b.rho, 0.020196, 1e-5);
        near(b.log_likelihood, -21.25353, 1e-5);
        let b = beta_binomial(&litters(&TREATED)).unwrap();
        near(b.mean, 0.740007, 1e-5);
        near(b.rho, 0.317436, 1e-5);
        near(b.log_likelihood, -31.53169, 1e-5);
    }

    #[test]
    fn design_effect_of_weils_litters() {
        // Check values 4.4: ratio estimator, Rao and Scott design effect, Wilson on effective counts.
        let control = pooled(&litters(&CONTROL)).unwrap();
        near(control.p, 0.898734, 1e-6);
        near(control.se, 0.026645, 1e-6);
        near(control.design_effect.unwrap(), 1.232495, 1e-6);
        let treated = pooled(&litters(&TREATED)).unwrap();
        near(treated.p, 0.772414, 1e-6);
        near(treated.se, 0.069226, 1e-6);
        let effect = treated.design_effect.unwrap();
        near(effect, 3.952861, 1e-6);
        let i = clustered_wilson(112.0, 145.0, effect, Z95).unwrap();
        near(i.low, 0.614943, 1e-6);
        near(i.high, 0.878237, 1e-6);
        let naive = clustered_wilson(112.0, 145.0, 1.0, Z95).unwrap();
        near(naive.low, 0.697660, 1e-6);
        near(naive.high, 0.833106, 1e-6);
        // Kish's formula, check values 4.4.
        near(design_effect(12.0, 0.1), 2.1, 1e-12);
    }

    #[test]
    fn degenerate_clusters() {
        assert_eq!(anova(&[]), None);
        assert_eq!(anova(&[vec![Cluster::new(3.0, 10.0)]]), None);
        assert_eq!(beta_binomial(&[Cluster::new(3.0, 10.0)]), None);
        assert_eq!(beta_binomial(&[Cluster::new(0.0, 10.0), Cluster::new(0.0, 4.0)]), None);
        assert_eq!(pooled(&[Cluster::new(5.0, 10.0)]), None);
        assert_eq!(pooled(&[Cluster::new(5.0, 5.0), Cluster::new(4.0, 4.0)]).unwrap().design_effect, None);
        // Whole clusters one way or the other: correlation 1.
        let a = anova(&[vec![Cluster::new(10.0, 10.0), Cluster::new(0.0, 10.0), Cluster::new(10.0, 10.0)]]).unwrap();
        near(a.rho, 1.0, 1e-12);
        // Two faces of different level but no spread between carriers inside each: nothing is blamed on carriers.
        let flat = |y: f64| vec![Cluster::new(y, 10.0); 5];
        assert!(anova(&[flat(1.0), flat(9.0)]).unwrap().rho < 0.0);
    }
}
