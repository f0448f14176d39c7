//! Several estimates of one number brought together: regression and edges of one end, and the fibres of one picture.
//!
//! Values with standard uncertainties -> one value with its uncertainty. An edge that is not the fibre's own lies anywhere,
//! so an estimate that may be an outlier is weighed by how well it fits (a mixture of "right" and "anywhere").

use crate::fitted::{LimbBiasFit, PicturePriorFit};
use crate::network::estimate::Estimate;
use crate::robust::{MAD_TO_SD, weighted_median};

/// How often an estimate is an outlier, and over which range outliers scatter.
#[derive(Debug, Clone, Copy)]
pub(super) struct Outliers {
    /// Share of outliers, 0..1.
    pub(super) prior: f64,
    /// Range over which they scatter, in the unit of the value.
    pub(super) range: f64,
}

/// Mean and standard deviation of the two-part posterior of a sound estimate and one that may be an outlier: inverse
/// variances where it is none, the sound one alone where it is.
pub(super) fn fuse(sound: Estimate, other: Estimate, outliers: Outliers) -> Estimate {
    let (a, b) = (sound.standard_uncertainty.powi(2), other.standard_uncertainty.powi(2));
    if !(0.0 < a && 0.0 < b) {
        return if 0.0 < a { other } else { sound };
    }
    let gap = other.value - sound.value;
    let right = (1.0 - outliers.prior) * (-0.5 * gap * gap / (a + b)).exp() / (std::f64::consts::TAU * (a + b)).sqrt();
    let wrong = outliers.prior / outliers.range;
    let p = right / (right + wrong);
    let both = sound.value + gap * a / (a + b);
    let value = p * both + (1.0 - p) * sound.value;
    let variance = p * (a * b / (a + b) + (both - value).powi(2)) + (1.0 - p) * (a + (sound.value - value).powi(2));
    Estimate { value, standard_uncertainty: variance.sqrt() }
}

/// By how much the widths of one picture's shafts are corrected, logarithms.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub(super) struct BiasCorrection {
    /// Added to what the regression network reads.
    pub(super) regression: f64,
    /// Added to what the edges tell.
    pub(super) edges: f64,
}

/// Correction for bodies that darken towards their limb. `gaps`: edges' width over the regressed one for every shaft of a
/// picture, logarithms; no correction below `least` shafts.
///
/// There the edges that show are those of the bright part, inside the outline. In one shaft that may be chance; where it holds
/// for a picture, its edges only tell one shaft from another, and the regression network, which has learnt from bodies of this
/// kind and of others and so keeps between the two, reads a little too narrow as well.
pub(super) fn limb_bias(gaps: &[Estimate], least: usize, fit: &LimbBiasFit) -> BiasCorrection {
    if gaps.len() < least {
        return BiasCorrection::default();
    }
    let mut values: Vec<[f64; 2]> =
        gaps.iter().map(|g| [g.value, 1.0 / (g.standard_uncertainty * g.standard_uncertainty)]).collect();
    let inside = weighted_median(&mut values).map_or(0.0, |middle| (-middle).max(0.0));
    if inside <= 0.0 {
        return BiasCorrection::default();
    }
    let widened = (fit.share * inside).min(fit.most);
    BiasCorrection { regression: widened, edges: inside + widened }
}

/// What the fibres of one picture have in common: the middle of a number and its true spread.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct PicturePrior {
    middle: f64,
    middle_u: f64,
    spread: f64,
}

impl PicturePrior {
    /// Middle and true spread of logarithms of widths; `None` for fewer than `least`.
    ///
    /// The middle is the weighted median; the spread is what the scatter about it exceeds the stated uncertainties by
    /// (scaled median absolute deviation), and never less than what fibres of one line differ by.
    pub(super) fn of(widths: &[Estimate], least: usize, fit: &PicturePriorFit) -> Option<Self> {
        if widths.len() < least {
            return None;
        }
        let weight = |e: &Estimate| {
            1.0 / (e.standard_uncertainty * e.standard_uncertainty + fit.least_spread * fit.least_spread)
        };
        let mut values: Vec<[f64; 2]> = widths.iter().map(|e| [e.value, weight(e)]).collect();
        let middle = weighted_median(&mut values)?;
        let mut gaps: Vec<[f64; 2]> = widths.iter().map(|e| [(e.value - middle).abs(), weight(e)]).collect();
        let scatter = MAD_TO_SD * weighted_median(&mut gaps)?;
        let mut noise: Vec<[f64; 2]> = widths.iter().map(|e| [e.standard_uncertainty, weight(e)]).collect();
        let noise = weighted_median(&mut noise)?;
        let spread = (scatter * scatter - noise * noise).max(0.0).sqrt().max(fit.least_spread);
        // Neighbouring ends share light and look, so a picture holds fewer independent ends than ends.
        let independent = (widths.len() as f64 / fit.ends_per_independent).max(1.0);
        let middle_u = scatter.max(fit.least_spread) / independent.sqrt();
        Some(Self { middle, middle_u, spread })
    }

