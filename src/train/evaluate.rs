//! Saved results against truth: how many ends were found, how well they were measured, how well they were labelled.
//!
//! Results + truth -> [`Tally`] over all pictures and by picture, magnification, specimen, look, view and form of end.

use super::confusion::Confusion;
use super::ground_truth::{TrueEnd, TruePicture, base_name, pairs};
use crate::labels::{HandLabel, LabelRow};
use crate::results::Results;
use crate::settings::LabelSettings;
use crate::table::EndRow;
use crate::tree::subtype::FORMS;
use crate::units::{Point, direction_gap_deg};
use std::collections::BTreeMap;

/// Counts and errors over some pictures.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Tally {
    /// Pictures.
    pub pictures: usize,
    /// True ends that a person could grade.
    pub gradable: usize,
    /// Of these, found.
    pub found: usize,
    /// Found ends that belong to no true end.
    pub false_alarms: usize,
    /// Truth against label, of gradable ends that were found.
    pub labels: Confusion,
    /// Distance of the tip over the diameter.
    pub tip_d: Vec<f64>,
    /// Turn of the axis, degrees.
    pub axis_deg: Vec<f64>,
    /// Relative error of the shaft diameter.
    pub diameter: Vec<f64>,
    /// Error of the bulb ratio.
    pub bulb_ratio: Vec<f64>,
    /// Error of the size of the cut angle of edge-on cuts, degrees.
    pub cut_angle_deg: Vec<f64>,
    /// Found ends with the right label whose form was told.
    pub forms_told: usize,
    /// Of these, told as the truth has it.
    pub forms_right: usize,
}

impl Tally {
    /// Found of gradable.
    pub fn recall(&self) -> Option<f64> {
        share(self.found, self.gradable)
    }

    /// True of all found ends that count.
    pub fn precision(&self) -> Option<f64> {
        share(self.found, self.found + self.false_alarms)
    }

    /// Forms told as the truth has them, of all told.
    pub fn form_accuracy(&self) -> Option<f64> {
        share(self.forms_right, self.forms_told)
    }

    /// Harmonic mean of recall and precision.
    pub fn f1(&self) -> Option<f64> {
        share(2 * self.found, 2 * self.found + self.false_alarms + (self.gradable - self.found))
    }

    fn add(&mut self, ends: &[TrueEnd], found: &[&EndRow], settings: &LabelSettings) {
        let tips: Vec<Point> = found.iter().map(|e| Point::new(e.x_px, e.y_px)).collect();
        let matched = pairs(ends, &tips, settings);
        self.pictures += 1;
        self.gradable += ends.iter().filter(|e| e.gradable).count();
        self.false_alarms += found.len() - matched.len();
        for (i, j) in matched {
            if ends[i].gradable {
                self.add_pair(&ends[i], found[j]);
            }
        }
    }

    fn add_pair(&mut self, truth: &TrueEnd, found: &EndRow) {
        self.found += 1;
        self.labels.add(truth.label, found.label);
        if truth.label == found.label && !found.subtype.is_empty() {
            self.forms_told += 1;
            self.forms_right += usize::from(is_form(&found.subtype, &truth.subtype));
        }
        let d = truth.shaft_diameter_px;
        if 0.0 < d {
            self.tip_d.push(truth.tip.distance(Point::new(found.x_px, found.y_px)) / d);
            self.diameter.extend(found.features.get("shaft_diameter_px").map(|v| v / d - 1.0));
        }
        self.axis_deg.extend(truth.axis_deg.map(|a| direction_gap_deg(a, found.axis_deg)));
        let both = truth.bulb_ratio.zip(found.features.get("bulb_ratio"));
        self.bulb_ratio.extend(both.map(|(t, f)| f - t));
        let both = truth.cut_angle_deg.zip(found.features.get("cut_angle_deg"));
        self.cut_angle_deg.extend(both.map(|(t, f)| f.abs() - t.abs()));
    }
}

/// Whether a told form is the one that the truth names; an oblique cut is a clean one there.
fn is_form(told: &str, truth: &str) -> bool {
    let told = if told == "oblique" { "clean" } else { told };
    FORMS.iter().any(|f| f.word == told && f.truth == truth)
}

fn share(part: usize, of: usize) -> Option<f64> {
    (0 < of).then(|| part as f64 / of as f64)
}

/// Median of the sizes of errors; `None` of nothing.
pub fn median_size(errors: &[f64]) -> Option<f64> {
    median(errors.iter().map(|e| e.abs()).collect())
}

/// Median; `None` of nothing.
pub fn median(mut values: Vec<f64>) -> Option<f64> {
    values.sort_by(f64::total_cmp);
    let middle = values.len() / 2;
    match values.len() {
        0 => None,
        n if n % 2 == 1 => Some(values[middle]),
        _ => Some(f64::midpoint(values[middle - 1], values[middle])),
    }
}

/// Figures of a run.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Evaluation {
    /// Over all pictures with truth.
    pub all: Tally,
    /// By kind of part (`look`, `view`, `magnification`, `specimen`, `picture`, `form`) and its name.
    pub parts: BTreeMap<(&'static str, String), Tally>,
    /// Pictures with truth that the run does not have.
    pub missing: Vec<String>,
}

