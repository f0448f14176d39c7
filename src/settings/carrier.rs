//! Thresholds of grouping ends to carriers.

use super::described::section;
use serde::{Deserialize, Serialize};

section! {
    /// Settings of [`crate::carrier`].
    #[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
    #[serde(default, deny_unknown_fields)]
    pub struct CarrierSettings {
        /// Groups join while the mean log odds between their members are at least this (0 = even odds). Larger = more, smaller carriers.
        pub join_log_odds: f64,
        /// By how much less they still join while there are more groups than the braid has carriers (1: ours, a mild prior).
        pub prior_log_odds: f64,
        /// Smallest group that is a carrier; ends of smaller ones stay ungrouped (2: ours).
        pub fewest_members: usize,
        /// More ends than this in one picture are not grouped: memory grows with the square (4000: ours, 32 MB).
        pub most_ends: usize,
        /// Flatness up to which an end's straight edge counts as evidence, diameters RMS (0.06: ours, above the burr of cuts).
        pub edge_flatness: f64,
        /// Nearest other ends of its carrier that an end is compared with (24: ours; more cost time, far ones are often of another
        /// carrier).
        pub company_ends: usize,
        /// Saturation from which a shaft's hue counts as dye, 0..1 (0.15: ours, above the tint of white light).
        pub dye_saturation: f64,
    }
}

impl Default for CarrierSettings {
    fn default() -> Self {
        Self {
            join_log_odds: 0.0,
            prior_log_odds: 1.0,
            fewest_members: 2,
            most_ends: 4000,
            edge_flatness: 0.06,
            company_ends: 24,
            dye_saturation: 0.15,
        }
    }
}
