//! Honest probabilities: the map from raw to calibrated ones, the band without a verdict, and how honest they are.
//!
//! Everything here is computed from ends that the trees had not seen.

use crate::tree::model::{Calibration, UnclearBand};

/// A raw or calibrated probability of sheared, what the end really was, and how much it counts.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Seen {
    /// Probability of sheared.
    pub p: f64,
    /// Whether it was sheared.
    pub sheared: bool,
}

/// Most steps of Newton's method; it needs about six.
const MAX_STEPS: usize = 50;
/// Change of the parameters at which it stops.
const CLOSE_ENOUGH: f64 = 1e-12;
/// Added to the diagonal so that perfectly separated ends do not run away: a prior of width 10 on both parameters.
const RIDGE: f64 = 0.01;

/// Logistic calibration in the log-odds (Platt 1999), by Newton's method with a weak normal prior around "leave it".
/// Too few ends of either class, or a map that would turn answers round, leaves probabilities as they are.
pub fn fit_calibration(seen: &[Seen], ridge: Option<f64>) -> Calibration {
    let ridge = ridge.unwrap_or(RIDGE);
    let n_sheared = seen.iter().filter(|s| s.sheared).count();
    if n_sheared == 0 || n_sheared == seen.len() {
        return Calibration::NONE;
    }
    let (mut slope, mut intercept) = (1.0_f64, 0.0_f64);
    for _ in 0..MAX_STEPS {
        let (mut g, mut h) = ([ridge * (slope - 1.0), ridge * intercept], [ridge, 0.0, ridge]);
        for s in seen {
            let p = s.p.clamp(Calibration::FLOOR, 1.0 - Calibration::FLOOR);
            let x = (p / (1.0 - p)).ln();
            let q = 1.0 / (1.0 + (-(slope * x + intercept)).exp());
            let residual = q - f64::from(u8::from(s.sheared));
            let curve = q * (1.0 - q);
            g = [g[0] + residual * x, g[1] + residual];
            h = [h[0] + curve * x * x, h[1] + curve * x, h[2] + curve];
        }
        let det = h[0] * h[2] - h[1] * h[1];
        if det <= f64::EPSILON {
            break;
        }
        let step = [(h[2] * g[0] - h[1] * g[1]) / det, (h[0] * g[1] - h[1] * g[0]) / det];
        slope -= step[0];
        intercept -= step[1];
        if step[0].abs() + step[1].abs() < CLOSE_ENOUGH {
            break;
        }
    }
    let usable = slope.is_finite() && intercept.is_finite() && 0.0 < slope;
    if usable { Calibration { slope: short(slope), intercept: short(intercept) } } else { Calibration::NONE }
}

/// Six significant digits, so that the file is readable.
fn short(value: f64) -> f64 {
    crate::table::tidy(value)
}

