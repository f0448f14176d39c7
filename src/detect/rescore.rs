//! Descriptions of detections -> candidates with the chance of being an end, by boosted trees (`models/rescore.json`, made by
//! `scripts/detector/rescore.py`).
//!
//! The detection network sees about a hundred pixels of one copy. Whether a detection is an end also shows in what it cannot
//! see: whether another copy saw the same end, how wide the other fibres of the picture are, whether a stronger detection
//! lies close by, and what the detection's own strip shows at its own scale. How many ends a picture has and how sure the
//! network is throughout it are not asked: trees that know do no better on pictures of the kind they learnt from, and worse on
//! any other.

use serde::Deserialize;
use statrs::function::logistic::logistic;

use super::candidate::Candidate;

use super::describe::{Description, RESCORE_FEATURES};
use crate::network::NetworkError;
use crate::renamed;

pub(super) static BUNDLED: &[u8] = include_bytes!("../../models/rescore.json");

/// Format of the file, and its name in version 0.1.0.
const SCHEMA: &str = "breakface-rescore/1";
const SCHEMA_0_1: &str = "breakface-context/1";

/// The trees, as read from their file.
pub(super) struct Rescorer {
    trees: Vec<Tree>,
    base: f64,
    /// BLAKE3 of the file.
    hash: [u8; 32],
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct File {
    schema: String,
    features: Vec<String>,
    base: f64,
    trees: Vec<Tree>,
}

/// One tree as parallel arrays; `feature` −1 marks a leaf.
#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct Tree {
    feature: Vec<i16>,
    threshold: Vec<f64>,
    left: Vec<u16>,
    right: Vec<u16>,
    value: Vec<f64>,
}

impl Rescorer {
    /// The trees that are compiled in.
    pub fn bundled() -> Result<Self, NetworkError> {
        Self::named("models/rescore.json", BUNDLED)
    }

    /// The trees in a file of this name.
    pub fn named(name: &str, bytes: &[u8]) -> Result<Self, NetworkError> {
        Self::from_bytes(bytes).map_err(|reason| NetworkError::Unusable { name: name.to_owned(), reason })
    }

    /// What tells these trees from others.
    pub fn hash(&self) -> [u8; 32] {
        self.hash
    }

    fn from_bytes(bytes: &[u8]) -> Result<Self, String> {
        let file: File = serde_json::from_slice(bytes).map_err(|e| e.to_string())?;
        if ![SCHEMA, SCHEMA_0_1].contains(&file.schema.as_str()) {
            return Err(format!("schema {} is not {SCHEMA}", file.schema));
        }
        if !file
            .features
            .iter()
            .map(|f| renamed::current(renamed::RESCORE_FEATURES, f))
            .eq(RESCORE_FEATURES.iter().copied())
        {
            return Err(
                "asks for other features than this version makes: make the trees anew (scripts/detector/rescore.py)"
                    .to_owned(),
            );
        }
        if !file.trees.iter().all(Tree::is_sound) {
            return Err("holds a tree whose branches lead nowhere".to_owned());
        }
        Ok(Self { trees: file.trees, base: file.base, hash: *blake3::hash(bytes).as_bytes() })
    }

    /// Chance that a detection so described is a gradable end, 0..1.
    fn chance(&self, description: &Description) -> f64 {
        let values = description.values();
        logistic(self.base + self.trees.iter().map(|t| t.value_of(&values)).sum::<f64>())
    }
}

impl Tree {
    /// Whether every branch leads to a later node, so that each walk ends.
    fn is_sound(&self) -> bool {
        let n = self.feature.len();
        let whole = [self.threshold.len(), self.left.len(), self.right.len(), self.value.len()].iter().all(|&l| l == n);
        whole
            && n > 0
            && (0..n).all(|i| {
                self.feature[i] < 0
                    || ((self.feature[i] as usize) < RESCORE_FEATURES.len()
                        && [self.left[i], self.right[i]].iter().all(|&c| usize::from(c) > i && usize::from(c) < n))
            })
    }

    fn value_of(&self, features: &[f64; RESCORE_FEATURES.len()]) -> f64 {
        let mut at = 0;
        while self.feature[at] >= 0 {
            let low = features[self.feature[at] as usize] <= self.threshold[at];
            at = usize::from(if low { self.left[at] } else { self.right[at] });
        }
        self.value[at]
    }
}

/// Candidates with the chance that each is an end as their score.
pub(super) fn rescore(described: &[(Candidate, Description)], rescorer: &Rescorer) -> Vec<Candidate> {
    let scored = |(candidate, d): &(Candidate, Description)| Candidate { score: rescorer.chance(d), ..*candidate };
    described.iter().map(scored).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn branches_that_lead_nowhere_are_refused() {
        let circle = Tree { feature: vec![0], threshold: vec![0.0], left: vec![0], right: vec![0], value: vec![0.0] };
        assert!(!circle.is_sound());
        assert!(Rescorer::from_bytes(b"{}").is_err());
        assert!(Rescorer::bundled().is_ok());
    }
}
