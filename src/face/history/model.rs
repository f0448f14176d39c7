//! A probability of each order of failure: multinomial logistic regression, `models/history.json`, compiled in.

use super::{FIGURES, Figures, N_FIGURES};
use crate::table::History;
use serde::Deserialize;
use std::collections::BTreeMap;
use std::sync::LazyLock;

const FILE: &[u8] = include_bytes!("../../../models/history.json");
const SCHEMA: &str = "breakface-history/1";

/// Number of [`ORDERS`].
const N_ORDERS: usize = 5;

/// The orders of failure that are told apart, and none: faces whose carriers lie anywhere.
pub const ORDERS: [History; N_ORDERS] =
    [History::CutFirst, History::Overload, History::CutSliding, History::TwoPlaces, History::NotKnown];

static BUNDLED: LazyLock<Result<HistoryModel, String>> = LazyLock::new(|| HistoryModel::from_json(FILE));

/// Mean and spread of a figure over the faces that the model was fitted on.
#[derive(Debug, Clone, Copy, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
struct Range {
    centre: f64,
    scale: f64,
    low: f64,
    high: f64,
}

/// The fitted model.
#[derive(Debug, Clone, PartialEq)]
pub struct HistoryModel {
    ranges: [Range; N_FIGURES],
    /// Bias and one weight per figure, for each of [`ORDERS`].
    weights: [(f64, [f64; N_FIGURES]); N_ORDERS],
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct Wire {
    schema: String,
    figures: BTreeMap<String, Range>,
    orders: BTreeMap<String, Order>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct Order {
    bias: f64,
    weights: BTreeMap<String, f64>,
}

impl HistoryModel {
    /// The model that is compiled in.
    ///
    /// # Errors
    /// When it is unusable, which is a fault of the build.
    pub fn bundled() -> Result<&'static Self, String> {
        BUNDLED.as_ref().map_err(|reason| format!("models/history.json: {reason}"))
    }

    /// A model from its file; every figure has its range and weights, and nothing else has.
    ///
    /// # Errors
    /// What is wrong with the file.
    pub fn from_json(bytes: &[u8]) -> Result<Self, String> {
        let wire: Wire = serde_json::from_slice(bytes).map_err(|e| e.to_string())?;
        if wire.schema != SCHEMA {
            return Err(format!("schema {} is not {SCHEMA}", wire.schema));
        }
        let order = |history: History| -> Result<(f64, [f64; N_FIGURES]), String> {
            let of = wire.orders.get(history.word()).ok_or_else(|| format!("lacks the order {:?}", history.word()))?;
            Ok((of.bias, by_name(&of.weights)?))
        };
        let mut weights = [(0.0, [0.0; N_FIGURES]); N_ORDERS];
        for (of, history) in weights.iter_mut().zip(ORDERS) {
            *of = order(history)?;
        }
        let ranges: [Range; N_FIGURES] = by_name(&wire.figures)?;
        match FIGURES.iter().zip(&ranges).find(|(_, r)| r.scale <= 0.0 || r.high < r.low) {
            Some((name, _)) => Err(format!("has no range for {name:?}")),
            None => Ok(Self { ranges, weights }),
        }
    }

    /// Probability of each of [`ORDERS`]. A figure that is not known speaks for none.
    pub fn probabilities(&self, figures: &Figures) -> [f64; N_ORDERS] {
        let scaled = |k: usize| figures.values[k].map_or(0.0, |v| (v - self.ranges[k].centre) / self.ranges[k].scale);
        let score = |(bias, weights): &(f64, [f64; N_FIGURES])| {
            bias + weights.iter().enumerate().map(|(k, w)| w * scaled(k)).sum::<f64>()
        };
        let scores = self.weights.each_ref().map(score);
        let top = scores.iter().copied().fold(f64::NEG_INFINITY, f64::max);
        let shares = scores.map(|s| (s - top).exp());
        let sum: f64 = shares.iter().sum();
        shares.map(|s| s / sum)
    }

    /// The most probable order with its probability.
    pub fn most_probable(&self, figures: &Figures) -> (History, f64) {
        let probabilities = self.probabilities(figures);
        let best = ORDERS.into_iter().zip(probabilities).max_by(|a, b| a.1.total_cmp(&b.1));
        best.unwrap_or((History::NotKnown, 0.0))
    }

    /// Name of a figure that lies more than so many of its standard deviations outside all that was seen in fitting.
    pub fn unlike(&self, figures: &Figures, sd: f64) -> Option<&'static str> {
        let outside = |k: &usize| {
            let range = &self.ranges[*k];
            let slack = sd * range.scale;
            figures.values[*k].is_some_and(|v| v < range.low - slack || range.high + slack < v)
        };
        (0..N_FIGURES).find(outside).map(|k| FIGURES[k])
    }
}

/// Values in the order of [`FIGURES`].
fn by_name<T: Copy>(named: &BTreeMap<String, T>) -> Result<[T; N_FIGURES], String> {
    if let Some(name) = named.keys().find(|name| !FIGURES.contains(&name.as_str())) {
        return Err(format!("tells of {name:?}, which is no figure"));
    }
    let values: Result<Vec<T>, String> =
        FIGURES.iter().map(|f| named.get(*f).copied().ok_or_else(|| format!("does not tell of {f:?}"))).collect();
    values?.try_into().map_err(|_| "has too few figures".to_owned())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_bundled_model_can_be_read_and_others_are_refused() {
        assert!(HistoryModel::bundled().is_ok(), "{:?}", HistoryModel::bundled());
        let text = String::from_utf8_lossy(FILE);
        let other = text.replace("history/1", "history/2");
        assert!(HistoryModel::from_json(other.as_bytes()).is_err_and(|e| e.contains("history/2")));
        let other = text.replace("\"cut_angle\"", "\"cut_angel\"");
        assert!(HistoryModel::from_json(other.as_bytes()).is_err_and(|e| e.contains("cut_angel")));
    }

    #[test]
    fn probabilities_as_scikit_learn_gives_them() {
        // Softmax of bias + weights of the standardised figures: LogisticRegression.predict_proba of scikit-learn 1.8 with
        // these coefficients (scipy.special.softmax([0.2, 1.2, 0.4, -0.05025, -1])).
        let range = Range { centre: 1.0, scale: 2.0, low: -9.0, high: 9.0 };
        let row = |bias: f64, first: f64| {
            let mut weights = [0.0; N_FIGURES];
            weights[0] = first;
            (bias, weights)
        };
        let model = HistoryModel {
            ranges: [range; N_FIGURES],
            weights: [row(0.2, 0.0), row(0.2, 1.0), row(0.0, 0.4), row(-0.05025, 0.0), row(-1.0, 0.0)],
        };
        let mut figures = Figures { values: [None; N_FIGURES], labelled: 0, sheared: 0 };
        figures.values[0] = Some(3.0);
        let found = model.probabilities(&figures);
        for (p, expected) in found.into_iter().zip([0.1661272, 0.4515805, 0.2029082, 0.1293476, 0.0500365]) {
            assert!((p - expected).abs() < 1e-6, "{found:?}");
        }
        assert_eq!(model.most_probable(&figures).0, History::Overload);
        assert_eq!(model.unlike(&figures, 1.0), None);
        figures.values[4] = Some(12.0);
        assert_eq!(model.unlike(&figures, 1.0), Some("label_separation"));
    }
}
