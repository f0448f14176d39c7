//! Honest probabilities: the calibration of one witness, and how honest probabilities are.
//!
//! Everything here is computed from ends that the trees had not seen.

use crate::table::tidy;
use crate::tree::witness::{Calibration, log_odds, probability};

/// A raw or calibrated probability of sheared, what the end really was, and how much it counts.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Seen {
    /// Probability of sheared.
    pub p: f64,
    /// Whether it was sheared.
    pub sheared: bool,
    /// How much it counts.
    pub weight: f64,
}

/// What is taken for granted before any end is looked at, so that few or separated ends give no absurd map.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct CalibrationPrior {
    /// Precision of a normal prior around slope 1 and intercept 0; 0 = none.
    pub precision: f64,
    /// Whether targets are (n₊ + 1) / (n₊ + 2) and 1 / (n₋ + 2) instead of 1 and 0 (Platt 1999, §2.2).
    pub soft_targets: bool,
}

impl CalibrationPrior {
    /// Plain logistic regression.
    pub const NONE: Self = Self { precision: 0.0, soft_targets: false };
    /// Platt's targets alone.
    pub const PLATT: Self = Self { precision: 0.0, soft_targets: true };
    /// Platt's targets, and slope and intercept within about one of "leave it".
    pub const WEAK: Self = Self { precision: 1.0, soft_targets: true };
}

/// Most steps of Newton's method; it needs about six.
const MAX_STEPS: usize = 50;
/// Most halvings of one step.
const MAX_HALVINGS: i32 = 30;
/// Change of the parameters at which it stops.
const CLOSE_ENOUGH: f64 = 1e-12;

/// Logistic calibration in the log odds (Platt 1999), by Newton's method.
///
/// Ends of one class alone leave probabilities as they are; a witness that would have to be turned round falls silent
/// (slope 0): it knows nothing of these ends.
pub fn fit_calibration(seen: &[Seen], prior: CalibrationPrior) -> Calibration {
    let sums = [true, false].map(|class| seen.iter().filter(|s| s.sheared == class).map(|s| s.weight).sum::<f64>());
    if sums.iter().any(|s| *s <= 0.0) {
        return Calibration::NONE;
    }
    let soft = f64::from(u8::from(prior.soft_targets));
    let target =
        |sheared: bool| if sheared { (sums[0] + soft) / (sums[0] + 2.0 * soft) } else { soft / (sums[1] + 2.0 * soft) };
    let points: Vec<[f64; 3]> = seen.iter().map(|s| [log_odds(s.p), target(s.sheared), s.weight]).collect();
    let (slope, intercept) = newton(&points, prior.precision);
    if !slope.is_finite() || !intercept.is_finite() {
        return Calibration::NONE;
    }
    if slope <= 0.0 {
        Calibration { slope: 0.0, intercept: 0.0 }
    } else {
        Calibration { slope: tidy(slope), intercept: tidy(intercept) }
    }
}

/// Penalised log loss at this slope and intercept, of points (log odds, target, weight).
fn loss(points: &[[f64; 3]], precision: f64, (slope, intercept): (f64, f64)) -> f64 {
    let of_point = |[x, target, weight]: &[f64; 3]| {
        let z = slope * x + intercept;
        // ln(1 + e^z) without overflow.
        weight * (z.max(0.0) + (-z.abs()).exp().ln_1p() - target * z)
    };
    points.iter().map(of_point).sum::<f64>() + 0.5 * precision * ((slope - 1.0).powi(2) + intercept * intercept)
}

/// Slope and intercept of points (log odds, target, weight): the steps of Newton's method, halved while they make the loss
/// worse, since a whole one may jump over the minimum.
fn newton(points: &[[f64; 3]], precision: f64) -> (f64, f64) {
    let (mut slope, mut intercept) = (1.0_f64, 0.0_f64);
    for _ in 0..MAX_STEPS {
        let (mut g, mut h) = ([precision * (slope - 1.0), precision * intercept], [precision, 0.0, precision]);
        for &[x, target, weight] in points {
            let q = probability(slope * x + intercept);
            let (residual, curve) = (weight * (q - target), weight * q * (1.0 - q));
            g = [g[0] + residual * x, g[1] + residual];
            h = [h[0] + curve * x * x, h[1] + curve * x, h[2] + curve];
        }
        let det = h[0] * h[2] - h[1] * h[1];
        if det <= f64::EPSILON {
            break;
        }
        let step = [(h[2] * g[0] - h[1] * g[1]) / det, (h[0] * g[1] - h[1] * g[0]) / det];
        let now = loss(points, precision, (slope, intercept));
        let after = |share: f64| (slope - share * step[0], intercept - share * step[1]);
        let share = (0..MAX_HALVINGS).map(|k| 0.5f64.powi(k)).find(|s| loss(points, precision, after(*s)) <= now);
        // No share makes it better: this is the minimum, but for rounding.
        let Some(share) = share else { break };
        (slope, intercept) = after(share);
        if step[0].abs() + step[1].abs() < CLOSE_ENOUGH {
            break;
        }
    }
    (slope, intercept)
}

/// One step of a reliability diagram.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ReliabilityStep {
    /// Mean probability of the ends in this step.
    pub said: f64,
    /// Share of them that was sheared.
    pub was: f64,
    /// How many.
    pub n: usize,
}

/// Steps of the reliability diagram: equal widths of probability.
pub const RELIABILITY_STEPS: usize = 10;

