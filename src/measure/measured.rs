//! What measuring gives of one end.

use super::registry::FeatureRow;
use crate::flag::Reason;
use crate::units::Point;

/// What the overlay and the review page draw of an end.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Drawn {
    /// Traced centre line, from the tip backwards.
    pub centre_line: Vec<Point>,
    /// Left and right edge points of the shaft, from the tip backwards.
    pub edges: [Vec<Point>; 2],
    /// Outline of the end region, from one side of the shaft round the tip to the other.
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
    /// Confidence of the detector, then of the second stage, 0..1.
    pub score: f64,
    /// How well the picture shows this end, 0..1.
    pub quality: f64,
    /// Measured features.
    pub features: FeatureRow,
    /// What can be drawn.
    pub drawn: Drawn,
    /// Why the picture does not allow a verdict on this end; empty = gradable.
    pub not_gradable: Vec<Reason>,
}
