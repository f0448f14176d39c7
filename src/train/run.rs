//! Training as a whole: table + settings -> model and everything the model page tells.

use super::calibrate::{Seen, calibration_error, choose_band, fit_calibration};
use super::cross::{Folds, Grown, Plan, folds, smoothing, tree_growth, unseen};
use super::figures::Confusion;
use super::fit::{Rows, grow};
use super::forest::grow_forest;
use super::prune::{penalties, pruned};
use super::{TrainingTable, label_features};
use crate::measure::Feature;
use crate::settings::LabelSettings;
use crate::tree::model::{Calibration, Figures, ModelFeature, SourceCount, Training, UnclearBand, raw_p_sheared};
use crate::tree::{CLASSES, Label, Model};
use rand::SeedableRng;
use rand_chacha::ChaCha8Rng;
use std::collections::BTreeMap;

/// What labels.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum Kind {
    /// One tree.
    #[default]
    Tree,
    /// Many trees that vote; the single tree stays in the model to be read.
    Forest,
}

/// What to train.
#[derive(Debug, Clone, Default)]
pub struct Options {
    /// Name of the model, for people.
    pub name: String,
    /// What labels.
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
    /// Balanced accuracy on unseen specimens, nothing called unclear.
    pub balanced_accuracy: Option<f64>,
}

/// Figures of one source of labels or one specimen.
#[derive(Debug, Clone, PartialEq)]
pub struct SourceFigures {
    /// Source, or specimen.
    pub name: String,
    /// Truth against label on unseen ends, mean over repeats.
    pub confusion: Confusion,
}

/// One step of pruning.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct PruneStep {
    /// Penalty per leaf.
    pub penalty: f64,
    /// Leaves of the tree of all ends under this penalty.
    pub leaves: usize,
    /// Mean squared error of the probabilities on unseen ends.
    pub error: f64,
    /// Its standard error over folds.
    pub standard_error: f64,
}

/// A new model and how it came about.
#[derive(Debug, Clone)]
pub struct Trained {
    /// The model.
    pub model: Model,
    /// Truth against label on unseen ends, with the unclear band in use.
    pub confusion: Confusion,
    /// Calibrated probabilities on unseen ends, all repeats.
    pub seen: Vec<Seen>,
    /// By source of the labels.
    pub by_source: Vec<SourceFigures>,
    /// By specimen.
    pub by_group: Vec<SourceFigures>,
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
    let all: Vec<usize> = (0..rows.len()).collect();
    let (groups, names) = table.groups();
    let repeats = folds(&groups, settings);
    let plan = Plan { rows: &rows, settings, share: 1.0, groups: &groups };

    let grown = grow(&rows, &all, tree_growth(settings), &mut ChaCha8Rng::seed_from_u64(settings.seed));
    let grid = penalty_grid(&penalties(&grown));
    let tree_p: Vec<Vec<Vec<f64>>> = repeats.iter().map(|f| unseen(plan, f, Grown::Tree(&grid))).collect();
    let (chosen, pruning) = choose_penalty(&rows, &repeats, &tree_p, &grown, &grid, settings);
    let single: Vec<Vec<f64>> = tree_p.into_iter().map(|mut p| p.swap_remove(chosen)).collect();
    let forest_p: Vec<Vec<f64>> = forest_judged(plan, &repeats, options.kind);
    let raw = if options.kind == Kind::Forest { &forest_p } else { &single };