/// The band around a half in which no verdict is given. The least certain ends become unclear, until the error among
/// the rest is at most `accepted_error` or `max_unclear` of all are unclear.
pub fn choose_band(seen: &[Seen], max_unclear: f64, accepted_error: f64) -> UnclearBand {
    // Distance of each probability from the nearer certainty, least certain first.
    let mut doubt: Vec<(f64, bool)> = seen.iter().map(|s| (s.p.min(1.0 - s.p), (0.5 <= s.p) != s.sheared)).collect();
    doubt.sort_by(|a, b| b.0.total_cmp(&a.0).then(a.1.cmp(&b.1)));
    let total = doubt.len() as f64;
    let mut wrong = doubt.iter().filter(|d| d.1).count() as f64;
    let mut unclear = 0;
    let mut low = 0.5;
    while unclear < doubt.len() {
        let kept = total - unclear as f64;
        if wrong <= accepted_error * kept {
            break;
        }
        // Equal probabilities cannot be told apart: they become unclear together or not at all.
        let edge = doubt[unclear].0;
        let next = unclear + doubt[unclear..].iter().take_while(|d| d.0 == edge).count();
        if max_unclear * total < next as f64 {
            break;
        }
        wrong -= doubt[unclear..next].iter().filter(|d| d.1).count() as f64;
        unclear = next;
        low = match doubt.get(next) {
            Some(after) => short(f64::midpoint(edge, after.0)),
            None => 0.0,
        };
    }
    let kept = total - unclear as f64;
    let error = if 0.0 < kept { wrong / kept } else { 0.0 };
    let coverage = if 0.0 < total { kept / total } else { 1.0 };
    UnclearBand { low, high: short(1.0 - low), coverage: short(coverage), error: short(error) }
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

/// The reliability diagram in ten equal steps; empty steps are left out.
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

    fn reference() -> (Vec<Seen>, Value) {
        let value: Value = serde_json::from_str(include_str!("../../tests/reference/tree.json")).unwrap();
        let part = value["calibration"].clone();
        let numbers =
            |key: &str| -> Vec<f64> { part[key].as_array().unwrap().iter().map(|v| v.as_f64().unwrap()).collect() };
        let seen = numbers("p").into_iter().zip(numbers("sheared")).map(|(p, y)| Seen { p, sheared: y == 1.0 });
        (seen.collect(), part)
    }

    // scikit-learn 1.9.1: LogisticRegression without penalty on the log-odds, brier_score_loss; scripts/reference/tree.py.
    #[test]
    fn calibration_and_scores_equal_scikit_learn() {
        let (seen, expected) = reference();
        let fit = fit_calibration(&seen, Some(0.0));
        assert!((fit.slope - expected["slope"].as_f64().unwrap()).abs() < 1e-4, "{fit:?}");
        assert!((fit.intercept - expected["intercept"].as_f64().unwrap()).abs() < 1e-4, "{fit:?}");
        assert!((brier(&seen).unwrap() - expected["brier"].as_f64().unwrap()).abs() < 1e-12);
        assert!((calibration_error(&seen).unwrap() - expected["ece10"].as_f64().unwrap()).abs() < 1e-12);
    }

    #[test]
    fn separated_ends_and_single_classes_stay_finite() {
        let apart: Vec<Seen> = (0..20).map(|i| Seen { p: f64::from(i) / 19.0, sheared: 10 <= i }).collect();
        let fit = fit_calibration(&apart, None);
        assert!(1.0 < fit.slope && fit.slope < 100.0, "{fit:?}");
        let one = [Seen { p: 0.7, sheared: true }];
        assert_eq!(fit_calibration(&one, None), Calibration::NONE);
        assert_eq!(fit_calibration(&[], None), Calibration::NONE);
        assert_eq!((calibration_error(&[]), brier(&[])), (None, None));
    }

    #[test]
    fn answers_are_never_turned_round() {
        let backwards: Vec<Seen> = (0..50).map(|i| Seen { p: f64::from(i) / 49.0, sheared: i < 25 }).collect();
        assert_eq!(fit_calibration(&backwards, None), Calibration::NONE);
    }

    #[test]
    fn the_band_takes_the_least_certain_ends_and_stops_in_time() {
        // Ten ends: one wrong at 0.55, one wrong at 0.3; the rest right and certain.
        let mut seen = vec![Seen { p: 0.55, sheared: false }, Seen { p: 0.3, sheared: true }];
        seen.extend((0..8).map(|i| Seen { p: if i < 4 { 0.95 } else { 0.05 }, sheared: i < 4 }));
        let band = choose_band(&seen, 0.1, 0.0);
        assert_eq!((band.coverage, band.low, band.high), (0.9, 0.375, 0.625));
        assert!((band.error - 1.0 / 9.0).abs() < 1e-6);
        let wider = choose_band(&seen, 0.2, 0.0);
        assert_eq!((wider.coverage, wider.error), (0.8, 0.0));
        // One error in ten is accepted: nothing needs to be unclear beyond the first.
        assert_eq!(choose_band(&seen, 1.0, 0.25).coverage, 1.0);
    }

    #[test]
    fn equal_probabilities_stay_together() {
        let seen: Vec<Seen> = (0..10).map(|i| Seen { p: 0.6, sheared: i < 6 }).collect();
        let band = choose_band(&seen, 0.1, 0.0);
        assert_eq!((band.coverage, band.low), (1.0, 0.5));
    }
}
