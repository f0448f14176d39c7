//! Two witnesses: the measured shape (a tree) and the appearance (a network's impression), each calibrated by itself.
//!
//! Raw probabilities -> log odds, capped and weighed -> their sum, or a contradiction that no sum may hide.

use serde::{Deserialize, Serialize};

/// The network's impression: the feature that the appearance witness is made from.
pub const NETWORK_FEATURE: &str = "network_p_sheared";

/// Map from a raw to an honest probability: logistic in the log odds (Platt 1999).
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Calibration {
    /// Factor of the log odds; 1 leaves them, below 1 makes them less extreme, 0 makes the witness silent.
    pub slope: f64,
    /// Added to the log odds.
    pub intercept: f64,
}

impl Calibration {
    /// Probabilities are kept this far from 0 and 1, so that log odds stay finite.
    pub const FLOOR: f64 = 1e-6;
    /// Leaves probabilities as they are.
    pub const NONE: Self = Self { slope: 1.0, intercept: 0.0 };

    /// Calibrated log odds of a raw probability.
    pub fn log_odds(&self, raw: f64) -> f64 {
        self.slope * log_odds(raw) + self.intercept
    }
}

/// Log odds of a probability, which is kept [`Calibration::FLOOR`] away from 0 and 1.
pub fn log_odds(p: f64) -> f64 {
    let p = p.clamp(Calibration::FLOOR, 1.0 - Calibration::FLOOR);
    (p / (1.0 - p)).ln()
}

/// Probability of log odds.
pub fn probability(log_odds: f64) -> f64 {
    statrs::function::logistic::logistic(log_odds)
}

/// One witness.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Witness {
    /// Raw -> honest probability.
    pub calibration: Calibration,
    /// Largest size of its log odds: no witness may be surer than its record allows.
    pub cap: f64,
    /// Weight of its log odds in the sum, 0..1: below 1 where the witnesses repeat each other.
    pub weight: f64,
}

impl Witness {
    /// Calibrated and capped log odds of a raw probability.
    pub fn log_odds(&self, raw: f64) -> f64 {
        self.calibration.log_odds(raw).clamp(-self.cap, self.cap)
    }
}

/// Both witnesses and the rule between them.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Witnesses {
    /// The measured shape.
    pub shape: Witness,
    /// The network's impression.
    pub appearance: Witness,
    /// Log odds from which a witness counts as decided: two decided witnesses on opposite sides contradict each other.
    pub decided: f64,
}

/// What the witnesses say of one end.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Testimony {
    /// Probability of sheared by shape; missing when nothing of it was measured.
    pub shape: Option<f64>,
    /// Probability of sheared by appearance; missing when the network said nothing.
    pub appearance: Option<f64>,
    /// Both together; missing when there is neither.
    pub p_sheared: Option<f64>,
    /// Whether both are decided and on opposite sides.
    pub contradict: bool,
}

impl Witnesses {
    /// Hears both witnesses: raw probabilities of sheared, missing where there is none.
    pub fn hear(&self, shape: Option<f64>, appearance: Option<f64>) -> Testimony {
        let shape = shape.map(|raw| self.shape.log_odds(raw));
        let appearance = appearance.map(|raw| self.appearance.log_odds(raw));
        let sum = match (shape, appearance) {
            (None, None) => None,
            (s, a) => Some(s.map_or(0.0, |s| s * self.shape.weight) + a.map_or(0.0, |a| a * self.appearance.weight)),
        };
        let contradict = shape
            .zip(appearance)
            .is_some_and(|(s, a)| s.signum() != a.signum() && self.decided <= s.abs() && self.decided <= a.abs());
        Testimony {
            shape: shape.map(probability),
            appearance: appearance.map(probability),
            p_sheared: sum.map(probability),
            contradict,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn witnesses() -> Witnesses {
        let one = Witness { calibration: Calibration::NONE, cap: 3.0, weight: 1.0 };
        Witnesses { shape: one, appearance: Witness { weight: 0.5, ..one }, decided: 2.0 }
    }

    // By hand: log odds of 0.8 is ln 4; together ln 4 + ln 4 / 2 = ln 8.
    #[test]
    fn weighted_log_odds_add() {
        let both = witnesses().hear(Some(0.8), Some(0.8));
        assert!((both.p_sheared.unwrap() - 8.0 / 9.0).abs() < 1e-12);
        assert!((both.shape.unwrap() - 0.8).abs() < 1e-12 && !both.contradict);
        assert_eq!(witnesses().hear(None, None).p_sheared, None);
        assert!((witnesses().hear(Some(0.8), None).p_sheared.unwrap() - 0.8).abs() < 1e-12);
    }

    #[test]
    fn a_cap_holds_and_opposite_decided_witnesses_contradict() {
        let sure = witnesses().hear(Some(1.0), None).p_sheared.unwrap();
        assert!((log_odds(sure) - 3.0).abs() < 1e-9);
        assert!(witnesses().hear(Some(0.95), Some(0.05)).contradict);
        assert!(!witnesses().hear(Some(0.95), Some(0.3)).contradict);
        assert!(!witnesses().hear(Some(0.95), Some(0.99)).contradict);
        assert!(!witnesses().hear(Some(0.95), None).contradict);
    }
}
