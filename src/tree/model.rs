//! A loaded model: features of an end -> verdict, path, and whether the end is like those it learnt from.
//!
//! The verdict comes from two witnesses ([`super::witness`]): the shape tree and the network's impression.

use super::node::{Node, Side, side};
use super::shape::ShapeRule;
use super::subtype::subtype;
use super::witness::{NETWORK_FEATURE, Testimony, Witnesses};
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

/// Probabilities in this band are no verdict; chosen on ends the trees had not seen.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct UnclearBand {
    /// Below this probability of sheared an end is tensile.
    pub low: f64,
    /// From this probability on it is sheared.
    pub high: f64,
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

/// Figures on ends whose specimen, or whole picture family, the trees had not seen (grouped, repeated cross-validation;
/// counts are means over repeats).
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Figures {
    /// Folds by specimen; 0 when there were too few specimens to judge.
    pub folds: u32,
    /// Repeats with other folds.
    pub repeats: u32,
    /// Truly sheared ends with a verdict: labelled sheared, of all.
    pub sensitivity: Rate,
    /// Truly tensile ends with a verdict: labelled tensile, of all.
    pub specificity: Rate,
    /// Ends without a verdict because their probability was near a half or the witnesses contradicted each other.
    pub n_unclear: u64,
    /// Of these, contradictions.
    pub n_contradictions: u64,
    /// Truly sheared ends that got a verdict, of all sheared ends.
    pub coverage_sheared: Rate,
    /// Truly tensile ends that got a verdict, of all tensile ends.
    pub coverage_tensile: Rate,
    /// Mean of sensitivity and specificity.
    pub balanced_accuracy: Option<f64>,
    /// Agreement beyond chance with the truth (Cohen 1960).
    pub kappa: Option<f64>,
    /// Expected calibration error, ten equal steps of probability.
    pub calibration_error: Option<f64>,
    /// Balanced accuracy of the shape tree alone, with a verdict on every end.
    pub tree_without_unclear: Option<f64>,
    /// The same of a forest on the same features.
    pub forest_without_unclear: Option<f64>,
    /// The same of the appearance alone.
    pub appearance_without_unclear: Option<f64>,
    /// Instruments (or renderers; lights where there is one instrument) that were left out of all learning in turn; 0 when
    /// there was only one.
    pub families: u32,
    /// Balanced accuracy on families left out.
    pub families_balanced_accuracy: Option<f64>,
    /// Share of their ends that got a verdict.
    pub families_coverage: Option<f64>,
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
    /// Where the larger share of the end went.
    pub side: Side,
    /// That share, 0.5..1: thresholds are soft.
    pub share: f64,
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
    /// The shape tree: the one to read, and the one that testifies unless there is a forest.
    pub tree: Node,
    /// Trees that vote instead of it; usually none.
    pub forest: Vec<Node>,
    /// Counts along a path -> raw probability by shape.
    pub shape: ShapeRule,
    /// Shape and appearance: raw -> honest probabilities, and both together.
    pub witnesses: Witnesses,
    /// Where there is no verdict.
    pub unclear: UnclearBand,
    /// Words for looks.
    pub subtype: SubtypeSettings,
    /// What it learnt from.
    pub training: Training,
    /// How good it is.
    pub figures: Figures,
}

impl Model {
    /// `forest` or `tree`: which one labels.
    pub fn kind(&self) -> &'static str {
        if self.forest.is_empty() { "tree" } else { "forest" }
    }

    /// The values of an end in the order of [`Self::features`].
    pub fn values(&self, row: &FeatureRow) -> Vec<Option<f64>> {
        self.features.iter().map(|f| row.get(f.feature.name)).collect()
    }

    /// What shape and appearance say of an end, each by itself and together.
    pub fn hear(&self, row: &FeatureRow) -> Testimony {
        let values = self.values(row);
        let measured = values.iter().any(Option::is_some);
        let shape = measured.then(|| self.shape.p_of_trees(&self.tree, &self.forest, &values));
        self.witnesses.hear(shape, row.get(NETWORK_FEATURE))
    }

    /// The verdict on an end; `not_gradable` says why its picture does not allow one (empty = it does).
    pub fn predict(&self, row: &FeatureRow, not_gradable: &[Reason]) -> Verdict {
        let heard = self.hear(row);
        let (label, reasons) = match heard.p_sheared {
            _ if !not_gradable.is_empty() => (Label::Unclear, not_gradable.to_vec()),
            None => (Label::Unclear, vec![Reason::NothingMeasured]),
            Some(_) if heard.contradict => (Label::Unclear, vec![contradiction(&heard)]),
            Some(p) => match self.unclear.label(p) {
                Label::Unclear => (Label::Unclear, vec![Reason::CouldBeEither { p_sheared: p }]),
                label => (label, Vec::new()),
            },
        };
        Verdict {
            label,
            p_sheared: heard.p_sheared,
            shape_p_sheared: heard.shape,
            appearance_p_sheared: heard.appearance,
            reasons,
            subtype: subtype(label, row, &self.subtype),
        }
    }

    /// The questions of the tree that lead to the leaf of this end.
    pub fn path(&self, row: &FeatureRow) -> Vec<Step> {
        let values = self.values(row);
        let mut steps = Vec::new();
        for node in self.tree.walk(&values) {
            let Node::Split { feature, threshold, spread, missing_goes, counts, .. } = node else { continue };
            let value = values[*feature];
            let side = side(value, *threshold, *missing_goes);
            let high = self.shape.share_high(value, *threshold, *spread, *missing_goes);
            steps.push(Step {
                feature: self.features[*feature].feature,
                threshold: *threshold,
                value,
                side,
                share: if side == Side::High { high } else { 1.0 - high },
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

/// The reason of an end on which the witnesses contradict each other, with both figures.
fn contradiction(heard: &Testimony) -> Reason {
    Reason::Contradiction { shape: heard.shape.unwrap_or(0.5), appearance: heard.appearance.unwrap_or(0.5) }
}

/// Registry entry of a feature by name.
pub(crate) fn registered(name: &str) -> Option<&'static Feature> {
    FEATURES.iter().find(|f| f.name == name)
}

/// Words of the classes in the model file.
pub(crate) fn class_words() -> Vec<String> {
    CLASSES.iter().map(|l| l.word().to_owned()).collect()
}
