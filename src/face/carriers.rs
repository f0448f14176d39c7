//! Ends of one carrier in one picture: sheared fraction, common cut plane, spread, verdict.

use super::effective_sample::shows_own_carriers;
use super::end::End;
use super::faces::Face;
use crate::carrier::cut_plane as plane;
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

/// Carriers of a face by verdict.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct Counts {
    /// Seen: never more than the braid is told to have.
    pub seen: u32,
    /// Of these: cut through.
    pub cut: u32,
    /// Of these: partly cut.
    pub partly: u32,
    /// Of these: broken in tension.
    pub tensile: u32,
}

/// Counts the carriers of a face. The same carriers come back in its pictures, so they are counted in the picture that shows most
/// of them (the first of several); pictures that show carriers of their own add theirs. More groups than the braid has
/// carriers are brought down to its number in proportion.
pub fn counts(face: &Face, rows: &[CarrierRow]) -> Counts {
    let in_picture = |image: &str| {
        let of = |verdict| rows.iter().filter(|r| r.image == image && r.verdict == Some(verdict)).count() as u32;
        let seen = rows.iter().filter(|r| r.image == image).count() as u32;
        [seen, of(CarrierVerdict::CutThrough), of(CarrierVerdict::PartlyCut), of(CarrierVerdict::BrokenInTension)]
    };
    let (mut own, mut fullest) = ([0; 4], [0; 4]);
    for picture in &face.pictures {
        let here = in_picture(&picture.series.image);
        if shows_own_carriers(picture) {
            own = std::array::from_fn(|k| own[k] + here[k]);
        } else if fullest[0] < here[0] {
            fullest = here;
        }
    }
    let all: [u32; 4] = std::array::from_fn(|k| own[k] + fullest[k]);
    let told = face.pictures.iter().find_map(|p| p.series.carriers);
    let [seen, cut, partly, tensile] = match told {
        Some(told) if told < all[0] => all.map(|n| n * told / all[0]),
        _ => all,
    };
    Counts { seen, cut, partly, tensile }
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
    let edge = |end: &End| Some(plane::edge(end.axis_deg, end.cut_angle_deg?, end.cut_angle_u_deg, settings));
    let edges = |wanted: Option<Label>| -> Vec<WeightedAxis> {
        ends.iter().filter(|e| wanted.is_none_or(|l| e.label == l)).filter_map(|e| edge(e)).collect()
    };
    let sheared = edges(Some(Label::Sheared));
    let used = if 2 <= sheared.len() { sheared } else { edges(None) };
    if used.len() < 2 {
        return None;
    }
    let all = angle::weighted_axes(&used)?;
    let mean_deg = all.mean_deg.and_then(|_| plane::direction_deg(&used, settings));
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