    let judged = Judged::new(&rows, &repeats, raw, settings);
    let tree = pruned(&grown, grid[chosen]);
    let forest =
        if options.kind == Kind::Forest { grow_forest(&rows, &all, settings, u64::from(u32::MAX)) } else { Vec::new() };
    let smoothing = smoothing(&rows, &all, settings);
    let (calibration, unclear) = if repeats.is_empty() {
        own_band(&rows, settings, |v| raw_p_sheared(&tree, &forest, smoothing, v))
    } else {
        judged.final_maps(settings)
    };
    let model = Model {
        name: options.name.clone(),
        features: features.iter().map(|f| ModelFeature { feature: f, range: range(table, f) }).collect(),
        tree,
        forest,
        smoothing,
        calibration,
        unclear,
        subtype: settings.subtype.clone(),
        training: Training { digest: table.digest(), sources: source_counts(table) },
        figures: figures(&rows, &repeats, &judged, [&single, &forest_p]),
    };
    let learning = learning_curve(plan, &repeats, grid[chosen]);
    let by_source = judged.by(&table.rows().iter().map(|r| r.source.as_str()).collect::<Vec<_>>());
    let by_group = judged.by(&groups.iter().map(|&g| names[g]).collect::<Vec<_>>());
    let warnings = warnings(table, &names, &repeats);
    Ok(Trained {
        confusion: Confusion::mean(&judged.confusions()),
        seen: judged.seen.concat(),
        model,
        by_source,
        by_group,
        pruning,
        learning,
        warnings,
    })
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

/// Most penalties tried: cross-validation cannot tell finer steps apart.
const MAX_PENALTIES: usize = 40;

/// Geometric means of neighbouring penalties (Breiman et al. 1984, §3.4.2), thinned.
fn penalty_grid(found: &[f64]) -> Vec<f64> {
    let mut grid: Vec<f64> = found.windows(2).map(|w| (w[0] * w[1]).sqrt()).collect();
    grid.push(found.last().map_or(0.0, |a| a * 2.0));
    let step = grid.len().div_ceil(MAX_PENALTIES).max(1);
    let last = grid.len() - 1;
    grid.into_iter().enumerate().filter(|(i, _)| (last - i).is_multiple_of(step)).map(|(_, a)| a).collect()
}

/// The largest penalty whose error on unseen ends is within so many standard errors of the best.
fn choose_penalty(
    rows: &Rows,
    repeats: &[Folds],
    p: &[Vec<Vec<f64>>],
    grown: &crate::tree::Node,
    grid: &[f64],
    settings: &LabelSettings,
) -> (usize, Vec<PruneStep>) {
    let steps: Vec<PruneStep> = grid
        .iter()
        .enumerate()
        .map(|(k, &penalty)| {
            let per_fold: Vec<f64> =
                repeats.iter().zip(p).flat_map(|(folds, values)| fold_errors(rows, folds, &values[k])).collect();
            let n = per_fold.len().max(1) as f64;
            let error = per_fold.iter().sum::<f64>() / n;
            let variance = per_fold.iter().map(|e| (e - error).powi(2)).sum::<f64>() / (n - 1.0).max(1.0);
            // Repeats share their ends: only the folds of one repeat count as independent.
            let independent = (n / repeats.len().max(1) as f64).max(1.0);
            let leaves = pruned(grown, penalty).n_leaves();
            PruneStep { penalty, leaves, error, standard_error: (variance / independent).sqrt() }
        })
        .collect();
    let best = steps.iter().min_by(|a, b| a.error.total_cmp(&b.error));
    let limit = best.map_or(0.0, |b| b.error + settings.prune_standard_errors * b.standard_error);
    let chosen = (0..steps.len()).rev().find(|&k| steps[k].error <= limit).unwrap_or(0);
    (chosen, steps)
}

/// Weighted mean squared error of the probabilities in each fold.
fn fold_errors(rows: &Rows, folds: &Folds, p: &[f64]) -> Vec<f64> {
    let n = folds.iter().max().map_or(0, |m| m + 1);
    let mut sums = vec![(0.0, 0.0); n];
    for (row, &fold) in folds.iter().enumerate() {
        let target = f64::from(u8::from(rows.classes[row] == 0));
        sums[fold].0 += rows.weights[row] * (p[row] - target).powi(2);
        sums[fold].1 += rows.weights[row];
    }
    sums.into_iter().filter(|s| 0.0 < s.1).map(|s| s.0 / s.1).collect()
}

/// Probabilities by forests; one repeat is enough when the forest is only compared.
fn forest_judged(plan: Plan<'_>, repeats: &[Folds], kind: Kind) -> Vec<Vec<f64>> {
    let n = if kind == Kind::Forest { repeats.len() } else { repeats.len().min(1) };
    repeats[..n].iter().map(|f| unseen(plan, f, Grown::Forest).swap_remove(0)).collect()
}

/// Labels of unseen ends: calibration and band of each fold come from the other folds.
struct Judged<'a> {
    rows: &'a Rows,
    raw: Vec<Vec<Seen>>,
    seen: Vec<Vec<Seen>>,
    said: Vec<Vec<Label>>,
}

impl<'a> Judged<'a> {
    fn new(rows: &'a Rows, repeats: &[Folds], raw: &[Vec<f64>], settings: &LabelSettings) -> Self {
        let mut out = Self { rows, raw: Vec::new(), seen: Vec::new(), said: Vec::new() };
        for (folds, p) in repeats.iter().zip(raw) {
            let raw: Vec<Seen> =
                p.iter().enumerate().map(|(r, &p)| Seen { p, sheared: rows.classes[r] == 0 }).collect();
            let (mut seen, mut said) = (raw.clone(), vec![Label::Unclear; raw.len()]);
            for fold in 0..folds.iter().max().map_or(0, |m| m + 1) {
                let others: Vec<Seen> = (0..raw.len()).filter(|&r| folds[r] != fold).map(|r| raw[r]).collect();
                let (map, band) = maps(&others, settings);
                for r in (0..raw.len()).filter(|&r| folds[r] == fold) {
                    seen[r].p = map.apply(raw[r].p);
                    said[r] = band.label(seen[r].p);
                }
            }
            out.raw.push(raw);
            out.seen.push(seen);
            out.said.push(said);
        }
        out
    }

    fn final_maps(&self, settings: &LabelSettings) -> (Calibration, UnclearBand) {
        maps(&self.raw.concat(), settings)
    }

    fn truth(&self, row: usize) -> Label {
        CLASSES[self.rows.classes[row]]
    }

    fn confusions(&self) -> Vec<Confusion> {
        let count = |said: &Vec<Label>| {
            let mut table = Confusion::default();
            said.iter().enumerate().for_each(|(r, &s)| table.add(self.truth(r), s));
            table
        };
        self.said.iter().map(count).collect()
    }

