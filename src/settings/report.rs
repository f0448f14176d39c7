//! Thresholds of the report page.

use super::described::section;
use serde::{Deserialize, Serialize};

section! {
    /// Settings of [`crate::report`]: what is shown, never what is found.
    #[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
    #[serde(default, deny_unknown_fields)]
    pub struct ReportSettings {
        /// Longest side of the picture of a break face, px (1000: twice its width on the page, for sharp screens and print).
        /// With many specimens it shrinks on its own.
        pub face_px: u32,
        /// Side of the cut-out of a single end, px (132: 6 diameters of a fibre of 22 px).
        pub crop_px: u32,
        /// Typical ends shown of each label.
        pub gallery: usize,
        /// JPEG quality of embedded pictures, 1..100.
        pub jpeg_quality: u8,
        /// About how large the pictures of the page may be, MB (15: with text and plots still below the 20 MB that mail servers
        /// commonly take; common practice, no source). Larger = larger pictures.
        pub page_mb: f64,
        /// Most specimens that get plots of their own; with more, the page leaves these out and says so.
        pub plot_specimens: usize,
        /// A difference between two knots is called clear below this adjusted p (0.05: common practice).
        pub clear_p: f64,
    }
}

impl Default for ReportSettings {
    fn default() -> Self {
        Self {
            face_px: 1000,
            crop_px: 132,
            gallery: 4,
            jpeg_quality: 80,
            page_mb: 15.0,
            plot_specimens: 40,
            clear_p: 0.05,
        }
    }
}
