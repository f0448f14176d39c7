//! Ends of one carrier in one picture: sheared fraction, common cut plane, spread, verdict.

use super::End;
use crate::carrier::edge_direction_deg;
use crate::robust::{median, quantile};
use crate::series::SeriesRow;
use crate::settings::FaceSettings;
use crate::stats::angle::{self, MeanAngle, WeightedAxis};
use crate::table::{CarrierRow, CarrierVerdict};
use crate::tree::Label;
use std::collections::BTreeMap;

/// Tail shares between which the middle 80 % lie.
const MIDDLE: (f64, f64) = (0.1, 0.9);

/// One row per carrier of a picture, by number. Ungrouped ends are left out.
pub fn rows(picture: &SeriesRow, ends: &[&End], settings: &FaceSettings) -> Vec<CarrierRow> {
    let mut groups: BTreeMap<u32, Vec<&End>> = BTreeMap::new();
    for end in ends {
        if let Some(carrier) = end.carrier {
            groups.entry(carrier).or_default().push(end);
        }
    }
    groups.into_iter().map(|(carrier, ends)| row(picture, carrier, &ends, settings)).collect()
}

fn row(picture: &SeriesRow, carrier: u32, ends: &[&End], settings: &FaceSettings) -> CarrierRow {
    let count = |label: Label| ends.iter().filter(|e| e.label == label).count() as u32;
    let (n_sheared, n_tensile) = (count(Label::Sheared), count(Label::Tensile));
    let labelled = n_sheared + n_tensile;
    let share = (0 < labelled).then(|| f64::from(n_sheared) / f64::from(labelled));
    let plane = cut_plane(ends, settings);
    let diameters: Vec<f64> = ends.iter().filter_map(|e| e.shaft_diameter_px).collect();
    let diameter = median(&diameters).filter(|d| 0.0 < *d);
    CarrierRow {
        image: picture.image.clone(),
        specimen: picture.specimen.clone(),
        carrier,
        n_sheared,
        n_tensile,
        n_unclear: count(Label::Unclear),
        sheared_fraction: share,
        cut_plane_deg: plane.and_then(|p| p.mean_deg),
        cut_plane_resultant: plane.map(|p| p.resultant),
        plane_distance_d: plane.and_then(|p| p.mean_deg).and_then(|deg| plane_distance(ends, deg, diameter?)),
        spread_along_d: spread_along(ends).zip(diameter).map(|(s, d)| s / d),
        verdict: Some(verdict(share, labelled, settings)),
    }
}

fn verdict(share: Option<f64>, labelled: u32, settings: &FaceSettings) -> CarrierVerdict {
    match share {
        Some(_) if labelled < settings.fewest_for_carrier => CarrierVerdict::TooFew,
        Some(share) if settings.whole_share <= share => CarrierVerdict::CutThrough,
        Some(share) if settings.whole_share <= 1.0 - share => CarrierVerdict::BrokenInTension,
        Some(_) => CarrierVerdict::PartlyCut,
        None => CarrierVerdict::TooFew,
    }
}

/// Direction of the straight edges: axial, so that 179° and 1° are neighbours, of the sheared ends when there are two or more.
/// Edges count by their own uncertainty, and those far off the rest not at all; the resultant length is that of all.
fn cut_plane(ends: &[&End], settings: &FaceSettings) -> Option<MeanAngle> {
    let edge = |end: &End| {
        let cut = end.cut_angle_deg?;
        let u = end.cut_angle_u_deg.unwrap_or(settings.edge_u_unknown_deg);
        let weight = 1.0 / (u * u + settings.edge_u_least_deg.powi(2));
        Some(WeightedAxis { deg: edge_direction_deg(end.axis_deg, cut), weight })
    };
    let edges = |wanted: Option<Label>| -> Vec<WeightedAxis> {
        ends.iter().filter(|e| wanted.is_none_or(|l| e.label == l)).filter_map(|e| edge(e)).collect()
    };
    let sheared = edges(Some(Label::Sheared));
    let used = if 2 <= sheared.len() { sheared } else { edges(None) };
    if used.len() < 2 {
        return None;
    }
    let all = angle::weighted_axes(&used)?;
    let mean_deg =
        all.mean_deg.and_then(|_| angle::robust_axis_deg(&used, settings.edge_outlier_sd, settings.edge_u_least_deg));
    Some(MeanAngle { mean_deg, ..all })
}

/// Median distance of the tips from the line of that direction through their middle, diameters.
fn plane_distance(ends: &[&End], plane_deg: f64, diameter: f64) -> Option<f64> {
    let (sin, cos) = plane_deg.to_radians().sin_cos();
    let off: Vec<f64> = ends.iter().map(|e| (cos * e.y_px - sin * e.x_px) / diameter).collect();
    let middle = median(&off)?;
    median(&off.iter().map(|o| (o - middle).abs()).collect::<Vec<_>>())
}

/// Length along the mean shaft direction that holds the middle 80 % of the tips, px; `None` without a mean direction.
pub fn spread_along(ends: &[&End]) -> Option<f64> {
    let axis = angle::directions(&ends.iter().map(|e| e.axis_deg).collect::<Vec<_>>())?.mean_deg?;
    let (sin, cos) = axis.to_radians().sin_cos();
    let along: Vec<f64> = ends.iter().map(|e| cos * e.x_px + sin * e.y_px).collect();
    Some(quantile(&along, MIDDLE.1)? - quantile(&along, MIDDLE.0)?)
}
