//! How far the tree is cut back, how soft its thresholds are and how much its steps shrink: chosen on unseen ends.

use super::cross::{ALWAYS_LEARNT, Folds, Grown, Plan, Variant, n_folds, unseen};
use super::fit::Rows;
use super::prune::{penalties, pruned};
use crate::settings::LabelSettings;
use crate::tree::Node;
use crate::tree::shape::ShapeRule;

/// One step of pruning.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct PruneStep {
    /// Penalty per leaf.
    pub penalty: f64,
    /// Leaves of the tree of all ends under this penalty.
    pub leaves: usize,
    /// Mean log loss of the probabilities on unseen ends, both classes weighing the same.
    pub error: f64,
    /// Its standard error over folds.
    pub standard_error: f64,
}

/// The variant to use, and how its penalty was chosen.
#[derive(Debug, Clone, PartialEq)]
pub struct Chosen {
    /// Penalty and rule.
    pub variant: Variant,
    /// All penalties.
    pub pruning: Vec<PruneStep>,
}

/// Chooses the penalty with a middling rule first, then the rule with that penalty.
///
/// Folds by specimen and by family each weigh half where there are both.
pub fn choose(plan: Plan<'_>, folds: &[Folds], grown: &Node, by_family: &[Folds]) -> Chosen {
    let rules = rules(plan.settings);
    let middle = rules[rules.len() / 2];
    let grid: Vec<Variant> =
        penalty_grid(&penalties(grown)).into_iter().map(|penalty| Variant { penalty, rule: middle }).collect();
    let losses = losses(plan, folds, by_family, &grid);
    let steps: Vec<PruneStep> = grid
        .iter()
        .zip(&losses)
        .map(|(v, l)| PruneStep {
            penalty: v.penalty,
            leaves: pruned(grown, v.penalty).n_leaves(),
            error: l.mean,
            standard_error: l.standard_error,
        })
        .collect();
    let best = steps.iter().min_by(|a, b| a.error.total_cmp(&b.error));
    let limit = best.map_or(0.0, |b| b.error + plan.settings.prune_standard_errors * b.standard_error);
    let at = (0..steps.len()).rev().find(|&k| steps[k].error <= limit).unwrap_or(0);
    let penalty = steps.get(at).map_or(0.0, |s| s.penalty);
    let variants: Vec<Variant> = rules.into_iter().map(|rule| Variant { penalty, rule }).collect();
    let losses = self::losses(plan, folds, by_family, &variants);
    let best = (0..variants.len()).min_by(|&a, &b| losses[a].mean.total_cmp(&losses[b].mean)).unwrap_or(0);
    let variant =
        if folds.is_empty() && by_family.is_empty() { Variant { penalty, rule: middle } } else { variants[best] };
    Chosen { variant, pruning: steps }
}

/// Every pair of softness and shrinkage, ascending.
fn rules(settings: &LabelSettings) -> Vec<ShapeRule> {
    let pair = |&softness: &f64| settings.shrinkage.iter().map(move |&shrinkage| ShapeRule { softness, shrinkage });
    let all: Vec<ShapeRule> = settings.softness.iter().flat_map(pair).collect();
    if all.is_empty() { vec![ShapeRule { softness: 0.0, shrinkage: 0.0 }] } else { all }
}

/// Most penalties tried: cross-validation cannot tell finer steps apart.
const MAX_PENALTIES: usize = 24;

/// Geometric means of neighbouring penalties (Breiman et al. 1984, §3.4.2), thinned.
fn penalty_grid(found: &[f64]) -> Vec<f64> {
    let mut grid: Vec<f64> = found.windows(2).map(|w| (w[0] * w[1]).sqrt()).collect();
    grid.push(found.last().map_or(0.0, |a| a * 2.0));
    let step = grid.len().div_ceil(MAX_PENALTIES).max(1);
    let last = grid.len() - 1;
    grid.into_iter().enumerate().filter(|(i, _)| (last - i).is_multiple_of(step)).map(|(_, a)| a).collect()
}

struct Loss {
    mean: f64,
    standard_error: f64,
}

/// Loss of each variant on unseen ends.
fn losses(plan: Plan<'_>, folds: &[Folds], by_family: &[Folds], variants: &[Variant]) -> Vec<Loss> {
    let judge = |folds: &Folds| -> Vec<Vec<f64>> {
        let p = unseen(plan, folds, Grown::Tree(variants));
        p.iter().map(|p| fold_losses(plan.rows, folds, p)).collect()
    };
    let by_specimen: Vec<Vec<Vec<f64>>> = folds.iter().map(judge).collect();
    let by_family: Vec<Vec<Vec<f64>>> = by_family.iter().map(judge).collect();
    let one = |k: usize| {
        let specimens: Vec<f64> = by_specimen.iter().flat_map(|r| r[k].iter().copied()).collect();
        let families: Vec<f64> = by_family.iter().flat_map(|r| r[k].iter().copied()).collect();
        let own = mean(&specimens);
        let variance =
            specimens.iter().map(|e| (e - own).powi(2)).sum::<f64>() / (specimens.len() as f64 - 1.0).max(1.0);
        // Repeats share their ends: only the folds of one repeat count as independent.
        let independent = (specimens.len() as f64 / folds.len().max(1) as f64).max(1.0);
        let mean = match (specimens.is_empty(), families.is_empty()) {
            (false, false) => f64::midpoint(own, mean(&families)),
            (true, false) => mean(&families),
            _ => own,
        };
        Loss { mean, standard_error: (variance / independent).sqrt() }
    };
    (0..variants.len()).map(one).collect()
}

fn mean(values: &[f64]) -> f64 {
    values.iter().sum::<f64>() / values.len().max(1) as f64
}

/// Probabilities are held this far from 0 and 1 in the loss, so that one end cannot decide.
const LOSS_FLOOR: f64 = 0.002;

/// Weighted mean log loss in each fold, both classes of the whole table weighing the same.
fn fold_losses(rows: &Rows, folds: &Folds, p: &[f64]) -> Vec<f64> {
    let weights = rows.balanced_weights();
    let mut sums = vec![(0.0, 0.0); n_folds(folds)];
    for (row, &fold) in folds.iter().enumerate().filter(|(_, f)| **f != ALWAYS_LEARNT) {
        let right = if rows.classes[row] == 0 { p[row] } else { 1.0 - p[row] };
        sums[fold].0 -= weights[row] * right.clamp(LOSS_FLOOR, 1.0 - LOSS_FLOOR).ln();
        sums[fold].1 += weights[row];
    }
    sums.into_iter().filter(|s| 0.0 < s.1).map(|s| s.0 / s.1).collect()
}
