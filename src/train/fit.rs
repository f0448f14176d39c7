//! Growing one tree: rows of features with classes and weights -> [`Node`].
//!
//! The split of each node is searched by linfa-trees; everything else is ours, for reasons that its version 0.8 gives:
//! - it cuts between neighbours of the whole table, not of the node, and skips a cut when an equal value sits in another
//!   branch; so every node is fitted on its own rows, one question deep;
//! - it takes values closer than 1e-5 as equal whatever their unit; so it is given ranks, and thresholds are taken
//!   between the real values;
//! - it knows no missing values; so a feature with gaps is offered twice, with the gaps at its low and at its high end,
//!   and the better one says where gaps go;
//! - it keeps no class counts and predicts with `<` what it trained with `<=`; so counts are taken from the rows that
//!   arrive, and [`side`] decides everywhere.

use crate::tree::node::{Node, Side, gini, side};
use linfa::DatasetBase;
use linfa::traits::Fit;
use linfa_trees::DecisionTree;
use ndarray::{Array1, Array2};
use rand::Rng;
use rand_chacha::ChaCha8Rng;

/// Rows to learn from.
#[derive(Debug, Clone, PartialEq)]
pub struct Rows {
    /// Values of each row, in feature order; `None` = missing.
    pub values: Vec<Vec<Option<f64>>>,
    /// Class of each row, from 0.
    pub classes: Vec<usize>,
    /// Weight of each row; use [`tidy_weight`].
    pub weights: Vec<f64>,
    /// Number of classes.
    pub n_classes: usize,
}

/// How far to grow.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Growth {
    /// Most questions from root to leaf.
    pub max_depth: usize,
    /// Smallest weight in a leaf, at least 1/16.
    pub min_leaf: f64,
    /// Features drawn anew for each question; `None` = all.
    pub features_per_split: Option<usize>,
    /// Thresholds lie midway between values; otherwise on the lower value (for values cut into steps, where each stands
    /// for the top of its step).
    pub midway: bool,
}

/// Largest weight of one row.
pub(super) const MAX_WEIGHT: f64 = 1000.0;
/// Weights are multiples of this, so that linfa-trees' running sums in `f32` stay exact up to a million rows.
const WEIGHT_STEP: f64 = 1.0 / 16.0;

/// A weight as the fit can use it: a multiple of 1/16 between 1/16 and 1000.
pub fn tidy_weight(weight: f64) -> f64 {
    let steps = (weight.clamp(WEIGHT_STEP, MAX_WEIGHT) / WEIGHT_STEP).round();
    if steps.is_finite() { steps * WEIGHT_STEP } else { 1.0 }
}

impl Rows {
    /// Number of rows.
    pub fn len(&self) -> usize {
        self.classes.len()
    }

    /// Whether there are none.
    pub fn is_empty(&self) -> bool {
        self.classes.is_empty()
    }

    /// Number of features.
    pub fn n_features(&self) -> usize {
        self.values.first().map_or(0, Vec::len)
    }

    /// Weight of each class among the picked rows.
    pub fn counts(&self, picked: &[usize]) -> Vec<f64> {
        let mut counts = vec![0.0; self.n_classes];
        for &row in picked {
            counts[self.classes[row]] += self.weights[row];
        }
        counts
    }

    /// Weights that sum to the number of rows, in equal parts for each class that is there: what a probability says must
    /// not depend on which class was labelled more often.
    pub fn balanced_weights(&self) -> Vec<f64> {
        let all: Vec<usize> = (0..self.len()).collect();
        let counts = self.counts(&all);
        let present = counts.iter().filter(|c| 0.0 < **c).count().max(1) as f64;
        let share = self.len() as f64 / present;
        self.classes.iter().zip(&self.weights).map(|(&class, weight)| weight * share / counts[class]).collect()
    }

    /// The same rows with every feature cut into at most `steps` steps of equal count, each value moved to the top of
    /// its step: forests search faster on them.
    pub fn in_steps(&self, steps: usize) -> Self {
        let mut out = self.clone();
        for f in 0..self.n_features() {
            let mut sorted: Vec<f64> = self.values.iter().filter_map(|v| v[f]).collect();
            sorted.sort_by(f64::total_cmp);
            if sorted.is_empty() {
                continue;
            }
            let mut tops: Vec<f64> =
                (1..=steps).map(|s| sorted[(s * sorted.len()).div_ceil(steps).min(sorted.len()) - 1]).collect();
            tops.dedup();
            for value in &mut out.values {
                value[f] = value[f].map(|v| tops[tops.partition_point(|t| *t < v).min(tops.len() - 1)]);
            }
        }
        out
    }
}

