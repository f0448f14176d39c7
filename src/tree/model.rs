//! A loaded model: features of an end -> verdict, path, and whether the end is like those it learnt from.

use super::file::{self, ModelError};
use super::node::{Node, Side, side};
use super::subtype::subtype;
use super::{CLASSES, Label, Verdict};
use crate::flag::Reason;
use crate::measure::{FEATURES, Feature, FeatureRow};
use crate::settings::SubtypeSettings;
use serde::{Deserialize, Serialize};

/// A feature the model may ask for, with the range it learnt from.
#[derive(Debug, Clone)]
pub struct ModelFeature {
    /// Entry of the feature registry.
    pub feature: &'static Feature,
    /// Smallest and largest value in training; `None` when it was always missing.
    pub range: Option<(f64, f64)>,
}

/// How leaf counts become a probability of the first class.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Smoothing {
    /// Ends added to every leaf at the base rate (m-estimate, Cestnik 1990).
    pub weight: f64,
    /// Share of sheared ends in training, 0..1.
    pub base_rate: f64,
}

impl Smoothing {
    /// (n_sheared + m · base) / (n + m), strictly inside (0, 1).
    pub fn p_sheared(&self, counts: &[f64]) -> f64 {
        let total: f64 = counts.iter().sum();
        let sheared = counts.first().copied().unwrap_or(0.0);
        let p = (sheared + self.weight * self.base_rate) / (total + self.weight);
        if p.is_finite() { p.clamp(Calibration::FLOOR, 1.0 - Calibration::FLOOR) } else { self.base_rate }
    }
}

/// Map from a raw to an honest probability: logistic in the log-odds (Platt 1999).
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Calibration {
    /// Factor of the log-odds; 1 leaves them, below 1 makes them less extreme.
    pub slope: f64,
    /// Added to the log-odds.
    pub intercept: f64,
}

impl Calibration {
    /// Probabilities are kept this far from 0 and 1, so that log-odds stay finite.
    pub const FLOOR: f64 = 1e-6;
    /// Leaves probabilities as they are.
    pub const NONE: Self = Self { slope: 1.0, intercept: 0.0 };

    /// The honest probability.
    pub fn apply(&self, raw: f64) -> f64 {
        let raw = raw.clamp(Self::FLOOR, 1.0 - Self::FLOOR);
        let odds = self.slope * (raw / (1.0 - raw)).ln() + self.intercept;
        (1.0 / (1.0 + (-odds).exp())).clamp(Self::FLOOR, 1.0 - Self::FLOOR)
    }
}

/// Probabilities in this band are no verdict; chosen on ends the trees had not seen.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct UnclearBand {
    /// Below this probability of sheared an end is tensile.
    pub low: f64,
    /// From this probability on it is sheared.
    pub high: f64,
    /// Share of unseen ends that got a verdict, 0..1.
    pub coverage: f64,
    /// Share of wrong verdicts among them, 0..1.
    pub error: f64,
}

impl UnclearBand {
    /// The label of a probability of sheared.
    pub fn label(&self, p_sheared: f64) -> Label {
        if p_sheared < self.low {
            Label::Tensile
        } else if self.high <= p_sheared {
            Label::Sheared
        } else {
            Label::Unclear
        }
    }
}

/// A count out of a count.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Rate {
    /// How many were right.
    pub right: u64,
    /// Of how many.
    pub of: u64,
}

impl Rate {
    /// The share, `None` of nothing.
    pub fn share(self) -> Option<f64> {
        (0 < self.of).then(|| self.right as f64 / self.of as f64)
    }
}

/// Figures on specimens the trees had not seen (grouped, repeated cross-validation; counts are means over repeats).
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Figures {
    /// Folds; 0 when there were too few specimens to judge.
    pub folds: u32,
    /// Repeats with other folds.
    pub repeats: u32,
    /// Truly sheared ends with a verdict: labelled sheared, of all.
    pub sensitivity: Rate,
    /// Truly tensile ends with a verdict: labelled tensile, of all.
    pub specificity: Rate,
    /// Ends without a verdict because their probability was near a half.
    pub n_unclear: u64,
    /// Mean of sensitivity and specificity.
    pub balanced_accuracy: Option<f64>,
    /// Agreement beyond chance with the truth (Cohen 1960).
    pub kappa: Option<f64>,
    /// Expected calibration error, ten equal steps of probability.
    pub calibration_error: Option<f64>,
    /// Balanced accuracy of the single tree, with nothing called unclear.
    pub tree_without_unclear: Option<f64>,
    /// The same of a forest on the same features.
    pub forest_without_unclear: Option<f64>,
}

/// Ends of one source in the training table.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct SourceCount {
    /// Where the labels came from.
    pub source: String,
    /// Specimens.
    pub specimens: u64,
    /// Sheared ends.
    pub sheared: u64,
    /// Tensile ends.
    pub tensile: u64,
}

/// What the model learnt from.
#[derive(Debug, Clone, PartialEq, Eq, Default, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Training {
    /// Digest of the training table (BLAKE3, hexadecimal).
    pub digest: String,
    /// Ends by source.
    pub sources: Vec<SourceCount>,
}

/// One question on the way through the tree.
#[derive(Debug, Clone, Copy)]
pub struct Step {
    /// The feature asked for.
    pub feature: &'static Feature,
    /// Its threshold.
    pub threshold: f64,
    /// The value of this end; `None` = missing.
    pub value: Option<f64>,
    /// Where the end went.
    pub side: Side,
    /// Training ends that came to this question: (sheared, tensile).
    pub counts: (f64, f64),
}