/// Compares a run with true pictures, by file name.
pub fn evaluate(results: &Results, truth: &BTreeMap<String, TruePicture>, settings: &LabelSettings) -> Evaluation {
    let mut by_image: BTreeMap<&str, Vec<&EndRow>> = BTreeMap::new();
    for image in &results.images {
        by_image.entry(base_name(&image.series.image)).or_default();
    }
    for end in &results.ends {
        by_image.entry(base_name(&end.image)).or_default().push(end);
    }
    let mut out = Evaluation::default();
    for (image, picture) in truth {
        if !by_image.contains_key(image.as_str()) {
            out.missing.push(image.clone());
        }
        let found = by_image.get(image.as_str()).map(Vec::as_slice).unwrap_or_default();
        out.all.add(&picture.ends, found, settings);
        for part in parts(picture) {
            out.parts.entry(part).or_default().add(&picture.ends, found, settings);
        }
        add_forms(&mut out, picture, found, settings);
    }
    out
}

/// Gradable ends of a picture by their true form.
fn add_forms(out: &mut Evaluation, picture: &TruePicture, found: &[&EndRow], settings: &LabelSettings) {
    let tips: Vec<Point> = found.iter().map(|e| Point::new(e.x_px, e.y_px)).collect();
    let part = |end: &TrueEnd| ("form", end.subtype.clone());
    for end in picture.ends.iter().filter(|e| e.gradable) {
        out.parts.entry(part(end)).or_default().gradable += 1;
    }
    for (i, j) in pairs(&picture.ends, &tips, settings) {
        let end = &picture.ends[i];
        if end.gradable {
            out.parts.entry(part(end)).or_default().add_pair(end, found[j]);
        }
    }
}

/// Steps of magnification, each about twice the one before.
const BANDS: [(f64, &str); 6] = [
    (100.0, "up to 100x"),
    (200.0, "100x to 200x"),
    (400.0, "200x to 400x"),
    (800.0, "400x to 800x"),
    (1600.0, "800x to 1600x"),
    (f64::INFINITY, "above 1600x"),
];

fn parts(picture: &TruePicture) -> Vec<(&'static str, String)> {
    let mut out = vec![("picture", picture.image.clone())];
    let band = picture.magnification.and_then(|m| BANDS.iter().find(|b| m <= b.0));
    out.extend(band.map(|b| ("magnification", b.1.to_owned())));
    for (kind, name) in [("specimen", &picture.specimen), ("look", &picture.look), ("view", &picture.view)] {
        if !name.is_empty() {
            out.push((kind, name.clone()));
        }
    }
    out
}

/// Hand labels as truth for the labels of a run: every end that a person called sheared or tensile is gradable, every
/// other labelled end is neither right nor wrong. Ends that nobody looked at are left out, so that only labels, not the
/// detector, are judged; `not_an_end` counts as a false alarm.
pub fn evaluate_labels(results: &Results, labels: &[LabelRow], settings: &LabelSettings) -> Evaluation {
    let placed = crate::labels::place(labels, &results.ends, settings);
    let mut ends: BTreeMap<(&str, u32), &EndRow> = BTreeMap::new();
    for end in &results.ends {
        ends.insert((&end.image, end.end), end);
    }
    let mut out = Evaluation::default();
    for row in crate::labels::effective(&placed) {
        let Some(label) = row.label else { continue };
        let end = match row.end {
            Some(crate::labels::EndRef::Found(n)) => ends.get(&(row.image.as_str(), n)).copied(),
            _ => None,
        };
        let mut names = vec![("picture", row.image.clone())];
        if let Some(end) = end.filter(|e| !e.specimen.is_empty()) {
            names.push(("specimen", end.specimen.clone()));
        }
        let band = results.image(&row.image).and_then(|i| i.um_per_px).map(|s| format!("{s} um/px"));
        names.extend(band.map(|b| ("scale", b)));
        add_label(&mut out.all, label, end);
        for name in names {
            add_label(out.parts.entry(name).or_default(), label, end);
        }
    }
    out
}

fn add_label(tally: &mut Tally, label: HandLabel, end: Option<&EndRow>) {
    match (label.label(), end) {
        (None, Some(_)) => tally.false_alarms += 1,
        (Some(truth), end) if truth.class().is_some() => {
            tally.gradable += 1;
            if let Some(end) = end {
                tally.found += 1;
                tally.labels.add(truth, end.label);
            }
        }
        _ => {}
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn medians_follow_their_definition() {
        assert_eq!(median(vec![]), None);
        assert_eq!(median(vec![3.0, 1.0, 2.0]), Some(2.0));
        assert_eq!(median(vec![4.0, 1.0, 2.0, 3.0]), Some(2.5));
        assert_eq!(median_size(&[-4.0, 1.0, 2.0]), Some(2.0));
    }

    // By hand: 8 of 10 found and 2 false alarms give recall, precision and F1 of 0.8.
    #[test]
    fn detection_figures_follow_their_definitions() {
        let tally = Tally { gradable: 10, found: 8, false_alarms: 2, ..Tally::default() };
        assert_eq!((tally.recall(), tally.precision(), tally.f1()), (Some(0.8), Some(0.8), Some(0.8)));
        assert_eq!((Tally::default().recall(), Tally::default().f1()), (None, None));
    }
}
