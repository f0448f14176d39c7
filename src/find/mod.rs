//! [`Micrograph`] -> candidate fibre ends.
//!
//! A small network (see `network`) looks at copies of the picture, each half the size of the one before (`pyramid`), so that
//! fibres of any width appear 6 to 13 px wide in one of them; its maps become candidates, and second hits on one end are
//! merged (`peaks`). Nothing here measures: widths and axes are rough, made good by [`crate::measure`].

mod network;
mod peaks;
mod pyramid;
mod second_look;

use crate::measure::MeasuredEnd;
use crate::micrograph::Micrograph;
use crate::settings::FindSettings;
use crate::units::Point;

pub use network::{Finder, FinderError};

/// A place where a fibre seems to end.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Candidate {
    /// Where the end is, px.
    pub tip: Point,
    /// Direction of the shaft out of the fibre, degrees.
    pub axis_deg: f64,
    /// Rough width of the shaft, px.
    pub width_px: f64,
    /// Confidence that a fibre ends here, 0..1.
    pub score: f64,
    /// The finder's impression that the end looks sheared, 0..1.
    pub look_sheared: Option<f64>,
}

/// All candidate ends of a picture, strongest first. With a known scale only the sizes that fibres can have there are
/// searched, else all sizes.
pub fn find_ends(micrograph: &Micrograph, finder: &Finder, settings: &FindSettings) -> Vec<Candidate> {
    let mut found = Vec::new();
    let levels = pyramid::levels(micrograph, settings);
    for level in levels.iter().filter(|l| l.searched) {
        finder.look(level, |maps| peaks::collect(maps, level, settings, &mut found));
    }
    if settings.second_look {
        found = finder.second_look().correct(&levels, &peaks::thin(found, settings));
        found.retain(|c| c.score >= settings.min_second_score);
    }
    found.retain(|c| micrograph.grey.contains(c.tip) && !micrograph.burnt_in.iter().any(|b| b.contains(c.tip)));
    peaks::merge(found, settings)
}

/// Measured candidates that are ends: once widths and tips are measured, second hits on one end are dropped for good.
pub fn accept(micrograph: &Micrograph, measured: Vec<MeasuredEnd>, settings: &FindSettings) -> Vec<MeasuredEnd> {
    let as_candidate = |end: &MeasuredEnd| Candidate {
        tip: end.tip,
        axis_deg: end.axis_deg,
        width_px: end.features.get("shaft_diameter_px").unwrap_or(1.0),
        score: end.score,
        look_sheared: None,
    };
    let kept = peaks::merge(measured.iter().map(as_candidate).collect(), settings);
    let stays = |end: &MeasuredEnd| micrograph.grey.contains(end.tip) && kept.contains(&as_candidate(end));
    measured.into_iter().filter(stays).collect()
}
