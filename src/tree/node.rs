//! One tree: splits, leaves with class counts, and the one rule that decides the side of a value.
//!
//! Feature values -> leaf. Knows nothing of files, classes' names or probabilities.

/// Which child a value goes to.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Side {
    /// At or below the threshold.
    Low,
    /// Above the threshold.
    High,
}

impl Side {
    /// The word in the model file.
    pub fn word(self) -> &'static str {
        match self {
            Self::Low => "low",
            Self::High => "high",
        }
    }
}

/// A tree, or a part of one. Features are positions in the caller's list of features.
#[derive(Debug, Clone, PartialEq)]
pub enum Node {
    /// Nothing more to ask.
    Leaf {
        /// Weight of training ends of each class that came here, in class order.
        counts: Vec<f64>,
    },
    /// One question.
    Split {
        /// Position of the feature.
        feature: usize,
        /// Values at or below go low.
        threshold: f64,
        /// Spread of the values that met this question in training: interquartile range over 1.349, in the feature's
        /// unit. It scales how soft the threshold is ([`super::shape`]).
        spread: f64,
        /// Where an end goes whose value is missing.
        missing_goes: Side,
        /// Weight of training ends of each class that came here, in class order.
        counts: Vec<f64>,
        /// Values at or below the threshold.
        low: Box<Node>,
        /// Values above the threshold.
        high: Box<Node>,
    },
}

/// The side of a value: the only place that decides it, for training and prediction alike.
pub fn side(value: Option<f64>, threshold: f64, missing_goes: Side) -> Side {
    match value {
        Some(v) if v <= threshold => Side::Low,
        Some(_) => Side::High,
        None => missing_goes,
    }
}

impl Node {
    /// Weight of training ends of each class, in class order.
    pub fn counts(&self) -> &[f64] {
        match self {
            Self::Leaf { counts } | Self::Split { counts, .. } => counts,
        }
    }

    /// Weight of all training ends that came here.
    pub fn weight(&self) -> f64 {
        self.counts().iter().sum()
    }

    /// Position of the most frequent class; ties go to the class named first.
    pub fn majority(&self) -> usize {
        let counts = self.counts();
        (0..counts.len()).rev().fold(0, |best, i| if counts[i] >= counts[best] { i } else { best })
    }

    /// The nodes passed by a row of values, from the root to its leaf.
    pub fn walk<'a>(&'a self, values: &[Option<f64>]) -> impl Iterator<Item = &'a Self> {
        std::iter::successors(Some(self), |here| match here {
            Self::Leaf { .. } => None,
            Self::Split { feature, threshold, missing_goes, low, high, .. } => {
                let value = values.get(*feature).copied().flatten();
                Some(match side(value, *threshold, *missing_goes) {
                    Side::Low => low,
                    Side::High => high,
                })
            }
        })
    }

    /// The leaf of a row of values.
    pub fn leaf<'a>(&'a self, values: &[Option<f64>]) -> &'a Self {
        self.walk(values).last().unwrap_or(self)
    }

    /// Number of leaves.
    pub fn n_leaves(&self) -> usize {
        match self {
            Self::Leaf { .. } => 1,
            Self::Split { low, high, .. } => low.n_leaves() + high.n_leaves(),
        }
    }

    /// Longest chain of questions.
    pub fn depth(&self) -> usize {
        match self {
            Self::Leaf { .. } => 0,
            Self::Split { low, high, .. } => 1 + low.depth().max(high.depth()),
        }
    }

    /// Positions of the features asked for, ascending, each once.
    pub fn features_used(&self) -> Vec<usize> {
        fn gather(node: &Node, used: &mut Vec<usize>) {
            if let Node::Split { feature, low, high, .. } = node {
                used.push(*feature);
                gather(low, used);
                gather(high, used);
            }
        }
        let mut used = Vec::new();
        gather(self, &mut used);
        used.sort_unstable();
        used.dedup();
        used
    }
}

/// Gini impurity 1 − Σ p², 0 when pure or empty (Breiman et al. 1984).
pub fn gini(counts: &[f64]) -> f64 {
    let total: f64 = counts.iter().sum();
    if total <= 0.0 {
        return 0.0;
    }
    1.0 - counts.iter().map(|c| (c / total).powi(2)).sum::<f64>()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn leaf(counts: [f64; 2]) -> Node {
        Node::Leaf { counts: counts.to_vec() }
    }

    fn stump(missing_goes: Side) -> Node {
        Node::Split {
            feature: 1,
            threshold: 1.1,
            spread: 0.2,
            missing_goes,
            counts: vec![5.0, 7.0],
            low: Box::new(leaf([5.0, 1.0])),
            high: Box::new(leaf([0.0, 6.0])),
        }
    }

    #[test]
    fn a_value_at_the_threshold_goes_low() {
        let tree = stump(Side::High);
        assert_eq!(tree.leaf(&[None, Some(1.1)]).counts(), [5.0, 1.0]);
        assert_eq!(tree.leaf(&[None, Some(1.1_f64.next_up())]).counts(), [0.0, 6.0]);
        assert_eq!(tree.leaf(&[None, Some(1.1_f64.next_down())]).counts(), [5.0, 1.0]);
    }

    #[test]
    fn a_missing_value_goes_where_the_split_says() {
        assert_eq!(stump(Side::Low).leaf(&[Some(9.0), None]).counts(), [5.0, 1.0]);
        assert_eq!(stump(Side::High).leaf(&[Some(9.0), None]).counts(), [0.0, 6.0]);
        // A row that is too short lacks the value as well.
        assert_eq!(stump(Side::High).leaf(&[]).counts(), [0.0, 6.0]);
    }

    #[test]
    fn ties_go_to_the_class_named_first() {
        assert_eq!(leaf([2.0, 2.0]).majority(), 0);
        assert_eq!(leaf([1.0, 2.0]).majority(), 1);
        assert_eq!(leaf([0.0, 0.0]).majority(), 0);
    }

    // scikit-learn 1.9.1: impurity of the root of each of its data sets (class counts in the data sets' descriptions).
    #[test]
    fn gini_equals_scikit_learn_on_the_roots_of_its_data_sets() {
        for (counts, expected) in [
            (vec![50.0, 50.0, 50.0], 0.666667),
            (vec![59.0, 71.0, 48.0], 0.658313),
            (vec![212.0, 357.0], 0.467530),
            (vec![178.0, 182.0, 177.0, 183.0, 181.0, 182.0, 181.0, 179.0, 174.0, 180.0], 0.899979),
        ] {
            assert!((gini(&counts) - expected).abs() < 5e-7, "{counts:?}");
        }
        assert_eq!(gini(&[0.0, 0.0]), 0.0);
    }
}
