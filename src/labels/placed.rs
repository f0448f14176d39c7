//! Hand labels laid over the ends of a run.
//!
//! Rows of `labels.csv` + rows of `ends.csv` -> which row speaks of which end; the table with hand labels in place.

use std::collections::BTreeMap;

use super::{EndRef, HandLabel, LabelRow, effective};
use crate::flag::Reason;
use crate::settings::LabelSettings;
use crate::table::EndRow;
use crate::tree::Label;
use crate::units::Point;

/// The same rows, each with the end it speaks of: by its number while that end is near the row's tip, else by the
/// nearest found end, else as an added end.
pub fn place(rows: &[LabelRow], ends: &[EndRow], settings: &LabelSettings) -> Vec<LabelRow> {
    let mut by_image: BTreeMap<&str, Vec<&EndRow>> = BTreeMap::new();
    for end in ends {
        by_image.entry(&end.image).or_default().push(end);
    }
    let mut added_of: BTreeMap<&str, BTreeMap<[i64; 2], u32>> = BTreeMap::new();
    let mut last_added: BTreeMap<&str, u32> = BTreeMap::new();
    for row in rows {
        if let Some(EndRef::Added(n)) = row.end {
            let last = last_added.entry(&row.image).or_default();
            *last = n.max(*last);
        }
    }
    let nothing = Vec::new();
    rows.iter()
        .map(|row| {
            let near = by_image.get(row.image.as_str()).unwrap_or(&nothing);
            let end = found_end(row, near, settings).unwrap_or_else(|| {
                // Without a number the position is all there is: the same position is the same end.
                let position = [row.tip.x, row.tip.y].map(|v| (v * 100.0).round() as i64);
                let last = last_added.entry(&row.image).or_default();
                let number = added_of.entry(&row.image).or_default().entry(position).or_insert_with(|| {
                    *last += 1;
                    *last
                });
                EndRef::Added(*number)
            });
            LabelRow { end: Some(end), ..row.clone() }
        })
        .collect()
}

fn found_end(row: &LabelRow, ends: &[&EndRow], settings: &LabelSettings) -> Option<EndRef> {
    let reach = |end: &EndRow, diameters: f64| {
        let diameter = end.features.get("shaft_diameter_px").unwrap_or(0.0);
        settings.match_px.max(diameters * diameter)
    };
    let distance = |end: &EndRow| Point::new(end.x_px, end.y_px).distance(row.tip);
    let numbered = match row.end {
        Some(EndRef::Added(n)) => return Some(EndRef::Added(n)),
        Some(EndRef::Found(n)) => ends.iter().find(|e| e.end == n),
        None => None,
    };
    if let Some(end) = numbered.filter(|e| distance(e) <= reach(e, settings.max_move_diameters)) {
        return Some(EndRef::Found(end.end));
    }
    let nearest = ends.iter().min_by(|a, b| distance(a).total_cmp(&distance(b)))?;
    (distance(nearest) <= reach(nearest, settings.match_diameters)).then_some(EndRef::Found(nearest.end))
}

/// An end after review.
#[derive(Debug, Clone, PartialEq)]
pub struct ReviewedEnd {
    /// Its row, with the hand label in place.
    pub row: EndRow,
    /// What the model had said; `None` for added ends.
    pub model: Option<Label>,
    /// What a person said; `None` = nobody looked.
    pub hand: Option<HandLabel>,
}

/// The table of ends with hand labels in place.
///
/// `ends` are the model's rows; `rows` are placed ([`place`]). Measurements, probabilities and the model's answer do not
/// change. An end that a person says is none stays in the table as `unclear` and does not count. Added ends follow after
/// those of their picture, without measurements; they count where the other ends of their picture do.
pub fn with_hand_labels(ends: &[EndRow], rows: &[LabelRow]) -> Vec<ReviewedEnd> {
    let mut by_end: BTreeMap<(&str, EndRef), &LabelRow> = BTreeMap::new();
    for row in effective(rows) {
        if let Some(end) = row.end {
            by_end.insert((&row.image, end), row);
        }
    }
    let mut out = Vec::with_capacity(ends.len());
    for (index, end) in ends.iter().enumerate() {
        let hand = by_end.get(&(end.image.as_str(), EndRef::Found(end.end))).and_then(|r| r.label);
        let row = hand.map_or_else(|| end.clone(), |label| relabelled(end, label));
        out.push(ReviewedEnd { row, model: Some(end.label), hand });
        let is_last = ends.get(index + 1).is_none_or(|next| next.image != end.image);
        if is_last {
            let added =
                by_end.range((end.image.as_str(), EndRef::Added(0))..=(end.image.as_str(), EndRef::Added(u32::MAX)));
            let mut number = end.end;
            for (_, row) in added {
                let Some(label) = row.label.and_then(HandLabel::label) else { continue };
                number += 1;
                out.push(ReviewedEnd { row: added_end(end, row, label, number), model: None, hand: row.label });
            }
        }
    }
    out
}

