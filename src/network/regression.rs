//! Width, axis, tip, end line and bulb ratio of an end from its strip, each with its uncertainty; and what the strip says of
//! the end as a whole: whether a fibre ends there, whether the picture allows a verdict, and how sheared it looks.
//!
//! Numbers of the regression network -> [`Regression`], [`StripEvidence`]. `models/README.md` has its card.

use super::estimate::Estimate;
use super::model::Contract;
use super::strip_input::{self, InitialEnd};
use crate::fitted::RegressionFit;

/// Units of the network's values: ln width, degrees of the axis, told widths along and across, degrees of the end line,
/// ln bulb ratio; part of the network.
const UNITS: [f64; 6] = [0.1, 5.0, 0.15, 0.15, 15.0, 0.2];
/// Range of the logarithms of the spreads; part of the network.
const LOG_SPREAD: (f64, f64) = (-4.0, 3.0);
/// Numbers for one strip: six values, the logarithms of their spreads, and three logits.
pub(super) const OUTPUTS: usize = 15;
/// Places of the logits.
const END: usize = 12;
const LOOK: usize = 13;
const CLEAR: usize = 14;

/// Where the logits of the forms stand in the answers of a network that knows them; part of the network.
pub(crate) const FORM_LOGITS: std::ops::Range<usize> = OUTPUTS..OUTPUTS + 12;
/// Numbers of such a network: those above, the forms, eight further readings and the logarithms of their errors.
pub(super) const FORMS_OUTPUTS: usize = FORM_LOGITS.end + 16;
/// Forms, among those, in which the end of a fibre is drawn out or divided: taper, drawn tail, split, brush.
const DRAWN_OUT: std::ops::Range<usize> = FORM_LOGITS.start + 2..FORM_LOGITS.start + 6;

/// What a network of whole fibres takes and gives.
pub(super) const CONTRACT: Contract = strip_input::contract(|[n, ..]| vec![n, OUTPUTS]);
/// What a network that knows the forms takes and gives.
pub(super) const FORMS_CONTRACT: Contract = strip_input::contract(|[n, ..]| vec![n, FORMS_OUTPUTS]);

/// Whether a network that knows the forms thinks an end drawn out or divided rather than capped or cut.
pub(crate) fn is_drawn_out(answer: &[f32]) -> bool {
    let most = answer[FORM_LOGITS].iter().copied().fold(f32::NEG_INFINITY, f32::max);
    let share = |at: std::ops::Range<usize>| answer[at].iter().map(|l| f64::from(l - most).exp()).sum::<f64>();
    0.5 * share(FORM_LOGITS) < share(DRAWN_OUT)
}

/// What a strip says of an end as a whole.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub(crate) struct StripEvidence {
    /// Logit of the chance that a fibre ends here.
    pub(crate) end: f64,
    /// Logit of the chance that the picture allows a verdict on it.
    pub(crate) clear: f64,
    /// Logit of the chance that the end looks sheared.
    pub(crate) look: f64,
    /// Logarithm of the read over the told width, and the logarithm of its spread.
    pub(crate) width: [f64; 2],
    /// Distance of the read tip from the told one, told widths.
    pub(crate) tip_shift: f64,
    /// Size of the turn of the axis from the told one, degrees.
    pub(crate) turn_deg: f64,
}

impl StripEvidence {
    /// From the network's numbers for one strip.
    pub(crate) fn of(outputs: &[f32]) -> Self {
        let n = |k: usize| f64::from(outputs[k]);
        let read = |k: usize| n(k) * UNITS[k];
        Self {
            end: n(END),
            look: n(LOOK),
            clear: n(CLEAR),
            width: [read(0), n(6).clamp(LOG_SPREAD.0, LOG_SPREAD.1)],
            tip_shift: read(2).hypot(read(3)),
            turn_deg: read(1).abs(),
        }
    }
}

/// What the network reads from one strip.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Regression {
    /// Logarithm of the true over the told width.
    pub(crate) ln_width: Estimate,
    /// Turn of the axis from the told one, degrees.
    pub(crate) turn_deg: Estimate,
    /// Tip along the told axis from the told tip, in told widths.
    pub(crate) along: Estimate,
    /// Tip beside the told axis, in told widths.
    pub(crate) across: Estimate,
    /// Angle of the end's line from the normal of the told axis, degrees, signed as a cut angle.
    pub(crate) line_deg: Estimate,
    /// Logarithm of the bulb ratio.
    pub(crate) ln_bulb: Estimate,
}

impl Regression {
    /// From the network's numbers for one strip.
    pub(crate) fn of(outputs: &[f32], fit: &RegressionFit) -> Self {
        let estimate = |k: usize| {
            let log_spread = f64::from(outputs[k + 6]).clamp(LOG_SPREAD.0, LOG_SPREAD.1);
            // The network states the mean absolute error; for the heavy-tailed errors it has, a factor makes a 95 % interval hold.
            let u = fit.least_u[k].hypot(fit.u_per_error * log_spread.exp() * UNITS[k]);
            Estimate { value: f64::from(outputs[k]) * UNITS[k], standard_uncertainty: u }
        };
        Self {
            ln_width: estimate(0),
            turn_deg: estimate(1),
            along: estimate(2),
            across: estimate(3),
            line_deg: estimate(4),
            ln_bulb: estimate(5),
        }
    }

    /// The initial end corrected by this regression.
    pub(crate) fn corrected(&self, end: &InitialEnd) -> InitialEnd {
        let (along, across) = (self.along.value * end.width_px, self.across.value * end.width_px);
        InitialEnd {
            tip: end.tip.towards(end.axis_deg, along).towards(end.axis_deg + 90.0, across),
            axis_deg: end.axis_deg + self.turn_deg.value,
            width_px: end.width_px * self.ln_width.value.exp(),
            width_sigma: self.ln_width.standard_uncertainty,
        }
    }
}