    /// An estimate drawn towards the middle, the more the less sure it is.
    pub(super) fn fuse_with(&self, width: Estimate, fit: &PicturePriorFit) -> Estimate {
        let prior = Estimate { value: self.middle, standard_uncertainty: self.spread.hypot(self.middle_u) };
        fuse(width, prior, Outliers { prior: fit.outlier_prior, range: fit.outlier_range })
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::fitted::Fitted;

    const LEAST: usize = 4;

    fn fit() -> &'static Fitted {
        Fitted::bundled().expect("bundled")
    }

    fn estimate(value: f64, u: f64) -> Estimate {
        Estimate { value, standard_uncertainty: u }
    }

    /// Inverse-variance mean of two values, e.g. JCGM 100:2008 (GUM), from memory: 1.0 ± 0.3 and 2.0 ± 0.4 give
    /// (1/0.09 + 2/0.16) / (1/0.09 + 1/0.16) = 1.36 ± 0.24.
    #[test]
    fn without_outliers_it_is_the_weighted_mean() {
        let both = fuse(estimate(1.0, 0.3), estimate(2.0, 0.4), Outliers { prior: 0.0, range: 1.0 });
        assert!((both.value - 1.36).abs() < 1e-12 && (both.standard_uncertainty - 0.24).abs() < 1e-12);
    }

    #[test]
    fn what_lies_far_off_counts_no_more() {
        let both = fuse(estimate(0.0, 0.05), estimate(1.0, 0.01), Outliers { prior: 0.1, range: 1.0 });
        assert!(both.value.abs() < 1e-6 && (both.standard_uncertainty - 0.05).abs() < 1e-6);
    }

    #[test]
    fn edges_inside_the_outline_are_corrected_and_others_stay() {
        let gaps = |by: f64| (0..6).map(|k| estimate(by + 0.01 * f64::from(k % 3 - 1), 0.1)).collect::<Vec<Estimate>>();
        assert_eq!(limb_bias(&gaps(0.05), LEAST, &fit().limb_bias), BiasCorrection::default());
        assert_eq!(limb_bias(&gaps(-0.05)[..2], LEAST, &fit().limb_bias), BiasCorrection::default());
        let moved = limb_bias(&gaps(-0.05), LEAST, &fit().limb_bias);
        assert!((moved.regression - 0.025).abs() < 1e-9 && (moved.edges - 0.075).abs() < 1e-9, "{moved:?}");
        let far = limb_bias(&gaps(-0.4), LEAST, &fit().limb_bias);
        assert!(
            (far.regression - fit().limb_bias.most).abs() < 1e-9 && (far.edges - 0.4 - far.regression).abs() < 1e-9,
            "{far:?}"
        );
    }

    #[test]
    fn fibres_of_one_line_are_drawn_together_and_mixed_ones_are_not() {
        let alike: Vec<Estimate> = (0..20).map(|k| estimate(3.0 + 0.01 * f64::from(k % 5 - 2), 0.1)).collect();
        let prior = PicturePrior::of(&alike, LEAST, &fit().picture_prior).expect("twenty fibres");
        let drawn = prior.fuse_with(estimate(3.15, 0.1), &fit().picture_prior);
        assert!(drawn.value < 3.08, "{drawn:?}");
        let mixed: Vec<Estimate> = (0..20).map(|k| estimate(if k % 2 == 0 { 2.5 } else { 3.5 }, 0.05)).collect();
        let prior = PicturePrior::of(&mixed, LEAST, &fit().picture_prior).expect("twenty fibres");
        let kept = prior.fuse_with(estimate(2.5, 0.05), &fit().picture_prior);
        assert!((kept.value - 2.5).abs() < 0.03, "{kept:?}");
        assert_eq!(PicturePrior::of(&alike[..2], LEAST, &fit().picture_prior), None);
    }
}
