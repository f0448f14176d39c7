//! Cross-validation by groups: which fold each group is judged in, and what trees say of ends they have not seen.

use super::fit::{Growth, Rows, grow};
use super::forest;
use super::prune::pruned;
use crate::settings::LabelSettings;
use crate::tree::model::{Smoothing, raw_p_sheared};
use rand::SeedableRng;
use rand::seq::SliceRandom;
use rand_chacha::ChaCha8Rng;
use rayon::prelude::*;

/// Fold of each row in one repeat.
pub type Folds = Vec<usize>;

/// Folds of every repeat: groups in random order, each into the fold with the fewest ends so far.
pub fn folds(groups: &[usize], settings: &LabelSettings) -> Vec<Folds> {
    let n_groups = groups.iter().max().map_or(0, |m| m + 1);
    let n_folds = settings.folds.min(n_groups);
    if n_folds < 2 {
        return Vec::new();
    }
    let mut sizes = vec![0usize; n_groups];
    for &g in groups {
        sizes[g] += 1;
    }
    (0..settings.repeats)
        .map(|repeat| {
            let mut rng = ChaCha8Rng::seed_from_u64(settings.seed);
            rng.set_stream(repeat as u64);
            let mut order: Vec<usize> = (0..n_groups).collect();
            order.shuffle(&mut rng);
            let mut filled = vec![0usize; n_folds];
            let mut fold_of = vec![0usize; n_groups];
            for g in order {
                let fold = (0..n_folds).min_by_key(|&f| filled[f]).unwrap_or(0);
                fold_of[g] = fold;
                filled[fold] += sizes[g];
            }
            groups.iter().map(|&g| fold_of[g]).collect()
        })
        .collect()
}

/// What grows in each fold.
#[derive(Debug, Clone, Copy)]
pub enum Grown<'a> {
    /// One tree, pruned with each of these penalties.
    Tree(&'a [f64]),
    /// A forest.
    Forest,
}

/// How to grow, the same in every fold.
#[derive(Debug, Clone, Copy)]
pub struct Plan<'a> {
    /// All rows.
    pub rows: &'a Rows,
    /// Settings.
    pub settings: &'a LabelSettings,
    /// Share of the groups of each fold's training part that is used, 0..1 (learning curve).
    pub share: f64,
    /// Group of each row.
    pub groups: &'a [usize],
}

/// Raw probabilities of ends by trees that had not seen their group: for each penalty (one for a forest), one value per row.
pub fn unseen(plan: Plan<'_>, folds: &Folds, grown: Grown<'_>) -> Vec<Vec<f64>> {
    let n_folds = folds.iter().max().map_or(0, |m| m + 1);
    let n_out = match grown {
        Grown::Tree(penalties) => penalties.len(),
        Grown::Forest => 1,
    };
    let parts: Vec<(Vec<usize>, Vec<Vec<f64>>)> = (0..n_folds)
        .into_par_iter()
        .map(|fold| {
            let judged: Vec<usize> = (0..folds.len()).filter(|&r| folds[r] == fold).collect();
            let learnt = learnt_rows(plan, folds, fold);
            let p = judge(plan, &learnt, &judged, grown, fold);
            (judged, p)
        })
        .collect();
    let mut out = vec![vec![0.5; folds.len()]; n_out];
    for (judged, p) in parts {
        for (k, values) in p.into_iter().enumerate() {
            for (&row, value) in judged.iter().zip(values) {
                out[k][row] = value;
            }
        }
    }
    out
}

/// Rows of the other folds; only the first groups of a fixed random order when the plan asks for a share.
fn learnt_rows(plan: Plan<'_>, folds: &Folds, fold: usize) -> Vec<usize> {
    let others: Vec<usize> = (0..folds.len()).filter(|&r| folds[r] != fold).collect();
    if 1.0 <= plan.share {
        return others;
    }
    let mut groups: Vec<usize> = others.iter().map(|&r| plan.groups[r]).collect();
    groups.sort_unstable();
    groups.dedup();
    let mut rng = ChaCha8Rng::seed_from_u64(plan.settings.seed);
    rng.set_stream(fold as u64);
    groups.shuffle(&mut rng);
    groups.truncate(((groups.len() as f64 * plan.share).round() as usize).max(1));
    others.into_iter().filter(|&r| groups.contains(&plan.groups[r])).collect()
}

fn judge(plan: Plan<'_>, learnt: &[usize], judged: &[usize], grown: Grown<'_>, fold: usize) -> Vec<Vec<f64>> {
    let (rows, settings) = (plan.rows, plan.settings);
    let smoothing = smoothing(rows, learnt, settings);
    let p_of = |tree: &_, trees: &[_]| -> Vec<f64> {
        judged.iter().map(|&r| raw_p_sheared(tree, trees, smoothing, &rows.values[r])).collect()
    };
    match grown {
        Grown::Tree(penalties) => {
            let tree = grow(rows, learnt, tree_growth(settings), &mut ChaCha8Rng::seed_from_u64(settings.seed));
            penalties.iter().map(|&alpha| p_of(&pruned(&tree, alpha), &[])).collect()
        }
        Grown::Forest => {
            let trees = forest::grow_forest(rows, learnt, settings, fold as u64);
            trees.first().map(|first| p_of(first, &trees)).into_iter().collect()
        }
    }
}

/// How the single tree grows.
pub fn tree_growth(settings: &LabelSettings) -> Growth {
    Growth { max_depth: settings.max_depth, min_leaf: settings.min_leaf, features_per_split: None, midway: true }
}

/// Smoothing towards the base rate of the picked rows.
pub fn smoothing(rows: &Rows, picked: &[usize], settings: &LabelSettings) -> Smoothing {
    let counts = rows.counts(picked);
    let total: f64 = counts.iter().sum();
    let base_rate = if 0.0 < total { counts[0] / total } else { 0.5 };
    Smoothing { weight: settings.smoothing, base_rate }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_group_is_never_split_and_folds_are_alike_in_size() {
        let groups: Vec<usize> = (0..200).map(|i| i / 10).collect();
        let settings = LabelSettings::default();
        let repeats = folds(&groups, &settings);
        assert_eq!(repeats.len(), settings.repeats);
        for folds in &repeats {
            for g in 0..20 {
                let of: Vec<usize> = (0..200).filter(|&r| groups[r] == g).map(|r| folds[r]).collect();
                assert!(of.windows(2).all(|w| w[0] == w[1]));
            }
            for f in 0..settings.folds {
                assert_eq!(folds.iter().filter(|&&x| x == f).count(), 40);
            }
        }
        assert_ne!(repeats[0], repeats[1]);
        assert_eq!(repeats, self::folds(&groups, &settings));
    }

    #[test]
    fn one_group_cannot_be_judged() {
        assert!(folds(&[0, 0, 0], &LabelSettings::default()).is_empty());
        assert!(folds(&[], &LabelSettings::default()).is_empty());
        assert_eq!(folds(&[0, 1, 1], &LabelSettings::default())[0].iter().max(), Some(&1));
    }
}
