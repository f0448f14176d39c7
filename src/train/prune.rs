//! Cutting a grown tree back: minimal cost-complexity pruning (Breiman et al. 1984, chapter 3), with Gini impurity.
//!
//! A penalty α per leaf -> the smallest tree that minimises impurity + α · leaves.

use crate::tree::node::{Node, gini};

/// The smallest subtree that minimises impurity + `alpha` · leaves; impurity is the weighted Gini of the leaves over
/// the weight at the root.
pub fn pruned(tree: &Node, alpha: f64) -> Node {
    cut_back(tree, alpha, tree.weight()).0
}

/// Penalties at which the tree loses a branch, ascending, starting with 0 (the tree as grown).
pub fn penalties(tree: &Node) -> Vec<f64> {
    let total = tree.weight();
    let mut found = vec![0.0];
    let mut here = pruned(tree, 0.0);
    while let Node::Split { .. } = here {
        let Some(next) = weakest_link(&here, total).0 else { break };
        // The link itself must go: rounding may leave it a hair above the penalty it was computed from.
        let next = next.max(*found.last().unwrap_or(&0.0));
        here = pruned(&here, next + f64::EPSILON);
        found.push(next);
    }
    found
}

/// Pruned branch, its impurity share, its leaves.
fn cut_back(node: &Node, alpha: f64, total: f64) -> (Node, f64, f64) {
    let own = impurity(node, total);
    let Node::Split { feature, threshold, spread, missing_goes, counts, low, high } = node else {
        return (node.clone(), own, 1.0);
    };
    let (low, low_cost, low_leaves) = cut_back(low, alpha, total);
    let (high, high_cost, high_leaves) = cut_back(high, alpha, total);
    let (cost, leaves) = (low_cost + high_cost, low_leaves + high_leaves);
    if own + alpha <= cost + alpha * leaves {
        return (Node::Leaf { counts: counts.clone() }, own, 1.0);
    }
    let kept = Node::Split {
        feature: *feature,
        threshold: *threshold,
        spread: *spread,
        missing_goes: *missing_goes,
        counts: counts.clone(),
        low: Box::new(low),
        high: Box::new(high),
    };
    (kept, cost, leaves)
}

/// Smallest gain per leaf of any branch, then impurity and leaves of this branch.
fn weakest_link(node: &Node, total: f64) -> (Option<f64>, f64, f64) {
    let own = impurity(node, total);
    let Node::Split { low, high, .. } = node else { return (None, own, 1.0) };
    let (low_link, low_cost, low_leaves) = weakest_link(low, total);
    let (high_link, high_cost, high_leaves) = weakest_link(high, total);
    let (cost, leaves) = (low_cost + high_cost, low_leaves + high_leaves);
    let link = (own - cost) / (leaves - 1.0);
    let weakest = [low_link, high_link].into_iter().flatten().fold(link, f64::min);
    (Some(weakest), cost, leaves)
}

fn impurity(node: &Node, total: f64) -> f64 {
    if total <= 0.0 { 0.0 } else { gini(node.counts()) * node.weight() / total }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::tree::node::Side;

    fn leaf(a: f64, b: f64) -> Box<Node> {
        Box::new(Node::Leaf { counts: vec![a, b] })
    }

    fn split(low: Box<Node>, high: Box<Node>) -> Node {
        let counts = low.counts().iter().zip(high.counts()).map(|(a, b)| a + b).collect();
        Node::Split { feature: 0, threshold: 0.0, spread: 1.0, missing_goes: Side::Low, counts, low, high }
    }

    // By hand: root 10|10, impurity 0.5; low 9|1 (0.18 of 10), high 1|9 cut further into 1|1 and 0|8.
    fn example() -> Node {
        split(leaf(9.0, 1.0), Box::new(split(leaf(1.0, 1.0), leaf(0.0, 8.0))))
    }

    #[test]
    fn penalties_follow_from_hand_computed_impurities() {
        // Inner link: 0.18·10/20 − 0.5·2/20 = 0.09 − 0.05 = 0.04; then the root: 0.5 − 0.18 = 0.32.
        let found = penalties(&example());
        assert_eq!(found.len(), 3);
        assert!((found[1] - 0.04).abs() < 1e-12 && (found[2] - 0.32).abs() < 1e-12, "{found:?}");
    }

    #[test]
    fn larger_penalties_leave_smaller_trees() {
        for (alpha, leaves) in [(0.0, 3), (0.039, 3), (0.041, 2), (0.31, 2), (0.33, 1), (1.0, 1)] {
            assert_eq!(pruned(&example(), alpha).n_leaves(), leaves, "{alpha}");
        }
        assert_eq!(pruned(&example(), 1.0).counts(), [10.0, 10.0]);
    }

    #[test]
    fn a_question_that_gains_nothing_goes_at_once() {
        assert_eq!(pruned(&split(leaf(2.0, 2.0), leaf(3.0, 3.0)), 0.0).n_leaves(), 1);
    }
}