    /// Mean confusion of each named part, in order of names.
    fn by(&self, names: &[&str]) -> Vec<SourceFigures> {
        let mut parts: BTreeMap<&str, Vec<Confusion>> = BTreeMap::new();
        for (repeat, said) in self.said.iter().enumerate() {
            for (row, &label) in said.iter().enumerate() {
                let tables = parts.entry(names[row]).or_insert_with(|| vec![Confusion::default(); self.said.len()]);
                tables[repeat].add(self.truth(row), label);
            }
        }
        let mean = |(name, tables): (&str, Vec<Confusion>)| SourceFigures {
            name: name.to_owned(),
            confusion: Confusion::mean(&tables),
        };
        parts.into_iter().map(mean).collect()
    }
}

fn maps(raw: &[Seen], settings: &LabelSettings) -> (Calibration, UnclearBand) {
    let map = fit_calibration(raw, None);
    let calibrated: Vec<Seen> = raw.iter().map(|s| Seen { p: map.apply(s.p), ..*s }).collect();
    (map, choose_band(&calibrated, settings.max_unclear, settings.accepted_error))
}

/// Without groups to judge by there is only the training data itself: probabilities stay as smoothed.
fn own_band(rows: &Rows, settings: &LabelSettings, p: impl Fn(&[Option<f64>]) -> f64) -> (Calibration, UnclearBand) {
    let seen: Vec<Seen> =
        (0..rows.len()).map(|r| Seen { p: p(&rows.values[r]), sheared: rows.classes[r] == 0 }).collect();
    (Calibration::NONE, choose_band(&seen, settings.max_unclear, settings.accepted_error))
}

/// Balanced accuracy with a verdict on every end, mean over repeats.
fn without_unclear(rows: &Rows, repeats: &[Vec<f64>]) -> Option<f64> {
    let one = |p: &Vec<f64>| {
        let mut table = Confusion::default();
        for (row, &p) in p.iter().enumerate() {
            table.add(CLASSES[rows.classes[row]], if 0.5 <= p { Label::Sheared } else { Label::Tensile });
        }
        table.balanced_accuracy()
    };
    let values: Vec<f64> = repeats.iter().filter_map(one).collect();
    (!values.is_empty()).then(|| crate::table::tidy(values.iter().sum::<f64>() / values.len() as f64))
}

fn figures(rows: &Rows, repeats: &[Folds], judged: &Judged<'_>, [single, forest]: [&[Vec<f64>]; 2]) -> Figures {
    let Some(first) = repeats.first() else { return Figures::default() };
    let mean = Confusion::mean(&judged.confusions());
    let tidy = |v: Option<f64>| v.map(crate::table::tidy);
    Figures {
        folds: first.iter().max().map_or(0, |m| *m as u32 + 1),
        repeats: repeats.len() as u32,
        sensitivity: mean.sensitivity(),
        specificity: mean.specificity(),
        n_unclear: mean.n_unclear(),
        balanced_accuracy: tidy(mean.balanced_accuracy()),
        kappa: tidy(mean.kappa()),
        calibration_error: tidy(calibration_error(&judged.seen.concat())),
        tree_without_unclear: without_unclear(rows, single),
        forest_without_unclear: without_unclear(rows, forest),
    }
}

/// Shares of the specimens at which the learning curve is taken.
const LEARNING_SHARES: [f64; 5] = [0.1, 0.25, 0.5, 0.75, 1.0];

fn learning_curve(plan: Plan<'_>, repeats: &[Folds], penalty: f64) -> Vec<Learning> {
    let Some(folds) = repeats.first() else { return Vec::new() };
    let point = |&share: &f64| {
        let p = unseen(Plan { share, ..plan }, folds, Grown::Tree(&[penalty]));
        Learning { share, balanced_accuracy: without_unclear(plan.rows, &p) }
    };
    LEARNING_SHARES.iter().map(point).collect()
}

fn range(table: &TrainingTable, feature: &Feature) -> Option<(f64, f64)> {
    let values = table.rows().iter().filter_map(|r| r.features.get(feature.name));
    values.fold(None, |range, v| match range {
        None => Some((v, v)),
        Some((low, high)) => Some((f64::min(low, v), f64::max(high, v))),
    })
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

/// Fewest ends of a label that say anything.
const FEW_ENDS: usize = 20;
/// Fewest specimens whose figures can be trusted.
const FEW_SPECIMENS: usize = 5;

fn warnings(table: &TrainingTable, names: &[&str], repeats: &[Folds]) -> Vec<String> {
    let mut out = Vec::new();
    if repeats.is_empty() {
        out.push("all labels come from one specimen: nothing can be said about other specimens".to_owned());
    } else if names.len() < FEW_SPECIMENS {
        out.push(format!("only {} specimens: the figures are rough", names.len()));
    }
    for label in CLASSES {
        let n = table.count(label);
        if n < FEW_ENDS {
            out.push(format!("only {n} {} ends: label more of them", label.word()));
        }
    }
    out
}
