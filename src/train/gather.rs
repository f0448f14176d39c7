//! Labels and saved results -> rows to learn from. Needs no pictures.

use super::TrainingRow;
use super::ground_truth::{TruePicture, base_name, pairs};
use crate::flag::Reason;
use crate::labels::{EndRef, LabelRow, disputed, effective, place};
use crate::results::Results;
use crate::series::Kind;
use crate::settings::LabelSettings;
use crate::table::EndRow;
use crate::tree::Label;
use crate::units::Point;
use std::collections::{BTreeMap, BTreeSet};

/// Rows found for labels, and the labels that had no end.
#[derive(Debug, Clone, Default)]
pub struct Gathered {
    /// Rows to learn from.
    pub rows: Vec<TrainingRow>,
    /// Labels of ends that the run had not found: their features are not known.
    pub n_unmatched: usize,
    /// Ends on which labellers differ, none of them with a majority.
    pub n_undecided: usize,
}

/// The row of a found end with a label; its picture family is named like its source.
pub fn training_row(end: &EndRow, label: Label, source: &str, weight: f64) -> TrainingRow {
    let group = if end.specimen.is_empty() { &end.image } else { &end.specimen };
    TrainingRow {
        source: source.to_owned(),
        family: source.to_owned(),
        group: group.clone(),
        image: end.image.clone(),
        tip: Point::new(end.x_px, end.y_px),
        label,
        weight,
        features: end.features.clone(),
    }
}

/// Hand labels on the ends of a run: by the number of the end or by position. Labels that are `unclear` or no end teach
/// nothing.
pub fn from_labels(results: &Results, labels: &[LabelRow], settings: &LabelSettings, weight: f64) -> Gathered {
    let mut ends: BTreeMap<(&str, u32), &EndRow> = BTreeMap::new();
    for end in &results.ends {
        ends.insert((&end.image, end.end), end);
    }
    let placed = place(labels, &results.ends, settings);
    let mut out = Gathered { n_undecided: undecided(&placed), ..Gathered::default() };
    for row in effective(&placed) {
        let Some(label) = row.label.and_then(|l| l.label()).filter(|l| l.class().is_some()) else { continue };
        let found = match row.end {
            Some(EndRef::Found(n)) => ends.get(&(row.image.as_str(), n)),
            _ => None,
        };
        match found {
            Some(end) => out.rows.push(training_row(end, label, "hand labels", weight)),
            None => out.n_unmatched += 1,
        }
    }
    out
}

/// Ends on which labellers differ and no label counts.
fn undecided(placed: &[LabelRow]) -> usize {
    let decided: BTreeSet<_> = effective(placed).into_iter().map(|row| (&row.image, row.end)).collect();
    disputed(placed).iter().filter(|end| !decided.contains(&(&end.image, end.end))).count()
}

/// The ends of control specimens: sheared in scissor cuts, tensile in straight pulls. Ends that could not be graded are
/// left out.
pub fn from_controls(results: &Results, weight: f64) -> Gathered {
    let mut out = Gathered::default();
    for end in results.ends.iter().filter(|e| is_gradable(e)) {
        let label = match results.image(&end.image).and_then(|i| i.series.kind) {
            Some(Kind::Cut) => Label::Sheared,
            Some(Kind::Pull) => Label::Tensile,
            _ => continue,
        };
        out.rows.push(training_row(end, label, "controls", weight));
    }
    out
}

/// Whether the run gave a verdict, or could have: not those that the picture did not allow.
fn is_gradable(end: &EndRow) -> bool {
    end.label != Label::Unclear || Reason::split(&end.reason).any(Reason::is_undecided)
}

/// Found ends that match gradable true ends of pictures with the same file name; their picture family is the one that
/// the truth names.
pub fn from_truth(
    results: &Results,
    truth: &BTreeMap<String, TruePicture>,
    settings: &LabelSettings,
    weight: f64,
) -> Gathered {
    let mut by_image: BTreeMap<&str, Vec<&EndRow>> = BTreeMap::new();
    for end in &results.ends {
        by_image.entry(base_name(&end.image)).or_default().push(end);
    }
    let mut out = Gathered::default();
    for (image, picture) in truth {
        let found = by_image.get(image.as_str()).map(Vec::as_slice).unwrap_or_default();
        let tips: Vec<Point> = found.iter().map(|e| Point::new(e.x_px, e.y_px)).collect();
        let matched = pairs(&picture.ends, &tips, settings);
        let gradable = picture.ends.iter().filter(|e| e.gradable).count();
        let rows = matched.iter().filter(|(i, _)| picture.ends[*i].gradable);
        let before = out.rows.len();
        out.rows.extend(rows.map(|&(i, j)| TrainingRow {
            family: if picture.family.is_empty() { "truth".to_owned() } else { picture.family.clone() },
            ..training_row(found[j], picture.ends[i].label, "truth", weight)
        }));
        out.n_unmatched += gradable - (out.rows.len() - before);
    }
    out
}
