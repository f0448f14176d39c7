//! Training as a whole: table + settings -> model and everything the model page tells.

use super::band::settle_band;
use super::calibrate::Seen;
use super::choose::{Chosen, PruneStep, choose};
use super::confusion::Confusion;
use super::cross::{Folds, Grown, Plan, Variant, instrument, tree_growth, unseen};
use super::figures::{appearance_without_unclear, model_figures, without_unclear};
use super::fit::{Rows, grow};
use super::forest::grow_forest;
use super::judge::{Court, Evidence, PartFigures, Repeat, by_part, confusions, limits};
use super::prune::pruned;
use super::splits::{Kind, Raw, Splits};
use super::warn::warnings;
use super::{TrainingTable, label_features};
use crate::measure::Feature;
use crate::settings::LabelSettings;
use crate::tree::model::{Figures, ModelFeature, SourceCount, Training};
use crate::tree::{CLASSES, Label, Model};
use rand::SeedableRng;
use rand_chacha::ChaCha8Rng;
use std::collections::BTreeMap;

/// What to train.
#[derive(Debug, Clone, Default)]
pub struct Options {
    /// Name of the model, for people.
    pub name: String,
    /// What testifies for the shape.
    pub kind: Kind,
    /// Features the trees must not use.
    pub without: Vec<String>,
}

/// Why no model could be trained.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum TrainError {
    /// Nothing to learn from.
    #[error("no labelled ends to learn from")]
    Empty,
    /// Only one label.
    #[error("all {n} labelled ends are {label}: a tree needs sheared and tensile ends")]
    OneClass {
        /// How many.
        n: usize,
        /// The label they share.
        label: &'static str,
    },
    /// A feature to leave out does not exist.
    #[error("feature {name:?} is not one that labels")]
    UnknownFeature {
        /// Its name.
        name: String,
    },
    /// Nothing left to ask.
    #[error("no features left to learn from")]
    NoFeatures,
}

/// One point of the learning curve.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Learning {
    /// Share of the specimens learnt from, 0..1.
    pub share: f64,
    /// Balanced accuracy of the shape tree on unseen specimens, nothing called unclear.
    pub balanced_accuracy: Option<f64>,
}

/// A new model and how it came about.
#[derive(Debug, Clone)]
pub struct Trained {
    /// The model.
    pub model: Model,
    /// Truth against label on specimens left out, with the band in use.
    pub confusion: Confusion,
    /// Probabilities on specimens left out, all repeats.
    pub seen: Vec<Seen>,
    /// By source of the labels.
    pub by_source: Vec<PartFigures>,
    /// By specimen.
    pub by_group: Vec<PartFigures>,
    /// By picture family, each left out of all learning.
    pub by_family: Vec<PartFigures>,
    /// How the tree was cut back.
    pub pruning: Vec<PruneStep>,
    /// Whether more labels would help.
    pub learning: Vec<Learning>,
    /// What to know.
    pub warnings: Vec<String>,
}

/// Trains a model.
///
/// # Errors
/// When there is nothing to learn from, or only one label.
pub fn train(table: &TrainingTable, settings: &LabelSettings, options: &Options) -> Result<Trained, TrainError> {
    check_classes(table)?;
    let features = chosen_features(options)?;
    let rows = table.to_rows(&features);
    let (groups, names) = table.groups();
    let families = table.families();
    let plan = Plan { rows: &rows, settings, share: 1.0, groups: &groups };
    let splits = Splits::new(&groups, &families, &rows.classes, settings);
    let grown = grow(&rows, &all(&rows), tree_growth(settings), &mut ChaCha8Rng::seed_from_u64(settings.seed));
    let Chosen { variant, pruning } = choose(plan, splits.fitting(), &grown, &splits.by_family);

    let raw = Raw::new(plan, &splits, variant, options.kind);
    let appearance = table.appearance();
    let weights = rows.balanced_weights();
    let evidence =
        |shape| Evidence { shape, appearance: &appearance, classes: &rows.classes, weights: &weights, times: 1 };
    let by_specimen = raw.judged_by_specimen(&splits, evidence, settings);
    let by_family = raw.judged_by_family(&splits, evidence, settings);
    let tree = pruned(&grown, variant.penalty);
    let forest = match options.kind {
        Kind::Forest => grow_forest(&rows, &all(&rows), settings, u64::from(u32::MAX)),
        Kind::Tree => Vec::new(),
    };
    let own: Vec<f64> = rows.values.iter().map(|v| variant.rule.p_of_trees(&tree, &forest, v)).collect();
    let court = final_court(&raw, &splits, evidence(&own), settings);

    let (folds, families_left_out) = splits.numbers();
    let figures = Figures {
        folds,
        families: families_left_out,
        tree_without_unclear: without_unclear(&rows, &raw.tree),
        forest_without_unclear: without_unclear(&rows, &raw.forest),
        appearance_without_unclear: appearance_without_unclear(&rows, &appearance),
        ..model_figures(&rows, &by_specimen, by_family.first())
    };
    let warnings = warnings(table, names.len(), &figures, settings);
    let model = Model {
        name: options.name.clone(),
        features: features.iter().map(|f| ModelFeature { feature: f, range: range(table, f) }).collect(),
        tree,
        forest,
        shape: variant.rule,
        witnesses: court.witnesses,
        unclear: court.unclear,
        subtype: settings.subtype.clone(),
        training: Training { digest: table.digest(), sources: source_counts(table) },
        figures,
    };
    let part = |of: &[&str]| by_part(&rows, &by_specimen, of);
    Ok(Trained {
        confusion: Confusion::mean(&confusions(&rows, &by_specimen)),
        seen: by_specimen.iter().flat_map(|r| r.seen.iter().copied()).collect(),
        model,
        by_source: part(&table.rows().iter().map(|r| r.source.as_str()).collect::<Vec<_>>()),
        by_group: part(&groups.iter().map(|&g| names[g]).collect::<Vec<_>>()),
        by_family: family_parts(&rows, &by_family, &families),
        pruning,
        learning: learning_curve(plan, &splits.by_specimen, variant),
        warnings,
    })
}

