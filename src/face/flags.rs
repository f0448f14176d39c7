//! What to know about a face before its figures are used: flags, and the warnings of a run.

use super::control;
use super::faces::Face;
use crate::flag::{Flag, Warning};
use crate::robust::median;
use crate::series::Kind;
use crate::settings::FaceSettings;
use crate::table::{CarrierRow, FaceVerdict, SpecimenRow};
use std::collections::BTreeMap;

/// A picture whose scale disagrees with the rest of its line.
#[derive(Debug, Clone, PartialEq)]
pub struct Contradiction {
    /// Specimen code.
    pub specimen: String,
    /// Picture.
    pub image: String,
    /// Median fibre diameter in it, µm.
    pub diameter_um: f64,
    /// Median over the other pictures of the line, µm.
    pub others_um: f64,
}

/// Pictures whose fibre diameter is far from that of the other pictures of the same line. A line without a name is a line too.
pub fn contradicting_scales(faces: &[Face], settings: &FaceSettings) -> Vec<Contradiction> {
    let mut lines: BTreeMap<Option<&str>, Vec<(&str, &str, f64)>> = BTreeMap::new();
    for face in faces {
        for (picture, ends) in face.pictures.iter().zip(&face.ends) {
            let diameters: Vec<f64> = ends.iter().filter_map(|e| e.shaft_diameter_um).collect();
            if let Some(d) = median(&diameters).filter(|_| settings.fewest_for_diameter <= diameters.len()) {
                let line = lines.entry(picture.series.line.as_deref()).or_default();
                line.push((face.specimen, &picture.series.image, d));
            }
        }
    }
    let mut found = Vec::new();
    for pictures in lines.into_values().filter(|p| settings.fewest_of_line <= p.len()) {
        let mut sorted: Vec<f64> = pictures.iter().map(|p| p.2).collect();
        sorted.sort_by(f64::total_cmp);
        for (specimen, image, d) in &pictures {
            let Some(others_um) = median_without(&sorted, *d) else { continue };
            let factor = (d / others_um).max(others_um / d);
            if settings.diameter_factor <= factor {
                found.push(Contradiction {
                    specimen: (*specimen).to_owned(),
                    image: (*image).to_owned(),
                    diameter_um: *d,
                    others_um,
                });
            }
        }
    }
    found
}

/// Median of values in rising order, one of which is left out.
fn median_without(sorted: &[f64], value: f64) -> Option<f64> {
    let out = sorted.partition_point(|v| v.total_cmp(&value).is_lt());
    let at = |i: usize| sorted[if i < out { i } else { i + 1 }];
    let last = sorted.len().checked_sub(2)?;
    let middle = last / 2;
    Some(if last % 2 == 0 { at(middle) } else { at(middle) + 0.5 * (at(middle + 1) - at(middle)) })
}

/// The flags of one face.
pub fn flags(
    row: &SpecimenRow,
    face: &Face,
    carriers: &[CarrierRow],
    contradicting: &[Contradiction],
    settings: &FaceSettings,
) -> Vec<Flag> {
    let labelled = row.n_sheared + row.n_tensile;
    let mut found = Vec::new();
    let mut raise = |flag: Flag, raised: bool| {
        if raised {
            found.push(flag);
        }
    };
    let on_pictures = |flag: Flag| face.pictures.iter().any(|p| p.is_raised(flag));
    let largest = carriers.iter().map(|c| c.n_sheared + c.n_tensile).max().unwrap_or(0);
    let implausible = |d: f64| d < settings.least_diameter_um || settings.largest_diameter_um < d;
    raise(Flag::ControlFailed, control::wrong_share(face).is_some_and(|s| settings.control_wrong_share <= s));
    raise(Flag::ScaleContradicts, contradicting.iter().any(|c| c.specimen == row.specimen));
    raise(Flag::ScaleUnfit, on_pictures(Flag::ScaleUnfit));
    raise(Flag::MostlyShear, row.verdict == Some(FaceVerdict::MostlyShear) && row.kind != Some(Kind::Cut));
    raise(Flag::TooFewEnds, row.verdict == Some(FaceVerdict::TooFew));
    raise(Flag::OutOfFocus, on_pictures(Flag::OutOfFocus));
    raise(Flag::ScaleMissing, face.pictures.iter().any(|p| p.um_per_px.is_none()));
    raise(Flag::OutOfRange, on_pictures(Flag::OutOfRange));
    raise(
        Flag::OneCarrierDominates,
        settings.fewest_ends <= labelled && settings.dominating_share * f64::from(labelled) < f64::from(largest),
    );
    raise(Flag::ManyUnclear, labelled < row.n_unclear);
    raise(Flag::DiameterImplausible, row.fibre_diameter_um.is_some_and(implausible));
    raise(Flag::CountedOnce, 0 < face.left_out && face.pictures.len() > 1);
    found
}

/// One line each on what the run should say about its specimens; failed controls are said elsewhere.
pub fn warnings(rows: &[SpecimenRow], contradicting: &[Contradiction]) -> Vec<Warning> {
    let mut found: Vec<Warning> = contradicting
        .iter()
        .map(|c| {
            let text = format!(
                "{}: fibres measure {:.1} µm, in the other pictures of this line {:.1} µm: check its scale",
                c.image, c.diameter_um, c.others_um
            );
            Warning::new(Flag::ScaleContradicts, text)
        })
        .collect();
    let few: Vec<&str> = rows
        .iter()
        .filter(|r| crate::flag::known(&r.flags).any(|f| f == Flag::TooFewEnds))
        .map(|r| r.specimen.as_str())
        .collect();
    if let Some(first) = few.first() {
        let text = match few.len() {
            1 => format!("specimen {first} has too few labelled ends for a verdict"),
            n => format!("{n} specimens, {first} first, have too few labelled ends for a verdict"),
        };
        found.push(Warning::new(Flag::TooFewEnds, text));
    }
    found
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_median_without_one_value_is_that_of_the_others() {
        let values = [3.0, 1.0, 4.0, 1.0, 5.0, 9.0, 2.0, 6.0];
        for n in 1..=values.len() {
            let mut sorted = values[..n].to_vec();
            sorted.sort_by(f64::total_cmp);
            for i in 0..n {
                let others: Vec<f64> = (0..n).filter(|j| *j != i).map(|j| values[j]).collect();
                assert_eq!(median_without(&sorted, values[i]), median(&others));
            }
        }
    }
}
