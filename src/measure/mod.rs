//! Candidate -> measured end: traced shaft, sub-pixel edges, features, quality.

pub use settle::settle_widths;

use crate::find::Candidate;
use crate::measure::guide::guides;
use crate::measure::planes::Planes;
use crate::measure::shaft::{Rough, Shaft, measure_shaft};
use crate::micrograph::Micrograph;
use crate::settings::MeasureSettings;
use crate::units::Point;

// The registry of features.
mod registry;

// The picture at halving sizes.
mod planes;

// Straightened strips.
mod strip;

// A first idea of which pixels are own fibre.
mod guide;

// Pairs of edges through a strip.
mod trace;

// One edge to a fraction of a sample.
mod edge;

// Centre line, edges and diameter of the shaft.
mod settle;
mod shaft;

// Outline of the end.
mod zone;

// Straight edge, cap, neck, taper.
mod shape;

// Brightness, colour, texture, surroundings.
mod tone;

// What can be graded.
mod quality;

// All of one end.
mod end;

pub use registry::{FEATURE_SCHEMA, FEATURES, Feature, FeatureRow, Stage};

/// What the overlay and the review page draw of an end.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Drawn {
    /// Traced centre line, from the tip backwards.
    pub centre_line: Vec<Point>,
    /// Left and right edge points of the shaft, from the tip backwards.
    pub edges: [Vec<Point>; 2],
    /// Outline of the end zone, from one side of the shaft round the tip to the other.
    pub outline: Vec<Point>,
    /// Fitted straight edge of the end.
    pub end_line: Option<(Point, Point)>,
}

/// An end with its measurements.
#[derive(Debug, Clone, PartialEq)]
pub struct MeasuredEnd {
    /// The middle of the end, px.
    pub tip: Point,
    /// Direction of the shaft over the last 1.5 diameters, out of the fibre, degrees.
    pub axis_deg: f64,
    /// Confidence of the finder, then of the second stage, 0..1.
    pub score: f64,
    /// How well the picture shows this end, 0..1.
    pub quality: f64,
    /// Measured features.
    pub features: FeatureRow,
    /// What can be drawn.
    pub drawn: Drawn,
    /// Why the picture does not allow a verdict on this end; empty = gradable.
    pub not_gradable: Vec<&'static str>,
}

/// Measures every candidate of a picture; order and number are kept.
pub fn measure_ends(micrograph: &Micrograph, candidates: &[Candidate], settings: &MeasureSettings) -> Vec<MeasuredEnd> {
    let usable: Vec<Option<Rough>> = candidates.iter().map(|c| rough(micrograph, c, settings)).collect();
    let widest = usable.iter().flatten().map(|r| r.width_px).fold(0.0, f64::max);
    let planes = Planes::new(micrograph, 1.5 * widest / settings.coarse_samples);
    let guides = guides(&planes, &usable);
    let shafts = usable
        .iter()
        .zip(&guides)
        .map(|(rough, guide)| rough.as_ref().and_then(|r| measure_shaft(&planes, r, guide.as_ref(), settings)));
    let shafts: Vec<Option<Shaft>> = shafts.collect();
    candidates
        .iter()
        .zip(shafts.iter().zip(&guides))
        .map(|(candidate, (shaft, guide))| match shaft {
            Some(shaft) => end::measure_end(&planes, candidate, shaft, guide.as_ref(), settings),
            None => {
                let mut end = end::unmeasured(candidate);
                end.not_gradable.push(quality::NO_SHAFT);
                end
            }
        })
        .collect()
}

/// What the finder says, when it can be measured at all.
fn rough(micrograph: &Micrograph, c: &Candidate, settings: &MeasureSettings) -> Option<Rough> {
    let numbers = [c.tip.x, c.tip.y, c.axis_deg, c.width_px];
    let longest = f64::from(micrograph.grey.width().max(micrograph.grey.height()));
    let usable = numbers.iter().all(|v| v.is_finite())
        && micrograph.grey.width() > 0
        && micrograph.grey.height() > 0
        && 1.0 <= c.width_px
        && c.width_px <= longest
        && micrograph.grey.contains(c.tip);
    usable.then_some(Rough {
        tip: c.tip,
        axis_deg: c.axis_deg,
        width_px: c.width_px,
        width_sigma: settings.rough_width_sigma,
    })
}

#[cfg(test)]
mod tests;
