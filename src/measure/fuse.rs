//! Several tellings of one number brought together: segmentation and edges of one end, and the fibres of one picture.
//!
//! Values with standard uncertainties -> one value with its uncertainty. An edge that is not the fibre's own lies anywhere,
//! so a telling that may be wrong altogether is weighed by how well it fits (a mixture of "right" and "anywhere").

use crate::measure::regression::Estimate;
use crate::settings::MeasureSettings;

/// A telling that is surely about the right thing, and one that may be about something else: the mean and standard
/// deviation of the two-part posterior (right with the inverse variances; wrong altogether, so that `sure` stands alone).
///
/// `doubt` is the share of wrong tellings, `reach` the width over which they scatter.
pub(super) fn fuse(sure: Estimate, doubtful: Estimate, doubt: f64, reach: f64) -> Estimate {
    let (a, b) = (
        sure.standard_uncertainty * sure.standard_uncertainty,
        doubtful.standard_uncertainty * doubtful.standard_uncertainty,
    );
    if !(0.0 < a && 0.0 < b) {
        return if 0.0 < a { doubtful } else { sure };
    }
    let gap = doubtful.value - sure.value;
    let right = (1.0 - doubt) * (-0.5 * gap * gap / (a + b)).exp() / (std::f64::consts::TAU * (a + b)).sqrt();
    let wrong = doubt / reach;
    let p = right / (right + wrong);
    let both = sure.value + gap * a / (a + b);
    let value = p * both + (1.0 - p) * sure.value;
    let spread = p * (a * b / (a + b) + (both - value).powi(2)) + (1.0 - p) * (a + (sure.value - value).powi(2));
    Estimate { value, standard_uncertainty: spread.sqrt() }
}

/// By how much the widths of one picture's shafts are to be moved, logarithms.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub(super) struct BiasCorrection {
    /// What the regression network reads.
    pub(super) read: f64,
    /// What the edges tell.
    pub(super) edges: f64,
}

/// `gaps`: edges' width over the regression network's for every shaft of a picture, logarithms.
///
/// Where a body darkens towards its limb, the edges that show are those of its bright part, inside its outline. In one
/// shaft that may be chance; where it holds for a picture, its edges only tell one shaft from another, and the regression network, which
/// has learnt from bodies of this kind and of others and so keeps between the two, reads a little too narrow as well.
pub(super) fn limb_bias(gaps: &[Estimate], settings: &MeasureSettings) -> BiasCorrection {
    if gaps.len() < settings.picture_prior_min_ends {
        return BiasCorrection::default();
    }
    let mut values: Vec<[f64; 2]> =
        gaps.iter().map(|g| [g.value, 1.0 / (g.standard_uncertainty * g.standard_uncertainty)]).collect();
    let inside = super::shaft::weighted_median(&mut values).map_or(0.0, |middle| (-middle).max(0.0));
    if inside <= 0.0 {
        return BiasCorrection::default();
    }
    let widened = (settings.limb_bias_share * inside).min(settings.limb_bias_max);
    BiasCorrection { read: widened, edges: inside + widened }
}

/// What the fibres of one picture have in common: the middle of a number and its true spread.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct PicturePrior {
    middle: f64,
    middle_u: f64,
    spread: f64,
}

impl PicturePrior {
    /// Middle and true spread of logarithms of widths; `None` when there are too few to tell.
    ///
    /// The middle is the weighted median; the spread is what the scatter about it exceeds the stated uncertainties by
    /// (scaled median absolute deviation), and never less than what fibres of one line differ by.
    pub(super) fn of(told: &[Estimate], settings: &MeasureSettings) -> Option<Self> {
        if told.len() < settings.picture_prior_min_ends {
            return None;
        }
        let weight = |t: &Estimate| {
            1.0 / (t.standard_uncertainty * t.standard_uncertainty
                + settings.picture_prior_min_spread * settings.picture_prior_min_spread)
        };
        let mut values: Vec<[f64; 2]> = told.iter().map(|t| [t.value, weight(t)]).collect();
        let middle = super::shaft::weighted_median(&mut values)?;
        let mut gaps: Vec<[f64; 2]> = told.iter().map(|t| [(t.value - middle).abs(), weight(t)]).collect();
        let scatter = super::shaft::MAD_TO_SIGMA * super::shaft::weighted_median(&mut gaps)?;
        let mut noise: Vec<[f64; 2]> = told.iter().map(|t| [t.standard_uncertainty, weight(t)]).collect();
        let noise = super::shaft::weighted_median(&mut noise)?;
        let spread = (scatter * scatter - noise * noise).max(0.0).sqrt().max(settings.picture_prior_min_spread);
        // Neighbouring ends share light and look, so a picture holds fewer independent ends than ends.
        let independent = (told.len() as f64 / settings.picture_prior_correlation).max(1.0);
        let middle_u = scatter.max(settings.picture_prior_min_spread) / independent.sqrt();
        Some(Self { middle, middle_u, spread })
    }

