//! Picture of a stage micrometer -> pitch of its lines in pixels, by fitting all of them.
//!
//! Direction of the lines, profiles across them, centre of every line to a fraction of a pixel, a whole number for every
//! line, one straight fit through all. What cannot be numbered with certainty is refused with its reason.

mod direction;
mod fit;
mod index;
mod strip;

pub use fit::{LineResidual, RulingError, RulingFit};

use crate::micrograph::GreyPlane;
use crate::settings::RulingSettings;
use crate::units::{Point, PxBox};
use index::{Numbered, number_lines};
use strip::{Frame, Line, profiles};

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
