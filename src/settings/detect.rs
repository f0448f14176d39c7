//! Thresholds of finding ends.

use super::described::section;
use serde::{Deserialize, Serialize};

section! {
    /// Settings of [`crate::detect`].
    #[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
    #[serde(default, deny_unknown_fields)]
    pub struct DetectSettings {
        /// Lowest chance of being a gradable end at which a candidate is measured, 0..1 (cross-validated F1 on 120 rendered
        /// pictures that the detector was not trained on is flat from 0.30 to 0.55, on real frames it is highest here:
        /// `models/README.md`). Larger = fewer candidates.
        pub min_score: f64,
        /// Lowest confidence of the network in a detection that counts as support for others, 0..1. Smaller = slower.
        pub min_detection: f64,
        /// Lowest confidence of the network in a detection that may become a candidate, 0..1 (on rendered pictures of other seeds
        /// F1 is the same from 0.12 to 0.15 and falls beyond 0.18). Smaller = slower.
        pub min_kept_detection: f64,
        /// Largest picture, megapixels, at which the network looks a second time in a mirror: F1 rises (rendered pictures by
        /// 0.005, real frames by more), the time to find ends doubles. Small pictures take little of it (1.5: no longer than a
        /// larger one that is looked at once). 0 = never.
        pub mirror_up_to_mpx: f64,
        /// Fibre widths that the network is asked to mark, px of a reduced copy: it was trained at 5.5 to 14
        /// (`scripts/detector/pictures.py`), and F1 is the same down to 5.3. Smaller first number = faster.
        pub working_width_px: [f64; 2],
        /// Thinnest and thickest fibre diameter that is searched when the scale is known, µm (fibres of fishing braid: 12 to
        /// 40 µm, common practice, no source; with room for a rough scale). Wider = slower.
        pub fibre_um: [f64; 2],
        /// Clear detections in one copy of a picture of known scale after which coarser copies are not searched, unless one of its hits
        /// is wider than `last_level_px` (8: so in 87 of 180 rendered pictures, with 3306 ends in such copies and 20 in coarser
        /// ones). Larger = slower.
        pub last_level_detections: usize,
        /// Width in such a copy beyond which thicker fibres are expected, px of the copy (11: fibres of one line differ by less
        /// than from 11 to 14). Smaller = slower.
        pub last_level_px: f64,
        /// Reduced copies with a shorter side are not searched, px: they hold no shaft of working width.
        pub least_side_px: u32,
        /// Two candidates nearer than this are one end, fibre widths (ends of two fibres lie at least half a width apart).
        pub same_end_reach_d: f64,
        /// Two candidates of one shaft, one behind the other, nearer than this are one end, fibre widths.
        pub same_shaft_reach_d: f64,
        /// Largest offset across the shaft between two candidates of one shaft, fibre widths.
        pub same_shaft_across_d: f64,
        /// Largest turn between the axes of two candidates of one shaft, degrees.
        pub same_shaft_turn_deg: f64,
    }
}

impl Default for DetectSettings {
    fn default() -> Self {
        Self {
            min_score: 0.45,
            working_width_px: [5.3, 14.0],
            fibre_um: [12.0, 40.0],
            last_level_detections: 8,
            last_level_px: 11.0,
            least_side_px: 24,
            min_detection: 0.04,
            min_kept_detection: 0.15,
            mirror_up_to_mpx: 1.5,
            same_end_reach_d: 0.5,
            same_shaft_reach_d: 1.2,
            same_shaft_across_d: 0.4,
            same_shaft_turn_deg: 30.0,
        }
    }
}
