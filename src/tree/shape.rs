//! The shape witness: feature values through a tree -> a probability that moves with the evidence.
//!
//! Two published remedies for trees that say the same of every end in a leaf, and too much of small leaves:
//! - soft thresholds (Quinlan 1987, the probabilistic thresholds of C4.5): near a threshold an end goes both ways, in shares
//!   that follow its distance from the threshold;
//! - hierarchical shrinkage (Agarwal et al. 2022): every step down the path moves the probability, the less the fewer
//!   training ends met the question before it.

use super::node::{Node, Side};
use serde::{Deserialize, Serialize};

/// How counts along the paths of a tree become a probability of the first class.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct ShapeRule {
    /// Softness of thresholds, in spreads of the feature at the question; 0 = hard.
    pub softness: f64,
    /// Training ends at which a step down the path counts half; 0 = whole steps.
    pub shrinkage: f64,
}

/// Ratio of the logistic to the normal scale at which their distribution functions differ least (Johnson and Kotz 1970).
const LOGISTIC_PER_NORMAL: f64 = 1.702;
/// Log odds from which a share counts as all or nothing, so that far branches need not be followed.
const FAR: f64 = 7.0;

impl ShapeRule {
    /// Share of an end that goes to the high side of a question, 0..1.
    pub fn share_high(&self, value: Option<f64>, threshold: f64, spread: f64, missing_goes: Side) -> f64 {
        let Some(value) = value else { return if missing_goes == Side::High { 1.0 } else { 0.0 } };
        let width = self.softness * spread;
        let odds = if 0.0 < width { LOGISTIC_PER_NORMAL * (value - threshold) / width } else { 0.0 };
        if width <= 0.0 || FAR <= odds.abs() {
            return if threshold < value { 1.0 } else { 0.0 };
        }
        statrs::function::logistic::logistic(odds)
    }

    /// Probability of the first class, strictly inside (0, 1).
    pub fn p_first(&self, tree: &Node, values: &[Option<f64>]) -> f64 {
        self.below(tree, values, laplace(tree))
    }

    /// The probability at the node whose own, shrunk, is `p`.
    fn below(&self, node: &Node, values: &[Option<f64>], p: f64) -> f64 {
        let Node::Split { feature, threshold, spread, missing_goes, low, high, .. } = node else { return p };
        let value = values.get(*feature).copied().flatten();
        let share = self.share_high(value, *threshold, *spread, *missing_goes);
        let side = |child: &Node, share: f64| match share {
            0.0 => 0.0,
            _ => share * self.below(child, values, self.step(node, child, p)),
        };
        side(low, 1.0 - share) + side(high, share)
    }

    /// The shrunk probability of a child.
    pub fn step(&self, parent: &Node, child: &Node, p: f64) -> f64 {
        let step = (laplace(child) - laplace(parent)) * parent.weight() / (parent.weight() + self.shrinkage);
        if step.is_finite() { p + step } else { p }
    }

    /// Mean over the trees that vote, or the one tree when there is no forest.
    pub fn p_of_trees(&self, tree: &Node, forest: &[Node], values: &[Option<f64>]) -> f64 {
        if forest.is_empty() {
            return self.p_first(tree, values);
        }
        forest.iter().map(|t| self.p_first(t, values)).sum::<f64>() / forest.len() as f64
    }
}

/// (n₁ + 1) / (n + 2): the rule of succession (Laplace 1774), never 0 or 1.
pub fn laplace(node: &Node) -> f64 {
    let first = node.counts().first().copied().unwrap_or(0.0);
    (first + 1.0) / (node.weight() + 2.0)
}

#[cfg(test)]
mod tests {
    use super::*;

    const HARD: ShapeRule = ShapeRule { softness: 0.0, shrinkage: 0.0 };

    fn stump() -> Node {
        let leaf = |a: f64, b: f64| Box::new(Node::Leaf { counts: vec![a, b] });
        Node::Split {
            feature: 0,
            threshold: 1.0,
            spread: 0.5,
            missing_goes: Side::High,
            counts: vec![10.0, 8.0],
            low: leaf(9.0, 0.0),
            high: leaf(1.0, 8.0),
        }
    }

    // By hand: leaves (9 + 1) / (9 + 2) and (1 + 1) / (9 + 2).
    #[test]
    fn without_softness_and_shrinkage_a_leaf_says_its_own_share() {
        assert!((HARD.p_first(&stump(), &[Some(1.0)]) - 10.0 / 11.0).abs() < 1e-12);
        assert!((HARD.p_first(&stump(), &[Some(1.1)]) - 2.0 / 11.0).abs() < 1e-12);
        assert!((HARD.p_first(&stump(), &[None]) - 2.0 / 11.0).abs() < 1e-12);
    }

    // Agarwal et al. 2022, eq. 1, by hand: root 11/20, leaf 10/11, 18 ends at the root, shrinkage 18: half the step.
    #[test]
    fn shrinkage_halves_a_step_when_it_equals_the_number_of_ends() {
        let rule = ShapeRule { softness: 0.0, shrinkage: 18.0 };
        let expected = 0.55 + (10.0 / 11.0 - 0.55) / 2.0;
        assert!((rule.p_first(&stump(), &[Some(0.2)]) - expected).abs() < 1e-12);
    }

    #[test]
    fn a_soft_threshold_moves_the_probability_smoothly_and_one_way() {
        let rule = ShapeRule { softness: 0.2, shrinkage: 0.0 };
        let p: Vec<f64> = (0..200).map(|i| rule.p_first(&stump(), &[Some(f64::from(i) / 100.0)])).collect();
        assert!(p.windows(2).all(|w| w[1] <= w[0] && w[0] - w[1] < 0.05));
        // At the threshold an end goes both ways in equal shares.
        assert!((p[100] - 6.0 / 11.0).abs() < 1e-12);
        assert_eq!((p[0], p[199]), (10.0 / 11.0, 2.0 / 11.0));
        // 0.1 above, one softness: the normal distribution function at 1 is 0.8413; the logistic differs by at most 0.01.
        assert!((rule.share_high(Some(1.1), 1.0, 0.5, Side::Low) - 0.8413).abs() < 0.01);
    }
}
