//! Picture of a stage micrometer -> pitch of its lines in pixels, by fitting all of them.
//!
//! Direction of the lines, profiles across them, centre of every line to a fraction of a pixel, a whole number for every
//! line, one straight fit through all. What cannot be numbered with certainty is refused with its reason.

mod direction;
mod index;
mod strip;

use crate::micrograph::GreyPlane;
use crate::settings::RulingSettings;
use crate::units::{Point, PxBox};
use index::{Numbered, number_lines};
use strip::{Frame, Line, profiles};

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

/// Fits the ruling of a picture, strongest direction first; a second fit is there when the picture shows a grid.
///
/// `exclude` holds boxes that are not looked at (captions).
///
/// # Errors
/// When the lines of the strongest direction are too few or cannot be numbered with certainty.
pub fn fit_rulings(
    grey: &GreyPlane,
    exclude: &[PxBox],
    settings: &RulingSettings,
) -> Result<Vec<RulingFit>, RulingError> {
    let directions = direction::directions(grey, settings);
    let (first, others) = directions.split_first().ok_or(RulingError::NoLines)?;
    let mut fits = vec![fit_direction(grey, exclude, *first, settings)?];
    // A second direction may be the ends of the lines or numbers: only a ruling that passes every check counts.
    fits.extend(others.iter().filter_map(|deg| fit_direction(grey, exclude, *deg, settings).ok()));
    Ok(fits)
}

fn fit_direction(
    grey: &GreyPlane,
    exclude: &[PxBox],
    normal_deg: f64,
    settings: &RulingSettings,
) -> Result<RulingFit, RulingError> {
    let middle = Point::new((f64::from(grey.width()) - 1.0) / 2.0, (f64::from(grey.height()) - 1.0) / 2.0);
    let mut frame = Frame { middle, normal_deg };
    // The first round finds the exact direction, the others fit along it.
    const ROUNDS: usize = 3;
    let mut round = 0;
    loop {
        let profiles = profiles(grey, exclude, &frame, settings);
        let dark = profiles.iter().map(strip::Profile::skew).sum::<f64>() < 0.0;
        let strips: Vec<(f64, Vec<Line>)> = profiles.iter().map(|p| (p.u, p.lines(dark, settings))).collect();
        let numbered = number_lines(&strips, settings)?;
        round += 1;
        if round == ROUNDS {
            return conclude(numbered, frame.normal_deg.rem_euclid(180.0), dark, settings);
        }
        frame.normal_deg -= numbered.slope.atan().to_degrees();
    }
}

/// Line means -> pitch with uncertainty, after the last checks.
fn conclude(
    numbered: Numbered,
    normal_deg: f64,
    dark: bool,
    settings: &RulingSettings,
) -> Result<RulingFit, RulingError> {
    let lines = numbered.line_means();
    let n = lines.len();
    if n < settings.min_lines {
        return Err(RulingError::TooFew { found: n, least: settings.min_lines });
    }
    let line = index::straight_fit(&lines);
    let first = lines.iter().map(|l| l.index).min().unwrap_or(0);
    let residuals: Vec<LineResidual> = lines
        .iter()
        .map(|l| LineResidual { index: l.index - first, residual_px: l.t - line.at(l.index), n_strips: l.n_strips })
        .collect();
    let rms_px = (residuals.iter().map(|r| r.residual_px.powi(2)).sum::<f64>() / n as f64).sqrt();
    // The slope across strips turns the distance along `t` into the one across the lines.
    let pitch_px = line.pitch * numbered.slope.atan().cos();
    let side = |odd: i64| {
        let of: Vec<f64> = residuals.iter().filter(|r| r.index.rem_euclid(2) == odd).map(|r| r.residual_px).collect();
        of.iter().sum::<f64>() / of.len().max(1) as f64
    };
    let shift = (side(0) - side(1)).abs();
    if settings.pair_share * pitch_px < shift {
        return Err(RulingError::Pairs { share_percent: 100.0 * shift / pitch_px });
    }
    if settings.rms_share * pitch_px < rms_px {
        return Err(RulingError::Uneven { rms_percent: 100.0 * rms_px / pitch_px });
    }
    let places = (lines.iter().map(|l| l.index).max().unwrap_or(0) - first + 1) as usize;
    if (n as f64) < settings.fill_share * places as f64 {
        return Err(RulingError::Gaps { missing: places - n, places });
    }
    Ok(RulingFit {
        pitch_px,
        pitch_u_px: line.pitch_u,
        normal_deg,
        dark,
        lines: residuals,
        rms_px,
        long_and_short: numbered.long_and_short,
    })
}