/// Grows a tree on the picked rows (a row may be picked more than once only through its weight). `rng` draws features
/// when [`Growth::features_per_split`] is set.
pub fn grow(rows: &Rows, picked: &[usize], growth: Growth, rng: &mut ChaCha8Rng) -> Node {
    grow_from(rows, picked, growth, rng, 0)
}

fn grow_from(rows: &Rows, picked: &[usize], growth: Growth, rng: &mut ChaCha8Rng, depth: usize) -> Node {
    let counts = rows.counts(picked);
    let weight: f64 = counts.iter().sum();
    let done = growth.max_depth <= depth || weight < 2.0 * growth.min_leaf || gini(&counts) <= 0.0;
    let cut = if done { None } else { best_cut(rows, picked, growth, rng) };
    let Some(cut) = cut else { return Node::Leaf { counts } };
    let (low, high): (Vec<usize>, Vec<usize>) =
        picked.iter().partition(|&&r| side(rows.values[r][cut.feature], cut.threshold, cut.missing_goes) == Side::Low);
    let missing_goes = if cut.gaps {
        cut.missing_goes
    } else {
        // Nothing was missing here in training: a later gap follows the larger part, low first.
        let weight_of = |part: &[usize]| rows.counts(part).iter().sum::<f64>();
        if weight_of(&low) < weight_of(&high) { Side::High } else { Side::Low }
    };
    Node::Split {
        feature: cut.feature,
        threshold: cut.threshold,
        spread: spread(picked.iter().filter_map(|&r| rows.values[r][cut.feature]).collect()),
        missing_goes,
        counts,
        low: Box::new(grow_from(rows, &low, growth, rng, depth + 1)),
        high: Box::new(grow_from(rows, &high, growth, rng, depth + 1)),
    }
}

/// Interquartile range over 1.349, the standard deviation of a normal spread: robust against outliers.
fn spread(mut values: Vec<f64>) -> f64 {
    const NORMAL_QUARTILES: f64 = 1.349;
    if values.is_empty() {
        return 0.0;
    }
    values.sort_by(f64::total_cmp);
    let at = |share: f64| values[((values.len() - 1) as f64 * share).round() as usize];
    crate::table::tidy((at(0.75) - at(0.25)) / NORMAL_QUARTILES)
}

struct Cut {
    feature: usize,
    threshold: f64,
    missing_goes: Side,
    gaps: bool,
}

/// One column offered to the search: ranks of a feature, gaps put at one end.
struct Column {
    feature: usize,
    distinct: Vec<f64>,
    missing_goes: Side,
    gaps: bool,
}

fn best_cut(rows: &Rows, picked: &[usize], growth: Growth, rng: &mut ChaCha8Rng) -> Option<Cut> {
    let columns = columns(rows, picked, &drawn_features(rows.n_features(), growth.features_per_split, rng));
    if columns.is_empty() || picked.len() < 2 {
        return None;
    }
    let ranks = Array2::from_shape_fn((picked.len(), columns.len()), |(i, c)| {
        rank(rows.values[picked[i]][columns[c].feature], &columns[c])
    });
    let classes: Array1<usize> = picked.iter().map(|&r| rows.classes[r]).collect();
    let weights: Array1<f32> = picked.iter().map(|&r| rows.weights[r] as f32).collect();
    let data = DatasetBase::new(ranks, classes).with_weights(weights);
    // linfa-trees asks for a positive gain; half a rounding step of its `f32` sums is no gain.
    let stump = DecisionTree::params()
        .max_depth(Some(1))
        .min_weight_split(2.0)
        .min_weight_leaf(growth.min_leaf.max(WEIGHT_STEP) as f32)
        .min_impurity_decrease(f64::from(f32::EPSILON))
        .fit(&data)
        .ok()?;
    // Its own pruning drops questions whose two answers share a majority; the question itself stays readable.
    let (column, rank, gain) = stump.root_node().split();
    if gain < f64::from(f32::EPSILON) {
        return None;
    }
    let column = &columns[column];
    let below = (rank.floor().max(0.0) as usize).min(column.distinct.len() - 2);
    let (a, b) = (column.distinct[below], column.distinct[below + 1]);
    let threshold = if growth.midway { midway(a, b) } else { a };
    Some(Cut { feature: column.feature, threshold, missing_goes: column.missing_goes, gaps: column.gaps })
}