/// A model that labels ends.
#[derive(Debug, Clone)]
pub struct Model {
    /// Name for people.
    pub name: String,
    /// Features it may ask for.
    pub features: Vec<ModelFeature>,
    /// The tree: the one to read, and the one that labels unless there is a forest.
    pub tree: Node,
    /// Trees that vote instead of it; usually none.
    pub forest: Vec<Node>,
    /// Counts -> probability.
    pub smoothing: Smoothing,
    /// Raw -> honest probability.
    pub calibration: Calibration,
    /// Where there is no verdict.
    pub unclear: UnclearBand,
    /// Words for looks.
    pub subtype: SubtypeSettings,
    /// What it learnt from.
    pub training: Training,
    /// How good it is.
    pub figures: Figures,
}

/// The bundled model.
const BUNDLED: &[u8] = include_bytes!("../../models/default.json");

impl Model {
    /// The model that is compiled in.
    ///
    /// # Errors
    /// When the bundled file is unusable, which is a fault of the build.
    pub fn bundled() -> Result<Self, ModelError> {
        Self::from_json(BUNDLED)
    }

    /// A model from its file.
    ///
    /// # Errors
    /// When the file is damaged, of another format, or asks for features of another table.
    pub fn from_json(bytes: &[u8]) -> Result<Self, ModelError> {
        file::read(bytes)
    }

    /// The model as a readable file; the same model gives the same bytes.
    pub fn to_json(&self) -> Vec<u8> {
        file::write(self)
    }

    /// Digest of the model file (BLAKE3, hexadecimal): names the model in every output.
    pub fn digest(&self) -> String {
        blake3::hash(&self.to_json()).to_hex().to_string()
    }

    /// `forest` or `tree`: which one labels.
    pub fn kind(&self) -> &'static str {
        if self.forest.is_empty() { "tree" } else { "forest" }
    }

    /// The values of an end in the order of [`Self::features`].
    pub fn values(&self, row: &FeatureRow) -> Vec<Option<f64>> {
        self.features.iter().map(|f| row.get(f.feature.name)).collect()
    }

    /// Calibrated probability that the end was sheared; `None` when none of the model's features was measured.
    pub fn p_sheared(&self, row: &FeatureRow) -> Option<f64> {
        let values = self.values(row);
        if values.iter().all(Option::is_none) {
            return None;
        }
        Some(self.calibration.apply(raw_p_sheared(&self.tree, &self.forest, self.smoothing, &values)))
    }

    /// The verdict on an end; `not_gradable` says why its picture does not allow one (empty = it does).
    pub fn predict(&self, row: &FeatureRow, not_gradable: &[Reason]) -> Verdict {
        let p_sheared = self.p_sheared(row);
        let (label, reasons) = match p_sheared {
            _ if !not_gradable.is_empty() => (Label::Unclear, not_gradable.to_vec()),
            None => (Label::Unclear, vec![Reason::NothingMeasured]),
            Some(p) => match self.unclear.label(p) {
                Label::Unclear => (Label::Unclear, vec![Reason::CouldBeEither { p_sheared: p }]),
                label => (label, Vec::new()),
            },
        };
        Verdict { label, p_sheared, reasons, subtype: subtype(label, row, &self.subtype) }
    }

    /// The questions of the tree that lead to the leaf of this end.
    pub fn path(&self, row: &FeatureRow) -> Vec<Step> {
        let values = self.values(row);
        let mut steps = Vec::new();
        for node in self.tree.walk(&values) {
            let Node::Split { feature, threshold, missing_goes, counts, .. } = node else { continue };
            let value = values[*feature];
            steps.push(Step {
                feature: self.features[*feature].feature,
                threshold: *threshold,
                value,
                side: side(value, *threshold, *missing_goes),
                counts: (counts[0], counts[1]),
            });
        }
        steps
    }

    /// Training ends in the leaf of this end: (sheared, tensile).
    pub fn leaf_counts(&self, row: &FeatureRow) -> (f64, f64) {
        let counts = self.tree.leaf(&self.values(row)).counts();
        (counts[0], counts[1])
    }

    /// Features of this end that lie outside the range the model learnt from.
    pub fn out_of_range(&self, row: &FeatureRow) -> Vec<&'static str> {
        let outside = |f: &ModelFeature| {
            let value = row.get(f.feature.name)?;
            let (low, high) = f.range?;
            (value < low || high < value).then_some(f.feature.name)
        };
        self.features.iter().filter_map(outside).collect()
    }
}

/// Mean smoothed probability of the trees that vote.
pub(crate) fn raw_p_sheared(tree: &Node, forest: &[Node], smoothing: Smoothing, values: &[Option<f64>]) -> f64 {
    if forest.is_empty() {
        return smoothing.p_sheared(tree.leaf(values).counts());
    }
    let sum: f64 = forest.iter().map(|t| smoothing.p_sheared(t.leaf(values).counts())).sum();
    sum / forest.len() as f64
}

/// Registry entry of a feature by name.
pub(crate) fn registered(name: &str) -> Option<&'static Feature> {
    FEATURES.iter().find(|f| f.name == name)
}

/// Words of the classes in the model file.
pub(crate) fn class_words() -> Vec<String> {
    CLASSES.iter().map(|l| l.word().to_owned()).collect()
}
