//! Hand labels laid over the ends of a run.
//!
//! Rows of `labels.csv` + rows of `ends.csv` -> which row speaks of which end; the table with hand labels in place.

use std::collections::BTreeMap;

use super::{EndRef, HandLabel, LabelRow, effective};
use crate::flag::Reason;
use crate::settings::LabelSettings;
use crate::table::{EndRow, ImageRow};
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

/// Hand labels of a run, by picture.
#[derive(Debug, Clone, Default)]
pub struct HandLabels {
    by_image: BTreeMap<String, Vec<LabelRow>>,
}

impl HandLabels {
    /// The rows of `labels.csv`.
    pub fn new(rows: Vec<LabelRow>) -> Self {
        let mut by_image: BTreeMap<String, Vec<LabelRow>> = BTreeMap::new();
        for row in rows {
            by_image.entry(row.image.clone()).or_default().push(row);
        }
        Self { by_image }
    }

    /// Whether nobody has labelled anything.
    pub fn is_empty(&self) -> bool {
        self.by_image.is_empty()
    }

    /// Pictures that somebody has labelled ends in.
    pub fn images(&self) -> impl Iterator<Item = &str> {
        self.by_image.keys().map(String::as_str)
    }

    /// The ends of one picture with hand labels in place; `None` when no label of its ends counts. `ends` are the model's
    /// rows of this picture, `picture` is its row of `images.csv`. Labels outside the picture are left out.
    pub fn on(&self, picture: &ImageRow, ends: &[EndRow], settings: &LabelSettings) -> Option<Vec<ReviewedEnd>> {
        let rows = self.by_image.get(&picture.series.image)?;
        let inside: Vec<LabelRow> = rows.iter().filter(|r| !is_outside(r, picture, settings)).cloned().collect();
        let placed = place(&inside, ends, settings);
        let rows = effective(&placed);
        (!rows.is_empty()).then(|| laid_over(picture, ends, &rows))
    }

    /// Rows with a label that lie outside this picture: a place of another picture, or in another unit.
    pub fn outside(&self, picture: &ImageRow, settings: &LabelSettings) -> usize {
        let rows = self.by_image.get(&picture.series.image).into_iter().flatten();
        rows.filter(|r| r.label.is_some() && is_outside(r, picture, settings)).count()
    }
}

/// Whether a row's place is farther from the picture than any found end may be from its label.
fn is_outside(row: &LabelRow, picture: &ImageRow, settings: &LabelSettings) -> bool {
    let beyond = |v: f64, n: Option<u32>| {
        n.is_some_and(|n| !(-settings.match_px..=f64::from(n) + settings.match_px).contains(&v))
    };
    beyond(row.tip.x, picture.width_px) || beyond(row.tip.y, picture.height_px)
}

/// The table of ends with hand labels in place.
///
/// `pictures` are in the order of the table, `ends` are the model's rows; `rows` are those of `labels.csv`. Measurements,
/// probabilities and the model's answer do not change. An end that a person says is none stays in the table as `unclear` and
/// does not count. Added ends follow after those of their picture, without measurements; they count where the other ends of
/// their picture do, or where the picture does when it has none.
pub fn with_hand_labels<'a>(
    pictures: impl IntoIterator<Item = &'a ImageRow>,
    ends: &[EndRow],
    rows: &[LabelRow],
    settings: &LabelSettings,
) -> Vec<ReviewedEnd> {
    let hand = HandLabels::new(rows.to_vec());
    let mut by_image: BTreeMap<&str, Vec<EndRow>> = BTreeMap::new();
    for end in ends {
        by_image.entry(&end.image).or_default().push(end.clone());
    }
    let of_picture = |picture: &ImageRow| {
        let own = by_image.get(picture.series.image.as_str()).map_or(&[][..], Vec::as_slice);
        hand.on(picture, own, settings).unwrap_or_else(|| own.iter().map(ReviewedEnd::untouched).collect())
    };
    pictures.into_iter().flat_map(of_picture).collect()
}