/// The features to search, ascending.
fn drawn_features(n: usize, wanted: Option<usize>, rng: &mut ChaCha8Rng) -> Vec<usize> {
    let mut all: Vec<usize> = (0..n).collect();
    let Some(wanted) = wanted.map(|w| w.clamp(1, n.max(1))) else { return all };
    for i in 0..wanted.min(n) {
        let j = rng.random_range(i..n);
        all.swap(i, j);
    }
    all.truncate(wanted);
    all.sort_unstable();
    all
}

fn columns(rows: &Rows, picked: &[usize], features: &[usize]) -> Vec<Column> {
    let mut columns = Vec::new();
    for &feature in features {
        let mut distinct: Vec<f64> = picked.iter().filter_map(|&r| rows.values[r][feature]).collect();
        let gaps = distinct.len() < picked.len();
        distinct.sort_by(f64::total_cmp);
        distinct.dedup();
        if distinct.len() < 2 {
            continue;
        }
        if gaps {
            columns.push(Column { feature, distinct: distinct.clone(), missing_goes: Side::Low, gaps });
        }
        columns.push(Column { feature, distinct, missing_goes: Side::High, gaps });
    }
    columns
}

/// Position of a value among the distinct ones. Gaps share the rank of one end, so that no question asks for them alone.
fn rank(value: Option<f64>, column: &Column) -> f64 {
    let position = match (value, column.missing_goes) {
        (Some(v), _) => column.distinct.partition_point(|d| *d < v),
        (None, Side::Low) => 0,
        (None, Side::High) => column.distinct.len() - 1,
    };
    position as f64
}

