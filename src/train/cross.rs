//! Cross-validation by groups: which fold each group is judged in, and what trees say of ends they have not seen.
//!
//! Groups are specimens (would another specimen be labelled right?) and picture families (would another light, renderer or
//! microscope?).

use super::fit::{Growth, Rows, grow};
use super::forest;
use super::prune::pruned;
use crate::settings::LabelSettings;
use crate::tree::shape::ShapeRule;
use rand::SeedableRng;
use rand::seq::SliceRandom;
use rand_chacha::ChaCha8Rng;
use rayon::prelude::*;

/// Fold of each row in one repeat; [`ALWAYS_LEARNT`] = in no fold.
pub type Folds = Vec<usize>;

/// Fold of rows that are learnt from in every fold and never judged.
pub const ALWAYS_LEARNT: usize = usize::MAX;

/// Number of folds.
pub fn n_folds(folds: &Folds) -> usize {
    folds.iter().filter(|f| **f != ALWAYS_LEARNT).max().map_or(0, |m| m + 1)
}

/// Least share of the ends of either class that must stay when a picture family is left out: what is learnt from less says
/// nothing of the model that learns from all.
const LEAST_LEFT: f64 = 0.25;

/// Folds that leave out one picture family each: first by instrument (the part of the name before the slash), then, where
/// that differs, by instrument and light. Families without which too little is left are never judged; a kind of which fewer
/// than two can be judged gives no folds.
pub fn family_folds(families: &[&str], classes: &[usize]) -> Vec<Folds> {
    let instruments: Vec<&str> = families.iter().map(|f| instrument(f)).collect();
    let (coarse, fine) = (numbered(&instruments), numbered(families));
    let mut out = vec![coarse];
    if out[0] != fine {
        out.push(fine);
    }
    out.into_iter().filter_map(|folds| judgeable(folds, classes)).collect()
}

/// Marks families without which too little is left; `None` when fewer than two remain to be judged.
fn judgeable(mut folds: Folds, classes: &[usize]) -> Option<Folds> {
    let count = |fold: Option<usize>, class: usize| -> f64 {
        let of = |r: &usize| classes[*r] == class && fold.is_none_or(|f| folds[*r] == f);
        (0..folds.len()).filter(of).count() as f64
    };
    let n_classes = classes.iter().max().map_or(0, |m| m + 1);
    let leaves_enough =
        |fold: usize| (0..n_classes).all(|class| count(Some(fold), class) <= (1.0 - LEAST_LEFT) * count(None, class));
    let kept: Vec<bool> = (0..n_folds(&folds)).map(leaves_enough).collect();
    for fold in &mut folds {
        if !kept[*fold] {
            *fold = ALWAYS_LEARNT;
        }
    }
    (2 <= kept.into_iter().filter(|k| *k).count()).then_some(folds)
}

/// `braid` of `braid/sem`.
pub fn instrument(family: &str) -> &str {
    family.split('/').next().unwrap_or(family)
}

/// Position of each name among the distinct ones, ascending.
fn numbered(names: &[&str]) -> Vec<usize> {
    let mut distinct = names.to_vec();
    distinct.sort_unstable();
    distinct.dedup();
    names.iter().map(|n| distinct.partition_point(|d| d < n)).collect()
}

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

/// How far a grown tree is cut back, and how its counts become a probability.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Variant {
    /// Penalty per leaf.
    pub penalty: f64,
    /// Counts -> probability.
    pub rule: ShapeRule,
}

/// What grows in each fold.
#[derive(Debug, Clone, Copy)]
pub enum Grown<'a> {
    /// One tree, in each of these variants.
    Tree(&'a [Variant]),
    /// A forest, with this rule.
    Forest(ShapeRule),
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

/// Raw probabilities of ends by trees that had not seen their group: for each variant (one for a forest), one value per row.
pub fn unseen(plan: Plan<'_>, folds: &Folds, grown: Grown<'_>) -> Vec<Vec<f64>> {
    let n_folds = n_folds(folds);
    let n_out = match grown {
        Grown::Tree(variants) => variants.len(),
        Grown::Forest(_) => 1,
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
    match grown {
        Grown::Tree(variants) => {
            let tree = grow(rows, learnt, tree_growth(settings), &mut ChaCha8Rng::seed_from_u64(settings.seed));
            let p_of = |variant: &Variant| {
                let tree = pruned(&tree, variant.penalty);
                judged.iter().map(|&r| variant.rule.p_first(&tree, &rows.values[r])).collect()
            };
            variants.iter().map(p_of).collect()
        }
        Grown::Forest(rule) => {
            let trees = forest::grow_forest(rows, learnt, settings, fold as u64);
            let p_of = |first| judged.iter().map(|&r| rule.p_of_trees(first, &trees, &rows.values[r])).collect();
            trees.first().map(p_of).into_iter().collect()
        }
    }
}

/// How the single tree grows.
pub fn tree_growth(settings: &LabelSettings) -> Growth {
    Growth { max_depth: settings.max_depth, min_leaf: settings.min_leaf, features_per_split: None, midway: true }
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
    fn families_are_left_out_by_instrument_and_by_light() {
        let families = ["braid/sem", "braid/ring", "real", "wide", "braid/sem", "braid/ring", "real", "wide"];
        let classes = [0, 0, 0, 0, 1, 1, 1, 1];
        let expected = [vec![0, 0, 1, 2, 0, 0, 1, 2], vec![1, 0, 2, 3, 1, 0, 2, 3]];
        assert_eq!(family_folds(&families, &classes), expected);
        assert_eq!(family_folds(&["a/x", "a/y"], &[0, 1]), Vec::<Folds>::new());
        assert_eq!(family_folds(&["a", "b", "a", "b"], &[0, 0, 1, 1]), [vec![0, 1, 0, 1]]);
        assert!(family_folds(&["a", "a"], &[0, 1]).is_empty() && family_folds(&[], &[]).is_empty());
    }

    #[test]
    fn a_family_without_which_little_is_left_is_never_judged() {
        // Of ten ends of each class eight are of family a: without it there is too little to learn from.
        let families: Vec<&str> = (0..20)
            .map(|i| {
                if i % 10 < 8 {
                    "a"
                } else if i % 10 == 8 {
                    "b"
                } else {
                    "c"
                }
            })
            .collect();
        let classes: Vec<usize> = (0..20).map(|i| usize::from(10 <= i)).collect();
        let folds = family_folds(&families, &classes);
        assert!((0..20).all(|r| (folds[0][r] == ALWAYS_LEARNT) == (families[r] == "a")));
        assert_eq!(n_folds(&folds[0]), 3);
    }

    #[test]
    fn one_group_cannot_be_judged() {
        assert!(folds(&[0, 0, 0], &LabelSettings::default()).is_empty());
        assert!(folds(&[], &LabelSettings::default()).is_empty());
        assert_eq!(folds(&[0, 1, 1], &LabelSettings::default())[0].iter().max(), Some(&1));
    }
}
