//! Thresholds of merging focus series.

use super::described::section;
use serde::{Deserialize, Serialize};

section! {
    /// Settings of [`crate::stack`].
    #[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
    #[serde(default, deny_unknown_fields)]
    pub struct StackSettings {
        /// Most frames in one series (1000: a longer one is a film).
        pub max_frames: usize,
        /// Longest side of the copies on which frames are aligned, px (1600: fine detail is needed to tell a move from a change of blur). Larger = slower.
        pub align_side_px: usize,
        /// Largest change of magnification between neighbouring frames, relative (0.002: blur that passes for growth is above it).
        pub max_magnification_step: f64,
        /// Largest shift between neighbouring frames, as a share of the picture's width (0.05).
        pub max_shift_share: f64,
        /// Displacement at the corners below which a frame is left as it is, px (0.5: moving it would blur it more than it
        /// helps).
        pub leave_px: f64,
        /// Smallest correlation of a frame with its neighbour, 0..1 (0.25: below it the frame is left out and said).
        pub min_correlation: f64,
        /// Standard deviations by which a shift must differ from none to be undone (6: blur is not quite independent from tile to tile).
        pub certain_sd: f64,
        /// Standard deviations by which a change of magnification must differ from none over the steps of a series to be undone
        /// (4: blur that comes and goes is not quite independent from step to step).
        pub breathing_sd: f64,
        /// Share of the steps between frames that must agree on the sign of a change of magnification, 0..1 (0.8: magnification
        /// changes one way over focus).
        pub breathing_same_sign: f64,
        /// Standard deviations by which held-back parts of the picture must be better off with a change of magnification than
        /// chance makes them (3).
        pub held_back_sd: f64,
        /// Times that the picture is halved for the choice of detail (6: the coarsest detail is then 64 px).
        pub levels: usize,
        /// Of these, how many give the focus measure (3: detail of 1 to 4 px; coarser detail blurs too little with focus).
        pub focus_levels: usize,
        /// Radius over which detail is compared, px standard deviation at each halving (2.5). Larger = steadier choice,
        /// coarser edges.
        pub window_px: f64,
        /// Power to which the detail energy of a frame counts against that of the others (4: between the average of all
        /// frames, 0, and the sharpest alone; best SSIM and within 0.2 dB of the best PSNR on rendered series).
        pub detail_power: i32,
        /// Grey difference that counts as no detail beside noise, 0..1 (1/255: one step of an 8-bit picture).
        pub detail_floor: f64,
        /// Focus measure that counts as texture, in units of what noise alone gives (3).
        pub texture_over_noise: f64,
        /// Confidence from which a place counts as seen in focus, 0..1 (0.3).
        pub seen_confidence: f64,
        /// Weight with which untextured places take the height of their surroundings (0.05). Larger = smoother height map.
        pub fill_weight: f64,
        /// Share of the seen places in an end frame, over an even share, from which the series seems too short there (2.5).
        pub short_series_factor: f64,
        /// Share of the seen places below which a frame counts as never used, 0..1 (0.001).
        pub unused_share: f64,
        /// Fine detail over coarse detail, relative to the sharp parts of the picture, below which a structured place counts
        /// as never in focus, 0..1 (0.01: the all-in-focus truth of rendered series has no such place).
        pub never_sharp_share: f64,
        /// Radius over which fine is compared with coarse detail, in units of `window_px` at the coarse scale (3).
        pub never_sharp_window: f64,
        /// Share of the structured places without focus that is a warning, 0..1 (0.1).
        pub unfocused_share: f64,
        /// Change of sharpness along the best order over that along the given order below which frames seem out of order,
        /// 0..1 (0.7).
        pub order_share: f64,
    }
}

impl Default for StackSettings {
    fn default() -> Self {
        Self {
            max_frames: 1000,
            align_side_px: 1600,
            max_magnification_step: 0.002,
            max_shift_share: 0.05,
            leave_px: 0.5,
            min_correlation: 0.25,
            certain_sd: 6.0,
            breathing_sd: 4.0,
            breathing_same_sign: 0.8,
            held_back_sd: 3.0,
            levels: 6,
            focus_levels: 3,
            window_px: 2.5,
            detail_power: 4,
            detail_floor: 1.0 / 255.0,
            texture_over_noise: 3.0,
            seen_confidence: 0.3,
            fill_weight: 0.05,
            short_series_factor: 2.5,
            unused_share: 0.001,
            never_sharp_share: 0.01,
            never_sharp_window: 3.0,
            unfocused_share: 0.1,
            order_share: 0.7,
        }
    }
}
