//! Correcting a proportion for the errors of the labeller that counted it.

use super::Interval;

/// How often a labeller was right: `right` of `n`, real numbers so that effective counts can be used.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Rate {
    /// Right answers.
    pub right: f64,
    /// Answers.
    pub n: f64,
}

impl Rate {
    /// A rate from counts.
    pub const fn new(right: f64, n: f64) -> Self {
        Self { right, n }
    }

    /// Share of right answers; `None` without answers.
    pub fn share(self) -> Option<f64> {
        (self.n > 0.0).then(|| self.right / self.n)
    }
}

/// A labeller's two rates, and how far what is true of the specimens they were counted on need not be true of another one.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Accuracy {
    /// Positive ends labelled positive.
    pub sensitivity: Rate,
    /// Negative ends labelled negative.
    pub specificity: Rate,
    /// Variance of a rate r from specimen to specimen over r (1 − r), as of a beta distribution; each rate by itself.
    pub overdispersion: f64,
    /// Standard deviation (of a half-normal distribution) of how much lower both rates may be together on specimens that are
    /// harder to label.
    pub harder_sd: f64,
}

impl Accuracy {
    /// The same everywhere.
    pub const fn steady(sensitivity: Rate, specificity: Rate) -> Self {
        Self { sensitivity, specificity, overdispersion: 0.0, harder_sd: 0.0 }
    }
}

/// True proportion from the apparent one `p`, sensitivity and specificity: (p + Sp − 1) / (Se + Sp − 1), not clipped;
/// `None` unless Se + Sp > 1.
///
/// Source: Rogan and Gladen 1978, American Journal of Epidemiology 107:71.
pub fn rogan_gladen(p: f64, sensitivity: f64, specificity: f64) -> Option<f64> {
    let youden = sensitivity + specificity - 1.0;
    (youden > 0.0).then(|| (p + specificity - 1.0) / youden)
}

