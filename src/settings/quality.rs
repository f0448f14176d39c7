//! Thresholds of judging pictures.

use super::described::section;
use serde::{Deserialize, Serialize};

section! {
    /// Settings of [`crate::micrograph::quality`]. Defaults come from pictures degraded in known steps (`docs/quality.md`).
    #[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
    #[serde(default, deny_unknown_fields)]
    pub struct QualitySettings {
        /// Grey at or below which a pixel is lost in black, 0..1 (1/255).
        pub low_grey: f64,
        /// Grey at or above which a pixel is lost in white, 0..1 (254/255).
        pub high_grey: f64,
        /// Share of pixels lost in white that is a warning, 0..1 (0.03).
        pub high_share: f64,
        /// Share of pixels lost in black that is a warning, 0..1 (0.3: a fifth of the ends that were found and labelled
        /// right are lost; dark backgrounds of training pictures stay below 0.1).
        pub low_share: f64,
        /// Noise that is a warning, standard deviation of grey, 0..1 (0.1: a quarter of the ends that were found and labelled right
        /// are lost).
        pub noise: f64,
        /// Blockiness that is a warning: steps at the 8-px grid over steps elsewhere, less 1 (0.25).
        pub blockiness: f64,
        /// Edge sharpness below which a picture is soft, 0..1 (0.16: half of the ends that were found and labelled right are lost).
        pub sharpness: f64,
        /// Pixels per fibre below which a picture is coarse, px (10: most of the ends that were found and labelled right are lost, `docs/quality.md`).
        pub fibre_px: f64,
    }
}

impl Default for QualitySettings {
    fn default() -> Self {
        Self {
            low_grey: 1.0 / 255.0,
            high_grey: 254.0 / 255.0,
            high_share: 0.03,
            low_share: 0.3,
            noise: 0.1,
            blockiness: 0.25,
            sharpness: 0.16,
            fibre_px: 10.0,
        }
    }
}