fn relabelled(end: &EndRow, hand: HandLabel) -> EndRow {
    let mut row = end.clone();
    row.label = hand.label().unwrap_or(Label::Unclear);
    row.label_hand = Some(hand);
    row.counted = end.counted && hand != HandLabel::NotAnEnd;
    row.reason = match hand {
        HandLabel::NotAnEnd => Reason::join(&[Reason::NotAnEnd]),
        HandLabel::Unclear => Reason::join(&[Reason::UnclearByHand]),
        HandLabel::Sheared | HandLabel::Tensile => String::new(),
    };
    row
}

fn added_end(neighbour: &EndRow, row: &LabelRow, label: Label, number: u32) -> EndRow {
    EndRow {
        end: number,
        carrier: None,
        x_px: row.tip.x,
        y_px: row.tip.y,
        axis_deg: 0.0,
        shaft_diameter_um: None,
        shaft_diameter_u_um: None,
        label,
        p_sheared: None,
        shape_p_sheared: None,
        appearance_p_sheared: None,
        quality: 0.0,
        reason: Reason::join(&[Reason::AddedByHand]),
        subtype: String::new(),
        features: Default::default(),
        label_model: None,
        label_hand: row.label,
        ..neighbour.clone()
    }
}

#[cfg(test)]
mod tests {
    use super::super::Action;
    use super::*;

    fn end(image: &str, number: u32, x: f64, label: Label) -> EndRow {
        let mut features = crate::measure::FeatureRow::default();
        features.set("shaft_diameter_px", Some(10.0));
        EndRow {
            image: image.into(),
            specimen: "TC-P07-A".into(),
            end: number,
            carrier: Some(1),
            x_px: x,
            y_px: 50.0,
            label,
            p_sheared: Some(0.5),
            shape_p_sheared: None,
            appearance_p_sheared: None,
            quality: 1.0,
            label_model: Some(label),
            counted: true,
            features,
            ..EndRow::default()
        }
    }

    fn row(image: &str, x: f64, end: Option<EndRef>, label: Option<HandLabel>) -> LabelRow {
        let (labeller, when, action) = ("Bo".into(), String::new(), Action::Label);
        LabelRow { image: image.into(), tip: Point::new(x, 50.0), label, labeller, when, action, end }
    }

    #[test]
    fn rows_go_to_their_number_when_it_is_near_else_to_the_nearest_end_else_they_are_added() {
        let ends = [end("a", 1, 20.0, Label::Sheared), end("a", 2, 80.0, Label::Sheared)];
        let some = Some(HandLabel::Tensile);
        let rows = [
            row("a", 21.0, Some(EndRef::Found(1)), some),
            // The run was done again and numbers have moved on: the place decides.
            row("a", 81.0, Some(EndRef::Found(1)), some),
            row("a", 26.0, None, some),
            row("a", 50.0, None, some),
            row("a", 50.0, None, None),
            row("a", 55.0, Some(EndRef::Added(4)), some),
            row("b", 20.0, Some(EndRef::Found(1)), some),
        ];
        let placed: Vec<_> = place(&rows, &ends, &LabelSettings::default()).iter().map(|r| r.end.unwrap()).collect();
        use EndRef::{Added, Found};
        assert_eq!(placed, [Found(1), Found(2), Found(1), Added(5), Added(5), Added(4), Added(1)]);
    }

    #[test]
    fn hand_labels_replace_the_label_and_nothing_that_was_measured() {
        let ends =
            [end("a", 1, 20.0, Label::Sheared), end("a", 2, 80.0, Label::Unclear), end("b", 1, 20.0, Label::Tensile)];
        let rows = [
            row("a", 20.0, Some(EndRef::Found(1)), Some(HandLabel::NotAnEnd)),
            row("a", 80.0, Some(EndRef::Found(2)), Some(HandLabel::Tensile)),
            row("a", 50.0, Some(EndRef::Added(1)), Some(HandLabel::Sheared)),
            row("a", 60.0, Some(EndRef::Added(2)), Some(HandLabel::Sheared)),
            row("a", 60.0, Some(EndRef::Added(2)), None),
        ];
        let done = with_hand_labels(&ends, &rows);
        let seen: Vec<_> = done.iter().map(|e| (e.row.end, e.row.label, e.row.counted, e.model, e.hand)).collect();
        assert_eq!(
            seen,
            [
                (1, Label::Unclear, false, Some(Label::Sheared), Some(HandLabel::NotAnEnd)),
                (2, Label::Tensile, true, Some(Label::Unclear), Some(HandLabel::Tensile)),
                (3, Label::Sheared, true, None, Some(HandLabel::Sheared)),
                (1, Label::Tensile, true, Some(Label::Tensile), None),
            ]
        );
        assert_eq!(done[1].row.features, ends[1].features);
        assert_eq!(done[1].row.p_sheared, Some(0.5));
        assert_eq!(done[3].row, ends[2]);
    }
}
