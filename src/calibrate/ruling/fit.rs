//! What a ruling gives: the fit of its lines, or why no scale can be had from it.

/// One line of the ruling and how far it lies from its place.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct LineResidual {
    /// Number of the line; 0 is the first one seen.
    pub index: i64,
    /// Distance across the lines from the line's place in the fit, px.
    pub residual_px: f64,
    /// Strips in which the line was seen.
    pub n_strips: usize,
}

/// A ruling fitted in one direction.
#[derive(Debug, Clone, PartialEq)]
pub struct RulingFit {
    /// Distance between neighbouring lines, px.
    pub pitch_px: f64,
    /// Its standard uncertainty from the scatter of the lines, px.
    pub pitch_u_px: f64,
    /// Direction across the lines, degrees in [0, 180): 0 = lines stand upright in the picture.
    pub normal_deg: f64,
    /// Whether the lines are darker than their surroundings.
    pub dark: bool,
    /// Lines used, in order.
    pub lines: Vec<LineResidual>,
    /// RMS distance of the lines from their places, px.
    pub rms_px: f64,
    /// Whether some strips show only every n-th line (long and short lines).
    pub long_and_short: bool,
}

impl RulingFit {
    /// Micrometres per pixel across the lines, with its standard uncertainty, from the true pitch and its uncertainty.
    ///
    /// Uncertainties combine as independent relative ones (GUM, JCGM 100:2008, 5.1.6).
    pub fn um_per_px(&self, pitch_um: f64, pitch_u_um: f64) -> (f64, f64) {
        let scale = pitch_um / self.pitch_px;
        (scale, scale * (self.pitch_u_px / self.pitch_px).hypot(pitch_u_um / pitch_um))
    }
}

/// Why no scale can be had from a picture of a ruling. None of them is guessed around.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
#[non_exhaustive]
pub enum RulingError {
    /// No direction stands out.
    #[error("no ruled lines stand out in any direction; focus the ruling and fill the picture with it")]
    NoLines,
    /// Too few lines.
    #[error("only {found} lines are seen, {least} are needed; use a lower magnification or a finer ruling")]
    TooFew {
        /// Lines seen.
        found: usize,
        /// Lines needed.
        least: usize,
    },
    /// Places without a line.
    #[error(
        "{missing} of {places} line places are empty, so the pitch may be a multiple of the true one; show a part where all lines are visible"
    )]
    Gaps {
        /// Places without a line.
        missing: usize,
        /// Places between the first and the last line.
        places: usize,
    },
    /// Every second line is shifted.
    #[error(
        "every second line is shifted by {share_percent:.0} % of the spacing: the lines come in pairs (edges of broad bars?), so the pitch may be twice the spacing"
    )]
    Pairs {
        /// Shift over the spacing, percent.
        share_percent: f64,
    },
    /// Two spacings that are no multiples of each other.
    #[error(
        "two spacings, {first_px:.1} and {second_px:.1} px, that are no multiples of each other; crop the picture to one ruling"
    )]
    TwoSpacings {
        /// The finer spacing, px.
        first_px: f64,
        /// The other one, px.
        second_px: f64,
    },
    /// The lines are not evenly spaced.
    #[error("the lines are not evenly spaced: they lie {rms_percent:.0} % of the pitch off their places")]
    Uneven {
        /// RMS distance over pitch, percent.
        rms_percent: f64,
    },
}