/// The reliability diagram in ten equal steps; empty steps are left out. Every end counts once.
pub fn reliability(seen: &[Seen]) -> Vec<ReliabilityStep> {
    let mut sums = [(0.0, 0usize, 0usize); RELIABILITY_STEPS];
    for s in seen {
        let step = ((s.p * RELIABILITY_STEPS as f64) as usize).min(RELIABILITY_STEPS - 1);
        sums[step].0 += s.p;
        sums[step].1 += usize::from(s.sheared);
        sums[step].2 += 1;
    }
    let filled = sums.into_iter().filter(|s| 0 < s.2);
    filled.map(|(p, sheared, n)| ReliabilityStep { said: p / n as f64, was: sheared as f64 / n as f64, n }).collect()
}

/// Expected calibration error: mean gap of the reliability diagram, weighted by ends (Naeini et al. 2015).
pub fn calibration_error(seen: &[Seen]) -> Option<f64> {
    let total = seen.len() as f64;
    (!seen.is_empty()).then(|| reliability(seen).iter().map(|s| (s.said - s.was).abs() * s.n as f64 / total).sum())
}

/// Mean squared error of the probabilities (Brier 1950).
pub fn brier(seen: &[Seen]) -> Option<f64> {
    let square = |s: &Seen| (s.p - f64::from(u8::from(s.sheared))).powi(2);
    (!seen.is_empty()).then(|| seen.iter().map(square).sum::<f64>() / seen.len() as f64)
}

#[cfg(test)]
mod tests {
    use super::*;
    use serde_json::Value;

    fn end(p: f64, sheared: bool) -> Seen {
        Seen { p, sheared, weight: 1.0 }
    }

    fn reference() -> (Vec<Seen>, Value) {
        let value: Value = serde_json::from_str(include_str!("../../tests/reference/tree.json")).unwrap();
        let part = value["calibration"].clone();
        let numbers =
            |key: &str| -> Vec<f64> { part[key].as_array().unwrap().iter().map(|v| v.as_f64().unwrap()).collect() };
        let seen = numbers("p").into_iter().zip(numbers("sheared")).map(|(p, y)| end(p, y == 1.0));
        (seen.collect(), part)
    }

    // scikit-learn 1.9.1: LogisticRegression without penalty on the log odds, brier_score_loss; scripts/reference/tree.py.
    #[test]
    fn calibration_and_scores_equal_scikit_learn() {
        let (seen, expected) = reference();
        let fit = fit_calibration(&seen, CalibrationPrior::NONE);
        assert!((fit.slope - expected["slope"].as_f64().unwrap()).abs() < 1e-4, "{fit:?}");
        assert!((fit.intercept - expected["intercept"].as_f64().unwrap()).abs() < 1e-4, "{fit:?}");
        assert!((brier(&seen).unwrap() - expected["brier"].as_f64().unwrap()).abs() < 1e-12);
        assert!((calibration_error(&seen).unwrap() - expected["ece10"].as_f64().unwrap()).abs() < 1e-12);
    }

    // scikit-learn 1.9.1: sigmoid calibration with Platt's targets, on all ends and on twelve; scripts/reference/tree.py.
    #[test]
    fn platts_targets_equal_scikit_learn() {
        let (seen, expected) = reference();
        for (seen, key) in [(&seen[..], "platt"), (&seen[..12], "platt_of_twelve")] {
            let fit = fit_calibration(seen, CalibrationPrior::PLATT);
            let [slope, intercept] = [0, 1].map(|i| expected[key][i].as_f64().unwrap());
            assert!((fit.slope - slope).abs() < 1e-3 && (fit.intercept - intercept).abs() < 1e-3, "{key}: {fit:?}");
        }
    }

    #[test]
    fn separated_ends_and_single_classes_stay_finite() {
        let apart: Vec<Seen> = (0..20).map(|i| end(f64::from(i) / 19.0, 10 <= i)).collect();
        let fit = fit_calibration(&apart, CalibrationPrior::WEAK);
        // scipy 1.17, minimize of the same penalised loss: 0.909155 and 0.
        assert!((fit.slope - 0.909_155).abs() < 1e-5 && fit.intercept.abs() < 1e-6, "{fit:?}");
        // Probabilities that hardly differ, but in the right order: no slope of thousands.
        let narrow: Vec<Seen> = (0..20).map(|i| end(0.5 + 1e-6 * f64::from(i - 10), 10 <= i)).collect();
        let fit = fit_calibration(&narrow, CalibrationPrior::WEAK);
        assert!((0.0..5.0).contains(&fit.slope), "{fit:?}");
        assert_eq!(fit_calibration(&[end(0.7, true)], CalibrationPrior::WEAK), Calibration::NONE);
        assert_eq!(fit_calibration(&[], CalibrationPrior::WEAK), Calibration::NONE);
        assert_eq!((calibration_error(&[]), brier(&[])), (None, None));
    }

    #[test]
    fn a_witness_that_is_turned_round_falls_silent() {
        // The minimum lies at a slope of -1.4807 (scipy 1.17).
        let backwards: Vec<Seen> = (0..50).map(|i| end(f64::from(i) / 49.0, i < 25)).collect();
        assert_eq!(fit_calibration(&backwards, CalibrationPrior::WEAK), Calibration { slope: 0.0, intercept: 0.0 });
    }
}
