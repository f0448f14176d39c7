//! Thresholds of telling the order of failure.

use super::described::section;
use serde::{Deserialize, Serialize};

section! {
    /// Settings of [`crate::face::history`].
    #[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
    #[serde(default, deny_unknown_fields)]
    pub struct HistorySettings {
        /// Probability from which an order of failure is told (0.8: ours; below it, one in five told would be wrong). Larger =
        /// more `not known`.
        pub least_probability: f64,
        /// Labelled ends of a face below which none is told (20: ours; fewer are one or two carriers).
        pub fewest_ends: usize,
        /// Labelled ends of a picture below which it takes no part: it shows single ends, not how they lie along the line
        /// (12: ours).
        pub fewest_ends_in_picture: usize,
        /// Standard deviations by which a figure may lie outside all faces that the model was fitted on (1: ours).
        pub unlike_sd: f64,
    }
}

impl Default for HistorySettings {
    fn default() -> Self {
        Self { least_probability: 0.8, fewest_ends: 20, fewest_ends_in_picture: 12, unlike_sd: 1.0 }
    }
}
