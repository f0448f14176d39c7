//! Thresholds of measuring the scale.

use super::described::section;
use serde::{Deserialize, Serialize};

section! {
    /// Settings of [`crate::calibrate`].
    #[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
    #[serde(default, deny_unknown_fields)]
    pub struct CalibrateSettings {
        /// Ruled scales.
        pub ruling: RulingSettings,
        /// Known fibres.
        pub fibre: FibreSettings,
    }
}

section! {
    /// Settings of the fit to the lines of a stage micrometer.
    #[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
    #[serde(default, deny_unknown_fields)]
    pub struct RulingSettings {
        /// Fewest lines that make a scale, lines (6: with fewer, one wrong line moves the scale by more than its error).
        pub min_lines: usize,
        /// Side of the blocks that vote for the direction of the lines, px (160: a turn of 1° smears a line by less than 3 px).
        pub block_px: usize,
        /// Pixels of the picture that vote for the direction (600 000). Larger = slower, surer in noise.
        pub direction_px: usize,
        /// Length of line that is averaged to one profile, px (48). Larger = less noise, more smear before the direction is known.
        pub strip_px: f64,
        /// Smallest height of a line over its surroundings, as a share of the strong lines of its strip, 0..1 (0.4: half-lit
        /// lines count, dust does not).
        pub line_height_share: f64,
        /// Smallest height of a line, in standard deviations of the profile's noise (5: chance peaks stay out).
        pub line_height_sd: f64,
        /// Largest share of the pitch that a line may lie off its place and still belong to the ruling, 0..0.5 (0.25).
        pub index_gate: f64,
        /// Largest distance of a ratio of spacings from a whole number at which one is a multiple of the other (0.06).
        pub multiple_gap: f64,
        /// Share of strips with a foreign spacing from which the ruling is ambiguous, 0..1 (0.34).
        pub foreign_share: f64,
        /// Smallest share of line places that must hold a line, 0..1 (0.85: below it the pitch may be a multiple of the true one).
        pub fill_share: f64,
        /// Largest RMS distance of lines from their places, as a share of the pitch (0.08: rulings are far better, other patterns worse).
        pub rms_share: f64,
        /// Largest shift of every second line against the others, as a share of the pitch (0.04: beyond it the lines come in pairs).
        pub pair_share: f64,
        /// Strength that a second direction needs, as a share of the first, 0..1 (0.25).
        pub second_direction_share: f64,
        /// Smallest angle between two directions of rulings, degrees (20).
        pub direction_gap_deg: f64,
        /// Smallest weight difference of x and y between directions that allows telling x and y scale apart, 0..1 (0.3).
        pub anisotropy_lever: f64,
    }
}

impl Default for RulingSettings {
    fn default() -> Self {
        Self {
            min_lines: 6,
            block_px: 160,
            direction_px: 600_000,
            strip_px: 48.0,
            line_height_share: 0.4,
            line_height_sd: 5.0,
            index_gate: 0.25,
            multiple_gap: 0.06,
            foreign_share: 0.34,
            fill_share: 0.85,
            rms_share: 0.08,
            pair_share: 0.04,
            second_direction_share: 0.25,
            direction_gap_deg: 20.0,
            anisotropy_lever: 0.3,
        }
    }
}

section! {
    /// Settings of the check by a known fibre.
    #[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
    #[serde(default, deny_unknown_fields)]
    pub struct FibreSettings {
        /// Difference of a picture's fibre diameter from the expected one that is flagged, relative (0.15: spread of
        /// filaments within a yarn and of flattened fibres; common practice, no source).
        pub expected_gap: f64,
        /// Distance from the median of the series that is flagged, in robust standard deviations (3.5: Iglewicz and Hoaglin 1993).
        pub robust_sd: f64,
        /// Smallest relative distance from the median of the series that is flagged (0.08: below it the spread of fibres decides).
        pub series_gap: f64,
        /// Fewest measured ends of a picture that give its diameter (3).
        pub min_ends: usize,
        /// Relative standard uncertainty of the true diameter of one lot of fibres (0.05: linear density within a lot; common
        /// practice, no source).
        pub lot_u: f64,
    }
}

impl Default for FibreSettings {
    fn default() -> Self {
        Self { expected_gap: 0.15, robust_sd: 3.5, series_gap: 0.08, min_ends: 3, lot_u: 0.05 }
    }
}
