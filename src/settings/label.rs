//! Thresholds of labelling ends.

use super::described::section;
use serde::{Deserialize, Serialize};

section! {
    /// Settings of [`crate::tree`]: how trees are grown and pruned, how witnesses are calibrated and judged.
    #[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
    #[serde(default, deny_unknown_fields)]
    pub struct LabelSettings {
        /// Deepest tree that is grown before pruning, splits. Larger = longer training; pruning decides what stays.
        pub max_depth: usize,
        /// Smallest weight of ends in a leaf, ends. Larger = coarser, steadier trees (ours: five ends, as in C4.5's successors).
        pub min_leaf: f64,
        /// Folds of the cross-validation, grouped by specimen (5: Breiman and Spector 1992).
        pub folds: usize,
        /// Repeats of the cross-validation with other folds. Larger = steadier figures, longer training.
        pub repeats: usize,
        /// Pruning takes the smallest tree whose error is within this many standard errors of the best
        /// (1: Breiman et al. 1984, the one-standard-error rule; less here, because soft thresholds and shrinkage already
        /// keep large trees steady). Larger = smaller trees.
        pub prune_standard_errors: f64,
        /// Softness of thresholds that cross-validation chooses from, in spreads of the feature; 0 = hard.
        pub softness: [f64; 4],
        /// Shrinkage of the steps down a path that cross-validation chooses from, ends; 0 = none.
        pub shrinkage: [f64; 3],
        /// Highest probability that one witness (shape or appearance) can give, 0.5..1. Larger = one witness may decide alone.
        pub witness_cap: f64,
        /// Probability from which a witness counts as decided, 0.5..1: two decided witnesses that disagree leave an end
        /// unclear. Larger = fewer contradictions.
        pub decided: f64,
        /// Largest share of the ends of either class that may be called `unclear` by their probabilities, 0..1 (ours:
        /// 10 %). A model that exceeds it warns.
        pub max_unclear: f64,
        /// Error among ends that is accepted without asking for more `unclear`, 0..1. Smaller = more `unclear`.
        pub accepted_error: f64,
        /// Trees of a forest (60: more changed nothing in cross-validation).
        pub forest_trees: usize,
        /// Steps into which a forest cuts each feature. Larger = finer thresholds, longer training.
        pub forest_steps: usize,
        /// Seed of folds and bootstrap samples.
        pub seed: u64,
        /// Share of a picture's ends outside the training range at which a warning is given, 0..1.
        pub out_of_range_share: f64,
        /// Shortest distance within which a label belongs to an end, px.
        pub match_px: f64,
        /// The same in shaft diameters; the larger of the two counts.
        pub match_diameters: f64,
        /// Farthest a person may move a tip, shaft diameters; farther away it is another end (ours).
        pub max_move_diameters: f64,
        /// Words that describe ends.
        pub subtype: SubtypeSettings,
    }
}

impl Default for LabelSettings {
    fn default() -> Self {
        Self {
            max_depth: 10,
            min_leaf: 5.0,
            folds: 5,
            repeats: 4,
            prune_standard_errors: 0.25,
            softness: [0.0, 0.05, 0.1, 0.2],
            shrinkage: [5.0, 20.0, 60.0],
            witness_cap: 0.99,
            decided: 0.8,
            max_unclear: 0.10,
            accepted_error: 0.005,
            forest_trees: 60,
            forest_steps: 64,
            seed: 1,
            out_of_range_share: 0.1,
            match_px: 4.0,
            match_diameters: 0.75,
            max_move_diameters: 3.0,
            subtype: SubtypeSettings::default(),
        }
    }
}

section! {
    /// Rules of [`crate::tree::subtype`]: words for the looks of an end, description only, never the class.
    #[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
    #[serde(default, deny_unknown_fields)]
    pub struct SubtypeSettings {
        /// Bulb ratio from which a tensile end is called a weak cap (1.1: ours; no published threshold exists).
        pub weak_bulb_ratio: f64,
        /// Bulb ratio from which it is called a bulb (1.3: upper end of the weak bulbs).
        pub bulb_ratio: f64,
        /// Bulb ratio below which a tensile end is called a taper (ours).
        pub taper_ratio: f64,
        /// Cut angle from which a cut is called oblique, degrees from square (ours; above the 15° of a hand-held blade).
        pub oblique_deg: f64,
        /// Bulb ratio from which a sheared end is called flared (ours; above the noise of straight cuts).
        pub flare_ratio: f64,
        /// Flatness below which an end counts as flat, diameters RMS (ours).
        pub flat: f64,
        /// Flatness from which an uncapped tensile end is called split, diameters RMS (ours).
        pub split: f64,
        /// Share of the network's figures for all forms of a label that the likeliest needs to be told, 0..1. Larger = more
        /// ends whose form measured shape must tell (ours: more likely than all others together).
        pub form_share: f64,
        /// Length of the divided part from which a tensile end is a split or a brush, diameters (half of the shortest splits
        /// described, 2 d).
        pub divided_length: f64,
        /// Strands from which a divided end is a brush (splits have two to four).
        pub brush_strands: f64,
        /// Length of a tail behind a neck from which an end is drawn out, diameters (ours).
        pub tail_length: f64,
        /// Height of a step along the axis from which a cut is torn, diameters (ours).
        pub step_height: f64,
    }
}

impl Default for SubtypeSettings {
    fn default() -> Self {
        Self {
            weak_bulb_ratio: 1.1,
            bulb_ratio: 1.3,
            taper_ratio: 0.85,
            oblique_deg: 20.0,
            flare_ratio: 1.15,
            flat: 0.05,
            split: 0.12,
            form_share: 0.5,
            divided_length: 1.0,
            brush_strands: 4.5,
            tail_length: 1.0,
            step_height: 0.2,
        }
    }
}