/// Calibrations, weights and band from all unseen ends, and the band held against what the final tree says (`own`).
fn final_court(raw: &Raw, splits: &Splits, own: Evidence<'_>, settings: &LabelSettings) -> Court {
    let pool = raw.pool(splits, own);
    let court = pool.evidence().fit(&pool.all(), settings);
    let rows: Vec<usize> = (0..own.classes.len()).collect();
    let unclear = settle_band(court.unclear, &own.judged(&rows, &court.witnesses), limits(settings));
    Court { unclear, ..court }
}

/// Families left out: instruments, then lights.
fn family_parts(rows: &Rows, repeats: &[Repeat], families: &[&str]) -> Vec<PartFigures> {
    let instruments: Vec<&str> = families.iter().map(|f| instrument(f)).collect();
    match repeats {
        [by_instrument, by_light] => {
            let mut parts = by_part(rows, std::slice::from_ref(by_instrument), &instruments);
            parts.extend(by_part(rows, std::slice::from_ref(by_light), families));
            parts
        }
        _ => by_part(rows, repeats, families),
    }
}

fn all(rows: &Rows) -> Vec<usize> {
    (0..rows.len()).collect()
}

fn check_classes(table: &TrainingTable) -> Result<(), TrainError> {
    let n = table.rows().len();
    if n == 0 {
        return Err(TrainError::Empty);
    }
    match CLASSES.iter().find(|&&l| table.count(l) == n) {
        Some(label) => Err(TrainError::OneClass { n, label: label.word() }),
        None => Ok(()),
    }
}

fn chosen_features(options: &Options) -> Result<Vec<&'static Feature>, TrainError> {
    if let Some(name) = options.without.iter().find(|w| !label_features().any(|f| f.name == w.as_str())) {
        return Err(TrainError::UnknownFeature { name: name.clone() });
    }
    let features: Vec<_> = label_features().filter(|f| !options.without.iter().any(|w| w == f.name)).collect();
    if features.is_empty() { Err(TrainError::NoFeatures) } else { Ok(features) }
}

/// Shares of the specimens at which the learning curve is taken.
const LEARNING_SHARES: [f64; 5] = [0.1, 0.25, 0.5, 0.75, 1.0];

fn learning_curve(plan: Plan<'_>, repeats: &[Folds], variant: Variant) -> Vec<Learning> {
    let Some(folds) = repeats.first() else { return Vec::new() };
    let point = |&share: &f64| {
        let p = unseen(Plan { share, ..plan }, folds, Grown::Tree(&[variant]));
        Learning { share, balanced_accuracy: without_unclear(plan.rows, &p) }
    };
    LEARNING_SHARES.iter().map(point).collect()
}

/// Least and greatest value learnt from; none where all values are the same: nothing is learnt from them, so another value is no
/// sign that an end is of another kind.
fn range(table: &TrainingTable, feature: &Feature) -> Option<(f64, f64)> {
    let values = table.rows().iter().filter_map(|r| r.features.get(feature.name));
    let both = values.fold(None, |range, v| match range {
        None => Some((v, v)),
        Some((low, high)) => Some((f64::min(low, v), f64::max(high, v))),
    });
    both.filter(|(low, high)| low < high)
}

fn source_counts(table: &TrainingTable) -> Vec<SourceCount> {
    let mut parts: BTreeMap<&str, (Vec<&str>, u64, u64)> = BTreeMap::new();
    for row in table.rows() {
        let part = parts.entry(&row.source).or_default();
        part.0.push(&row.group);
        *(if row.label == Label::Sheared { &mut part.1 } else { &mut part.2 }) += 1;
    }
    let count = |(source, (mut groups, sheared, tensile)): (&str, (Vec<&str>, u64, u64))| {
        groups.sort_unstable();
        groups.dedup();
        SourceCount { source: source.to_owned(), specimens: groups.len() as u64, sheared, tensile }
    };
    parts.into_iter().map(count).collect()
}