/// Interval of the true proportion π when sensitivity and specificity are estimated too, not clipped; `None` without counts
/// or when the labeller does no better than chance.
///
/// Rates that differ from specimen to specimen add that variance to their own (random effects, as in the meta-analysis of
/// diagnostic accuracy: Reitsma et al. 2005, Journal of Clinical Epidemiology 58:982); it takes no part in the shift, which
/// belongs to the counts. Where both rates are lower by δ ≥ 0, the true proportion lies farther from one half than it seems,
/// by δ |2 π − 1| / (Se + Sp − 1) (derivative of Rogan and Gladen's formula), so that this widens one side only.
///
/// Source: Lang and Reiczigel 2014, Preventive Veterinary Medicine 113:13.
pub fn lang_reiczigel(x: f64, n: f64, accuracy: Accuracy, z: f64) -> Option<Interval> {
    let Accuracy { sensitivity, specificity, overdispersion, harder_sd } = accuracy;
    if !(n > 0.0 && sensitivity.n > 0.0 && specificity.n > 0.0) {
        return None;
    }
    let z2 = z * z;
    let (m1, m2) = (sensitivity.n + 2.0, specificity.n + 2.0);
    let (se, sp) = ((sensitivity.right + 1.0) / m1, (specificity.right + 1.0) / m2);
    let n1 = n + z2;
    let p = (x + z2 / 2.0) / n1;
    let pi = rogan_gladen(p, se, sp)?;
    let youden = se + sp - 1.0;
    let (se_var, sp_var) = (se * (1.0 - se) / m1, sp * (1.0 - sp) / m2);
    let shift = 2.0 * z2 * (pi * se_var - (1.0 - pi) * sp_var);
    let (se_var, sp_var) = (se_var + overdispersion * se * (1.0 - se), sp_var + overdispersion * sp * (1.0 - sp));
    let half = z * (p * (1.0 - p) / n1 + pi * pi * se_var + (1.0 - pi).powi(2) * sp_var).sqrt() / youden;
    let outward = half.hypot(z * harder_sd * (2.0 * pi - 1.0) / youden);
    let (below, above) = if pi < 0.5 { (outward, half) } else { (half, outward) };
    Some(Interval { low: pi + shift - below, high: pi + shift + above })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::stats::Z95;
    use crate::stats::proportion::wilson;

    #[test]
    fn rogan_gladen_worked_values() {
        // Check values 4.3: the second is the printed output of an R surveillance package.
        assert!((rogan_gladen(0.16, 0.90, 0.95).unwrap() - 0.129412).abs() < 1e-6);
        assert!((rogan_gladen(20.0 / 120.0, 0.90, 0.99).unwrap() - 0.176030).abs() < 1e-6);
        assert!((rogan_gladen(23.0 / 150.0, 0.96, 0.89).unwrap() - 0.050980).abs() < 1e-6);
        let w = wilson(20.0, 120.0, Z95).unwrap();
        assert!((rogan_gladen(w.low, 0.90, 0.99).unwrap() - 0.112989).abs() < 1e-6);
        assert!((rogan_gladen(w.high, 0.90, 0.99).unwrap() - 0.262307).abs() < 1e-6);
        assert_eq!(rogan_gladen(0.5, 0.5, 0.5), None);
    }

    #[test]
    fn lang_reiczigel_worked_values() {
        // Check values 4.3, computed independently from the published steps (the paper's own example was not available).
        for (x, n, tp, n1, tn, n2, low, high) in [
            (30.0, 80.0, 45.0, 50.0, 38.0, 40.0, 0.23191, 0.52523),
            (3.0, 40.0, 45.0, 50.0, 38.0, 40.0, -0.10724, 0.18607),
            (120.0, 200.0, 55.0, 60.0, 57.0, 60.0, 0.53910, 0.74167),
            (50.0, 3330.0, 103.0, 122.0, 399.0, 401.0, -0.00151, 0.02095),
        ] {
            let i = lang_reiczigel(x, n, Accuracy::steady(Rate::new(tp, n1), Rate::new(tn, n2)), Z95).unwrap();
            assert!((i.low - low).abs() < 5.1e-6 && (i.high - high).abs() < 5.1e-6, "{x}/{n}: {i:?}");
        }
        assert_eq!(lang_reiczigel(1.0, 0.0, Accuracy::steady(Rate::new(1.0, 1.0), Rate::new(1.0, 1.0)), Z95), None);
        assert_eq!(lang_reiczigel(1.0, 2.0, Accuracy::steady(Rate::new(0.0, 9.0), Rate::new(0.0, 9.0)), Z95), None);
    }

    #[test]
    fn rates_that_vary_widen_both_sides_and_harder_specimens_one() {
        let plain = Accuracy::steady(Rate::new(0.95e9, 1e9), Rate::new(0.95e9, 1e9));
        let of = |share: f64, accuracy| lang_reiczigel(share * 1e9, 1e9, accuracy, Z95).unwrap();
        // Propagation of uncertainty (GUM, JCGM 100:2008, 5.1.2) at one half: √(2 · ¼ · φ · 0.95 · 0.05) / 0.9.
        let varying = Accuracy { overdispersion: 0.04, ..plain };
        let half = Z95 * (0.5 * 0.04 * 0.95 * 0.05f64).sqrt() / 0.9;
        assert!((of(0.5, varying).width() / (2.0 * half) - 1.0).abs() < 1e-3);
        // Both rates lower by δ = 0.04: Rogan and Gladen give (0.95 − 0.09) / 0.82 instead of (0.95 − 0.05) / 0.9 = 1, and the
        // derivative 0.04 / 0.9; near one half nothing.
        let harder = Accuracy { harder_sd: 0.04 / Z95, ..plain };
        let i = of(0.95, harder);
        assert!((i.high - 1.0 - 0.04 / 0.9).abs() < 1e-3 && (i.low - 1.0).abs() < 1e-3, "{i:?}");
        assert!((rogan_gladen(0.95, 0.91, 0.91).unwrap() - i.high).abs() < 5e-3);
        let i = of(0.05, harder);
        assert!((i.low + 0.04 / 0.9).abs() < 1e-3 && i.high.abs() < 1e-3, "{i:?}");
        assert!(of(0.5, harder).width() < 1e-3);
    }
}