/// A short number `t` with `a <= t < b`, near the middle.
fn midway(a: f64, b: f64) -> f64 {
    let middle = a + (b - a) / 2.0;
    for digits in 5..17 {
        let short: f64 = format!("{middle:.digits$e}").parse().unwrap_or(middle);
        if a <= short && short < b {
            return short;
        }
    }
    if a <= middle && middle < b { middle } else { a }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;
    use rand::SeedableRng;

    const PLAIN: Growth = Growth { max_depth: 8, min_leaf: 1.0, features_per_split: None, midway: true };

    fn rows(values: &[(Option<f64>, usize)]) -> Rows {
        Rows {
            values: values.iter().map(|v| vec![v.0]).collect(),
            classes: values.iter().map(|v| v.1).collect(),
            weights: vec![1.0; values.len()],
            n_classes: 2,
        }
    }

    fn tree(rows: &Rows, growth: Growth) -> Node {
        let all: Vec<usize> = (0..rows.len()).collect();
        grow(rows, &all, growth, &mut ChaCha8Rng::seed_from_u64(0))
    }

    #[test]
    fn a_separable_pair_is_cut_midway() {
        let tree = tree(&rows(&[(Some(1.0), 0), (Some(2.0), 0), (Some(3.0), 1), (Some(4.0), 1)]), PLAIN);
        let Node::Split { threshold, counts, low, high, .. } = &tree else { panic!("no split: {tree:?}") };
        assert_eq!(*threshold, 2.5);
        assert_eq!(counts, &[2.0, 2.0]);
        assert_eq!((low.counts(), high.counts()), (&[2.0, 0.0][..], &[0.0, 2.0][..]));
    }

    #[test]
    fn one_class_or_no_rows_is_a_leaf() {
        assert_eq!(tree(&rows(&[(Some(1.0), 1), (Some(2.0), 1)]), PLAIN), Node::Leaf { counts: vec![0.0, 2.0] });
        assert_eq!(tree(&rows(&[]), PLAIN), Node::Leaf { counts: vec![0.0, 0.0] });
        assert_eq!(tree(&rows(&[(None, 0), (None, 1)]), PLAIN), Node::Leaf { counts: vec![1.0, 1.0] });
    }

    #[test]
    fn values_closer_than_linfas_absolute_limit_are_told_apart() {
        let tree = tree(&rows(&[(Some(1e-9), 0), (Some(2e-9), 0), (Some(3e-9), 1), (Some(4e-9), 1)]), PLAIN);
        assert_eq!(tree.n_leaves(), 2);
    }

    #[test]
    fn gaps_go_where_they_belong() {
        let high = [(Some(1.0), 0), (Some(2.0), 0), (Some(3.0), 1), (Some(4.0), 1), (None, 1), (None, 1)];
        let Node::Split { missing_goes, .. } = tree(&rows(&high), PLAIN) else { panic!("no split") };
        assert_eq!(missing_goes, Side::High);
        let low = [(Some(1.0), 0), (Some(2.0), 0), (Some(3.0), 1), (Some(4.0), 1), (None, 0), (None, 0)];
        let Node::Split { missing_goes, low, .. } = tree(&rows(&low), PLAIN) else { panic!("no split") };
        assert_eq!(missing_goes, Side::Low);
        assert_eq!(low.counts(), [4.0, 0.0]);
    }

    #[test]
    fn leaves_keep_their_smallest_weight() {
        let data = rows(&[(Some(1.0), 1), (Some(2.0), 0), (Some(3.0), 0), (Some(4.0), 0)]);
        assert_eq!(tree(&data, Growth { min_leaf: 2.0, ..PLAIN }).n_leaves(), 2);
        assert_eq!(tree(&data, Growth { min_leaf: 3.0, ..PLAIN }).n_leaves(), 1);
    }

    #[test]
    fn weights_are_tidied() {
        for (weight, tidy) in [(1.0, 1.0), (0.3, 0.3125), (0.0, 0.0625), (-4.0, 0.0625), (1e9, 1000.0), (f64::NAN, 1.0)]
        {
            assert_eq!(tidy_weight(weight), tidy, "{weight}");
        }
    }

    #[test]
    fn steps_keep_order_and_missing_values() {
        let data = rows(&[(Some(5.0), 0), (Some(1.0), 0), (None, 1), (Some(3.0), 1), (Some(9.0), 1)]);
        let cut = data.in_steps(2);
        let values: Vec<_> = cut.values.iter().map(|v| v[0]).collect();
        assert_eq!(values, [Some(9.0), Some(3.0), None, Some(3.0), Some(9.0)]);
    }

    /// The slow obvious search over every feature and every cut, for rows without gaps.
    fn best_gain(rows: &Rows) -> f64 {
        let all: Vec<usize> = (0..rows.len()).collect();
        let total = rows.len() as f64;
        let mut best = 0.0_f64;
        for f in 0..rows.n_features() {
            for cut in &rows.values {
                let (low, high): (Vec<usize>, Vec<usize>) = all.iter().partition(|&&r| rows.values[r][f] <= cut[f]);
                if low.is_empty() || high.is_empty() {
                    continue;
                }
                let left = gini(&rows.counts(&low)) * low.len() as f64 / total;
                let right = gini(&rows.counts(&high)) * high.len() as f64 / total;
                best = best.max(gini(&rows.counts(&all)) - left - right);
            }
        }
        best
    }

    fn gain_of(rows: &Rows, tree: &Node) -> f64 {
        let Node::Split { counts, low, high, .. } = tree else { return 0.0 };
        let total = rows.len() as f64;
        gini(counts) - gini(low.counts()) * low.weight() / total - gini(high.counts()) * high.weight() / total
    }

    proptest! {
        #[test]
        fn the_first_cut_is_as_good_as_the_best_of_all(
            values in prop::collection::vec((0_u8..6, 0_u8..6, 0_usize..2), 2..24)
        ) {
            let rows = Rows {
                values: values.iter().map(|v| vec![Some(f64::from(v.0)), Some(f64::from(v.1))]).collect(),
                classes: values.iter().map(|v| v.2).collect(),
                weights: vec![1.0; values.len()],
                n_classes: 2,
            };
            let stump = tree(&rows, Growth { max_depth: 1, ..PLAIN });
            prop_assert!((gain_of(&rows, &stump) - best_gain(&rows)).abs() < 1e-6);
        }

        #[test]
        fn a_threshold_lies_between_its_neighbours(a in -1e6_f64..1e6, gap in 1e-12_f64..1e3) {
            let b = a + gap;
            prop_assume!(a < b);
            let t = midway(a, b);
            prop_assert!(a <= t && t < b);
        }
    }
}
