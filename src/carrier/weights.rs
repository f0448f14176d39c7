//! Weights of the evidence that two ends share a carrier: `models/carrier.json`, compiled in, learnt from rendered pictures.

use std::collections::BTreeMap;
use std::sync::LazyLock;

use serde::{Deserialize, Serialize};

use super::pairs::{EVIDENCE, Evidence, N_EVIDENCE};
use crate::network::NetworkError;

const FILE: &[u8] = include_bytes!("../../models/carrier.json");
const SCHEMA: &str = "breakface-carrier/1";

static BUNDLED: LazyLock<Result<PairWeights, String>> = LazyLock::new(|| PairWeights::from_json(FILE));

/// Log odds per unit of evidence that two ends share a carrier; negative = speaks against.
#[derive(Debug, Clone, PartialEq)]
pub struct PairWeights {
    /// Log odds without any evidence.
    pub bias: f64,
    /// Weights in the order of [`EVIDENCE`].
    pub values: [f64; N_EVIDENCE],
}

#[derive(Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct Wire {
    schema: String,
    bias: f64,
    weights: BTreeMap<String, f64>,
}

impl PairWeights {
    /// The weights that are compiled in.
    ///
    /// # Errors
    /// When they are unusable, which is a fault of the build.
    pub fn bundled() -> Result<&'static Self, NetworkError> {
        BUNDLED.as_ref().map_err(|reason| NetworkError::bundled(format!("models/carrier.json: {reason}")))
    }

    /// Log odds that a pair shares a carrier.
    pub fn log_odds(&self, evidence: &Evidence) -> f64 {
        self.bias + self.values.iter().zip(evidence).map(|(w, e)| w * e).sum::<f64>()
    }

    /// The weights from a file; every kind of evidence has its weight, and nothing else has one.
    ///
    /// # Errors
    /// What is wrong with the file.
    pub fn from_json(bytes: &[u8]) -> Result<Self, String> {
        let wire: Wire = serde_json::from_slice(bytes).map_err(|e| e.to_string())?;
        if wire.schema != SCHEMA {
            return Err(format!("schema {} is not {SCHEMA}", wire.schema));
        }
        if let Some(name) = wire.weights.keys().find(|name| !EVIDENCE.contains(&name.as_str())) {
            return Err(format!("weighs {name:?}, which is no evidence"));
        }
        let mut values = [0.0; N_EVIDENCE];
        for (value, name) in values.iter_mut().zip(EVIDENCE) {
            *value = *wire.weights.get(name).ok_or_else(|| format!("has no weight for {name:?}"))?;
        }
        Ok(Self { bias: wire.bias, values })
    }

    /// The file of these weights.
    ///
    /// # Errors
    /// When a weight is not finite.
    pub fn to_json(&self) -> Result<String, serde_json::Error> {
        let weights = EVIDENCE.iter().map(|name| (*name).to_owned()).zip(self.values).collect();
        serde_json::to_string_pretty(&Wire { schema: SCHEMA.to_owned(), bias: self.bias, weights })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn weights_are_read_by_their_names() {
        let bundled = PairWeights::bundled().expect("bundled");
        let again = PairWeights::from_json(bundled.to_json().expect("finite").as_bytes());
        assert_eq!(again.as_ref(), Ok(bundled));
        let text = String::from_utf8_lossy(FILE);
        assert!(
            PairWeights::from_json(text.replace("\"hue\"", "\"hew\"").as_bytes()).is_err_and(|e| e.contains("hew"))
        );
    }
}
