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
        /// Saturation from which a shaft's hue counts as dye, 0..1 (0.15: ours, above the tint of white light).
        pub dye_saturation: f64,
        /// Weights of the evidence on pairs.
        pub weights: PairWeights,
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
            dye_saturation: 0.15,
            weights: PairWeights::default(),
        }
    }
}

section! {
    /// Weights of the evidence that two ends share a carrier ([`crate::carrier::pairs`]): log odds per unit of evidence. The defaults
    /// were learnt from rendered training pictures (`cargo run --example learn_carriers`); negative = speaks against.
    #[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
    #[serde(default, deny_unknown_fields)]
    pub struct PairWeights {
        /// Log odds without any evidence.
        pub bias: f64,
        /// Distance across the line, ln(1 + diameters).
        pub across: f64,
        /// Distance along the line, ln(1 + diameters).
        pub along: f64,
        /// Turn between the shafts, tens of degrees.
        pub turn: f64,
        /// Ends between them across the line, ln(1 + places).
        pub between: f64,
        /// Place of each among the neighbours of the other, the larger, ln(1 + place).
        pub neighbours: f64,
        /// Widest gap between neighbours across the line on the way, ln(1 + diameters).
        pub widest_gap: f64,
        /// Spacing of the ends of the picture, ln(1 + diameters).
        pub crowding: f64,
        /// Ends of the picture, natural logarithm.
        pub count: f64,
        /// Distance across the line as a share of that of all ends.
        pub across_share: f64,
        /// Distance along the line in spacings of the ends.
        pub along_spacings: f64,
        /// Ends between them as a share of all.
        pub between_share: f64,
        /// Turn between their straight edges, tens of degrees (1 when not known).
        pub edge_turn: f64,
        /// Whether both have a straight edge.
        pub edges_known: f64,
        /// Distance of each tip from the other's edge line, ln(1 + diameters) (3 when not known).
        pub off_plane: f64,
        /// Turn between their dye hues, in right angles (0 when not known).
        pub hue: f64,
    }
}

impl PairWeights {
    /// The weights without the bias, in the order of [`crate::carrier::pairs::EVIDENCE`].
    pub fn values(&self) -> [f64; crate::carrier::pairs::N_EVIDENCE] {
        [
            self.across,
            self.along,
            self.turn,
            self.between,
            self.neighbours,
            self.widest_gap,
            self.crowding,
            self.count,
            self.across_share,
            self.along_spacings,
            self.between_share,
            self.edge_turn,
            self.edges_known,
            self.off_plane,
            self.hue,
        ]
    }
}

impl Default for PairWeights {
    fn default() -> Self {
        Self {
            bias: 10.655,
            across: 0.972,
            along: -0.088,
            turn: 0.07,
            between: -0.701,
            neighbours: -1.135,
            widest_gap: -1.847,
            crowding: 1.639,
            count: -0.501,
            across_share: -4.584,
            along_spacings: 0.099,
            between_share: -0.3,
            edge_turn: -0.768,
            edges_known: -2.658,
            off_plane: -2.155,
            hue: 0.0,
        }
    }
}
