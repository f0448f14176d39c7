//! The common cut plane of a carrier, seen from the side: one line in the picture, from the straight edges of its ends.

use super::input::edge_direction_deg;
use crate::settings::FaceSettings;
use crate::stats::angle::{WeightedAxis, robust_axis_deg};

/// The straight edge of an end as a direction in the picture, from its axis and its signed cut angle. It counts by its standard
/// uncertainty, degrees, and hardly where none is told.
pub fn edge(axis_deg: f64, cut_angle_deg: f64, u_deg: Option<f64>, settings: &FaceSettings) -> WeightedAxis {
    let u = u_deg.unwrap_or(settings.edge_u_unknown_deg);
    let weight = 1.0 / (u * u + settings.edge_u_least_deg.powi(2));
    WeightedAxis { deg: edge_direction_deg(axis_deg, cut_angle_deg), weight }
}

/// The direction that edges have in common, degrees modulo 180; those far off the rest do not count. `None` where they cancel out.
pub fn direction_deg(edges: &[WeightedAxis], settings: &FaceSettings) -> Option<f64> {
    robust_axis_deg(edges, settings.edge_outlier_sd, settings.edge_u_least_deg)
}