    /// A telling drawn towards the middle, the more the less sure it is.
    pub(super) fn drawn(&self, told: Estimate, settings: &MeasureSettings) -> Estimate {
        let prior = Estimate { value: self.middle, standard_uncertainty: self.spread.hypot(self.middle_u) };
        fuse(told, prior, settings.outlier_prior_width, settings.outlier_range_width)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn told(value: f64, u: f64) -> Estimate {
        Estimate { value, standard_uncertainty: u }
    }

    /// Inverse-variance mean of two values, e.g. JCGM 100:2008 (GUM), from memory: 1.0 ± 0.3 and 2.0 ± 0.4 give
    /// (1/0.09 + 2/0.16) / (1/0.09 + 1/0.16) = 1.36 ± 0.24.
    #[test]
    fn without_doubt_it_is_the_weighted_mean() {
        let both = fuse(told(1.0, 0.3), told(2.0, 0.4), 0.0, 1.0);
        assert!((both.value - 1.36).abs() < 1e-12 && (both.standard_uncertainty - 0.24).abs() < 1e-12);
    }

    #[test]
    fn what_lies_far_off_counts_no_more() {
        let both = fuse(told(0.0, 0.05), told(1.0, 0.01), 0.1, 1.0);
        assert!(both.value.abs() < 1e-6 && (both.standard_uncertainty - 0.05).abs() < 1e-6);
    }

    #[test]
    fn edges_inside_the_outline_follow_the_gauge_and_others_stay() {
        let settings = MeasureSettings::default();
        let gaps = |by: f64| (0..6).map(|k| told(by + 0.01 * f64::from(k % 3 - 1), 0.1)).collect::<Vec<Estimate>>();
        assert_eq!(limb_bias(&gaps(0.05), &settings), BiasCorrection::default());
        assert_eq!(limb_bias(&gaps(-0.05)[..2], &settings), BiasCorrection::default());
        let moved = limb_bias(&gaps(-0.05), &settings);
        assert!((moved.read - 0.025).abs() < 1e-9 && (moved.edges - 0.075).abs() < 1e-9, "{moved:?}");
        let far = limb_bias(&gaps(-0.4), &settings);
        assert!(
            (far.read - settings.limb_bias_max).abs() < 1e-9 && (far.edges - 0.4 - far.read).abs() < 1e-9,
            "{far:?}"
        );
    }

    #[test]
    fn fibres_of_one_line_are_drawn_together_and_mixed_ones_are_not() {
        let settings = MeasureSettings::default();
        let alike: Vec<Estimate> = (0..20).map(|k| told(3.0 + 0.01 * f64::from(k % 5 - 2), 0.1)).collect();
        let prior = PicturePrior::of(&alike, &settings).expect("twenty fibres");
        let drawn = prior.drawn(told(3.15, 0.1), &settings);
        assert!(drawn.value < 3.08, "{drawn:?}");
        let mixed: Vec<Estimate> = (0..20).map(|k| told(if k % 2 == 0 { 2.5 } else { 3.5 }, 0.05)).collect();
        let prior = PicturePrior::of(&mixed, &settings).expect("twenty fibres");
        let kept = prior.drawn(told(2.5, 0.05), &settings);
        assert!((kept.value - 2.5).abs() < 0.03, "{kept:?}");
        assert_eq!(PicturePrior::of(&alike[..2], &settings), None);
    }
}
