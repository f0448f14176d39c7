//! A first regression of an end: width, axis, tip, end line and cap, and how sure each is, from a straightened strip.
//!
//! Planes + initial ends -> [`Regression`] for each, by a small network that also tells its own spread. Readings correct what
//! the detector told before a shaft is traced, and weigh in beside the picture's edges afterwards
//! ([`crate::measure::agree`]). The network also says whether a fibre ends there at all: a [`StripEvidence`], which helps
//! [`crate::detect`] to choose among its hits. Made by `scripts/measure/train_strips.py`; `models/README.md` has its figures.

use std::sync::LazyLock;

use rten::Model;

use crate::measure::network::answers;
use crate::measure::planes::Planes;
use crate::measure::shaft::InitialEnd;
use crate::settings::MeasureSettings;

/// Units of the network's outputs: ln width, degrees of the axis, told widths along and across, degrees of the end line,
/// ln bulb ratio; part of the network.
const UNITS: [f64; 6] = [0.1, 5.0, 0.15, 0.15, 15.0, 0.2];
/// Range of the logarithms of the spreads; part of the network.
const LOG_SPREAD: (f64, f64) = (-4.0, 3.0);
/// Outputs for one strip.
const OUTPUTS: usize = 15;

/// The network's weights, compiled in: a constant of the program, read once.
static NETWORK: LazyLock<Option<Model>> = LazyLock::new(|| Model::load_static_slice(WEIGHTS).ok());
/// Its file.
pub(super) const WEIGHTS: &[u8] = include_bytes!("../../models/regression.onnx");

/// Loads the network unless that is done, and says whether it is usable.
pub(super) fn loaded() -> bool {
    NETWORK.is_some()
}

/// A value and its standard uncertainty.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Estimate {
    /// The value.
    pub(super) value: f64,
    /// Standard uncertainty.
    pub(super) standard_uncertainty: f64,
}

/// What the regression network makes of a hit of the detector before anything is measured.
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
    /// From the network's numbers for one strip; `None` when they are not numbers.
    pub(super) fn of(outputs: &[f32]) -> Option<Self> {
        let n = |k: usize| f64::from(outputs[k]);
        let read = |k: usize| n(k) * UNITS[k];
        outputs.iter().all(|v| v.is_finite()).then(|| Self {
            end: n(12),
            look: n(13),
            clear: n(14),
            width: [read(0), n(6).clamp(LOG_SPREAD.0, LOG_SPREAD.1)],
            tip_shift: read(2).hypot(read(3)),
            turn_deg: read(1).abs(),
        })
    }
}

/// What the network answers for initial ends, in their order; `None` where there is no initial end or the network fails.
pub(super) fn answers_of(planes: &Planes, roughs: &[Option<InitialEnd>]) -> Vec<Option<(InitialEnd, Vec<f32>)>> {
    answers(NETWORK.as_ref(), planes, roughs, OUTPUTS)
}

/// What the regression network reads from one strip.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Regression {
    /// Logarithm of the true over the told width.
    pub(super) ln_width: Estimate,
    /// Turn of the axis from the told one, degrees.
    pub(super) turn_deg: Estimate,
    /// Tip along the told axis from the told tip, in told widths.
    pub(super) along: Estimate,
    /// Tip beside the told axis, in told widths.
    pub(super) across: Estimate,
    /// Angle of the end's line from the normal of the told axis, degrees, signed as a cut angle.
    pub(super) line_deg: Estimate,
    /// Logarithm of the bulb ratio.
    pub(super) ln_bulb: Estimate,
}

impl Regression {
    /// The initial end corrected by this regression.
    pub(super) fn corrected(&self, initial: &InitialEnd) -> InitialEnd {
        let (along, across) = (self.along.value * initial.width_px, self.across.value * initial.width_px);
        InitialEnd {
            tip: initial.tip.towards(initial.axis_deg, along).towards(initial.axis_deg + 90.0, across),
            axis_deg: initial.axis_deg + self.turn_deg.value,
            width_px: initial.width_px * self.ln_width.value.exp(),
            width_sigma: self.ln_width.standard_uncertainty,
        }
    }

    /// Regression from the network's numbers for one strip; `None` when they are not numbers.
    pub(super) fn of(outputs: &[f32], settings: &MeasureSettings) -> Option<Self> {
        let told = |k: usize| {
            let log_spread = f64::from(outputs[k + 6]).clamp(LOG_SPREAD.0, LOG_SPREAD.1);
            // The network tells the mean absolute error; for the heavy-tailed errors it has, a factor makes a 95 % interval hold.
            let u = settings.regression_u_floor[k].hypot(settings.regression_u_factor * log_spread.exp() * UNITS[k]);
            Estimate { value: f64::from(outputs[k]) * UNITS[k], standard_uncertainty: u }
        };
        let read = Self {
            ln_width: told(0),
            turn_deg: told(1),
            along: told(2),
            across: told(3),
            line_deg: told(4),
            ln_bulb: told(5),
        };
        outputs.iter().all(|v| v.is_finite()).then_some(read)
    }
}

/// Readings of initial ends, in their order; `None` where there is no initial end or the network fails.
pub(super) fn regressions(
    planes: &Planes,
    roughs: &[Option<InitialEnd>],
    settings: &MeasureSettings,
) -> Vec<Option<Regression>> {
    answers_of(planes, roughs)
        .into_iter()
        .map(|answer| answer.and_then(|(_, outputs)| Regression::of(&outputs, settings)))
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::measure::network::assert_answers;

    #[test]
    fn the_runtime_answers_as_onnxruntime_does() {
        assert_answers(NETWORK.as_ref(), include_str!("../../tests/reference/regression.json"));
    }
}
