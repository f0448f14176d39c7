//! Thresholds of the search for scale bars.

use super::described::section;
use serde::{Deserialize, Serialize};

section! {
    /// Settings of the search for a burnt-in scale bar.
    #[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
    #[serde(default, deny_unknown_fields)]
    pub struct BarSettings {
        /// Shortest bar, px (20: one pixel is then 5 %).
        pub min_px: u32,
        /// Longest bar, as a share of the picture's width, 0..1 (0.7: longer straight lines are frames).
        pub max_width_share: f64,
        /// Thickest bar, as a share of the picture's height, 0..1 (0.03).
        pub max_thickness_share: f64,
        /// Smallest length of a bar over its thickness (2.5).
        pub min_aspect: f64,
        /// Largest difference of colour along the bar, 0..255 (30: JPEG ringing beside a sharp edge).
        pub colour_tolerance: f64,
        /// Smallest difference of colour between the bar and what lies around it, 0..255 (45).
        pub contrast: f64,
        /// Share of the bar's length that must stand out above and below, 0..1 (0.85: captions and ticks may touch).
        pub clear_share: f64,
        /// How far an end may move from row to row, px (2).
        pub end_wobble_px: u32,
        /// How far a tick must reach beyond the bar, px (3).
        pub tick_reach_px: u32,
        /// Smallest score of a bar, 0..1 (0.5: between straight fibre edges and real bars of the training pictures).
        pub min_score: f64,
        /// Shortest bar, as a share of the longer side of the picture, 0..1 (0.02: strokes of letters are shorter).
        pub least_share: f64,
        /// The same for upright bars and for bars of a single row, 0..1 (0.04: there are many such strokes in letters and along
        /// fibres; none of this length in training pictures).
        pub doubtful_least_share: f64,
        /// Score that an upright bar loses against a level one, 0..1 (0.05: nearly all bars lie level, fibres may stand upright).
        pub upright_charge: f64,
        /// Widest mark across a bar that does not end it, px (8: lines of cross-hairs and grids with their blur; 0 = a bar ends at
        /// whatever crosses it).
        pub crossing_px: u32,
        /// Distance from a place that a person names at which its bar may lie, as a share of the longer side, 0..1 (0.01: ours).
        pub at_share: f64,
        /// How far from a bar its length may be written, and the tallest letter of it, as a share of the shorter side of the picture, 0..1
        /// (0.08).
        pub caption_reach: f64,
        /// Fewest letters of a written length (3: number and unit; on training pictures full of drawn marks two are mostly something else).
        pub caption_letters: u32,
        /// Smallest letter of a written length, px (6: smaller ones cannot be read).
        pub letter_least_px: u32,
        /// Largest distance of the middle of a written length from that of its bar, over the bar's length (0.35: flush with an end; from
        /// training pictures).
        pub caption_off_middle: f64,
        /// How much longer than its bar a written length may be, over the bar's length (0.5: from training pictures).
        pub caption_overhang: f64,
        /// How far a tick of a bar may reach up or down, over the bar's length (0.25: longer ones are sides of frames; from training
        /// pictures).
        pub most_corner: f64,
        /// Share of its own length that a bar may seem to go on beyond an end, 0..1 (0.2: letters beside it; more are dashes; from training
        /// pictures).
        pub most_runs_on: f64,
        /// Difference between a bar and the table or metadata that is a warning, relative (0.03: ours, above the error of a bar's ends).
        pub contradiction: f64,
    }
}

impl Default for BarSettings {
    fn default() -> Self {
        Self {
            min_px: 20,
            max_width_share: 0.7,
            max_thickness_share: 0.03,
            min_aspect: 2.5,
            colour_tolerance: 30.0,
            contrast: 45.0,
            clear_share: 0.85,
            end_wobble_px: 2,
            tick_reach_px: 3,
            min_score: 0.5,
            least_share: 0.02,
            doubtful_least_share: 0.04,
            upright_charge: 0.05,
            crossing_px: 8,
            at_share: 0.01,
            caption_reach: 0.08,
            caption_letters: 3,
            letter_least_px: 6,
            caption_off_middle: 0.35,
            caption_overhang: 0.5,
            most_corner: 0.25,
            most_runs_on: 0.2,
            contradiction: 0.03,
        }
    }
}