fn laid_over(picture: &ImageRow, ends: &[EndRow], rows: &[&LabelRow]) -> Vec<ReviewedEnd> {
    let by_end: BTreeMap<EndRef, &LabelRow> = rows.iter().filter_map(|row| Some((row.end?, *row))).collect();
    let mut out: Vec<ReviewedEnd> = Vec::with_capacity(ends.len());
    for end in ends {
        let hand = by_end.get(&EndRef::Found(end.end)).and_then(|r| r.label);
        let row = hand.map_or_else(|| end.clone(), |label| relabelled(end, label));
        out.push(ReviewedEnd { row: EndRow { label_model: Some(end.label), ..row }, model: Some(end.label), hand });
    }
    let mut number = ends.iter().map(|e| e.end).max().unwrap_or(0);
    let counted = if ends.is_empty() { picture.series.counted } else { ends.iter().any(|e| e.counted) };
    for (_, row) in by_end.range(EndRef::Added(0)..) {
        let Some(label) = row.label.and_then(HandLabel::label) else { continue };
        number += 1;
        let row = EndRow { counted, ..added_end(picture, row, label, number) };
        out.push(ReviewedEnd { row, model: None, hand: Some(label.into()) });
    }
    out
}

impl ReviewedEnd {
    /// An end that nobody has looked at.
    pub fn untouched(end: &EndRow) -> Self {
        let row = EndRow { label_model: Some(end.label), label_hand: None, ..end.clone() };
        Self { row, model: Some(end.label), hand: None }
    }
}

impl From<Label> for HandLabel {
    fn from(label: Label) -> Self {
        match label {
            Label::Sheared => Self::Sheared,
            Label::Tensile => Self::Tensile,
            Label::Unclear => Self::Unclear,
        }
    }
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

fn added_end(picture: &ImageRow, row: &LabelRow, label: Label, number: u32) -> EndRow {
    EndRow {
        image: picture.series.image.clone(),
        specimen: picture.series.specimen.clone(),
        end: number,
        x_px: row.tip.x,
        y_px: row.tip.y,
        label,
        label_hand: row.label,
        reason: Reason::join(&[Reason::AddedByHand]),
        extra: picture.series.extra.clone(),
        ..EndRow::default()
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
            // Nowhere in the picture.
            row("a", 1e308, Some(EndRef::Added(3)), Some(HandLabel::Sheared)),
        ];
        let picture = |image: &str| ImageRow {
            series: crate::series::SeriesRow {
                image: image.into(),
                specimen: "TC-P07-A".into(),
                counted: true,
                ..Default::default()
            },
            width_px: Some(100),
            height_px: Some(80),
            ..ImageRow::default()
        };
        let pictures = ["a", "b", "c"].map(picture);
        let rows = [rows.as_slice(), &[row("c", 60.0, Some(EndRef::Added(1)), Some(HandLabel::Tensile))]].concat();
        let done = with_hand_labels(&pictures, &ends, &rows, &LabelSettings::default());
        let seen: Vec<_> = done.iter().map(|e| (e.row.end, e.row.label, e.row.counted, e.model, e.hand)).collect();
        assert_eq!(
            seen,
            [
                (1, Label::Unclear, false, Some(Label::Sheared), Some(HandLabel::NotAnEnd)),
                (2, Label::Tensile, true, Some(Label::Unclear), Some(HandLabel::Tensile)),
                (3, Label::Sheared, true, None, Some(HandLabel::Sheared)),
                (1, Label::Tensile, true, Some(Label::Tensile), None),
                // In a picture where the model has found nothing.
                (1, Label::Tensile, true, None, Some(HandLabel::Tensile)),
            ]
        );
        assert_eq!(done[1].row.features, ends[1].features);
        assert_eq!(done[1].row.p_sheared, Some(0.5));
        assert_eq!(done[3].row, ends[2]);
    }
}
