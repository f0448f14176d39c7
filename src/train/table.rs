//! The training table: labelled ends with their features, kept beside the model so that more can be added later.
//!
//! Rows in any order -> rows in one canonical order, numbers rounded as the file keeps them, one digest.

use super::fit::{MAX_WEIGHT, Rows, tidy_weight};
use crate::labels::HandLabel;
use crate::measure::{FEATURES, Feature, FeatureRow};
use crate::renamed;
use crate::table::{Cell, Column, Record, TableError, TableRow, Word, from_csv, to_csv};
use crate::tree::witness::NETWORK_FEATURE;
use crate::tree::{CLASSES, Label};
use crate::units::Point;
use std::cmp::Ordering;
use std::collections::{BTreeMap, BTreeSet};

/// One labelled end.
#[derive(Debug, Clone, PartialEq)]
pub struct TrainingRow {
    /// Where the label came from: a word for people (`rendered`, `controls`, a labeller, …).
    pub source: String,
    /// Ends of one group (specimen) are never split between training and judging.
    pub group: String,
    /// Picture family, `instrument` or `instrument/light` (a renderer counts as an instrument). Families are left out of
    /// learning in turn, to see how the model fares on pictures of another kind.
    pub family: String,
    /// Picture.
    pub image: String,
    /// Tip, px.
    pub tip: Point,
    /// Sheared or tensile.
    pub label: Label,
    /// How many ends it counts for.
    pub weight: f64,
    /// Its features, and the network's impression of it.
    pub features: FeatureRow,
}

/// Labelled ends in canonical order.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct TrainingTable {
    rows: Vec<TrainingRow>,
}

/// Significant digits of a feature in the table: finer than any measurement, and the file stays small.
const DIGITS: usize = 4;

/// The table of the bundled model.
const BUNDLED: &[u8] = include_bytes!("../../models/default.training.csv");

impl TrainingTable {
    /// A table from rows in any order; rows labelled `unclear` teach nothing and are left out.
    pub fn new(rows: Vec<TrainingRow>) -> Self {
        let mut rows: Vec<TrainingRow> = rows.into_iter().filter(|r| r.label.class().is_some()).map(rounded).collect();
        rows.sort_by(order);
        Self { rows }
    }

    /// The table that the bundled model learnt from.
    ///
    /// # Errors
    /// When the bundled file is unusable, which is a fault of the build.
    pub fn bundled() -> Result<Self, TableError> {
        Self::from_csv("default.training.csv", BUNDLED)
    }

    /// Reads a table; `name` is for messages. Any table of ends with a label column will do (`image`, `x_px`, `y_px`,
    /// `label` and features; `source`, `group` or `specimen`, and `weight` when there). Features that this version does
    /// not measure are passed over.
    ///
    /// # Errors
    /// When it is not CSV, lacks a column, or holds a cell of the wrong kind.
    pub fn from_csv(name: &str, bytes: &[u8]) -> Result<Self, TableError> {
        Ok(Self::new(from_csv::<TrainingRow>(name, bytes)?))
    }

    /// The table as CSV bytes.
    pub fn to_csv(&self) -> Vec<u8> {
        to_csv(&self.rows)
    }

    /// Digest of the table (BLAKE3, hexadecimal).
    pub fn digest(&self) -> String {
        digest_of(&self.to_csv())
    }

    /// All rows, in canonical order.
    pub fn rows(&self) -> &[TrainingRow] {
        &self.rows
    }

    /// This table with more rows. An end that is there already is told by its picture, its place and its features, and the new
    /// row takes the place of the old one: nobody's label counts twice.
    #[must_use]
    pub fn with(self, more: Vec<TrainingRow>) -> Self {
        let more = Self::new(more).rows;
        let known: BTreeSet<_> = more.iter().map(end_key).collect();
        let old = self.rows.into_iter().filter(|r| !known.contains(&end_key(r)));
        Self::new(old.chain(more.iter().cloned()).collect())
    }

    /// Ends (one place in one picture, with the same features) that stand there as sheared and as tensile.
    pub fn contradictions(&self) -> usize {
        let mut labels: BTreeMap<_, BTreeSet<Label>> = BTreeMap::new();
        for row in &self.rows {
            labels.entry(end_key(row)).or_default().insert(row.label);
        }
        labels.values().filter(|labels| 1 < labels.len()).count()
    }

    /// Ends of one class.
    pub fn count(&self, label: Label) -> usize {
        self.rows.iter().filter(|r| r.label == label).count()
    }

    /// Group of each row as a number, and the names of the groups, ascending.
    pub fn groups(&self) -> (Vec<usize>, Vec<&str>) {
        let mut names: Vec<&str> = self.rows.iter().map(|r| r.group.as_str()).collect();
        names.sort_unstable();
        names.dedup();
        let of = self.rows.iter().map(|r| names.partition_point(|n| *n < r.group.as_str())).collect();
        (of, names)
    }

    /// Picture family of each row.
    pub fn families(&self) -> Vec<&str> {
        self.rows.iter().map(|r| r.family.as_str()).collect()
    }

    /// The network's impression of each row, where there is one.
    pub fn appearance(&self) -> Vec<Option<f64>> {
        self.rows.iter().map(|r| r.features.get(NETWORK_FEATURE)).collect()
    }

    /// The rows as the fit takes them, with these features.
    pub fn to_rows(&self, features: &[&'static Feature]) -> Rows {
        Rows {
            values: self.rows.iter().map(|r| features.iter().map(|f| r.features.get(f.name)).collect()).collect(),
            classes: self.rows.iter().filter_map(|r| r.label.class()).collect(),
            weights: self.rows.iter().map(|r| r.weight).collect(),
            n_classes: CLASSES.len(),
        }
    }
}

/// Digest of a training table as it lies in its file (BLAKE3, hexadecimal).
pub fn digest_of(bytes: &[u8]) -> String {
    blake3::hash(bytes).to_hex().to_string()
}

/// The features that a shape tree may use: measured ones, never the network's impression.
pub fn label_features() -> impl Iterator<Item = &'static Feature> {
    FEATURES.iter().filter(|f| f.for_label && f.name != NETWORK_FEATURE)
}

/// The features that a training table keeps: those of the shape tree and the network's impression.
fn kept_features() -> impl Iterator<Item = &'static Feature> {
    label_features().chain(FEATURES.iter().filter(|f| f.name == NETWORK_FEATURE))
}

/// What tells an end from others, whoever labelled it: its picture, its place and its features.
fn end_key(row: &TrainingRow) -> (String, [u64; 2], Vec<Option<u64>>) {
    let bits = row.features.values().iter().map(|v| v.map(f64::to_bits)).collect();
    (row.image.clone(), [row.tip.x.to_bits(), row.tip.y.to_bits()], bits)
}

fn rounded(mut row: TrainingRow) -> TrainingRow {
    row.weight = tidy_weight(row.weight);
    row.tip = Point::new(short(row.tip.x), short(row.tip.y));
    for feature in FEATURES {
        let kept = kept_features().any(|f| f.name == feature.name);
        let value = row.features.get(feature.name).filter(|_| kept);
        row.features.set(feature.name, value.map(short));
    }
    row
}

fn short(value: f64) -> f64 {
    let rounded: f64 = format!("{value:.*e}", DIGITS - 1).parse().unwrap_or(value);
    // Negative zero would sort apart from zero.
    rounded + 0.0
}

/// By content alone, so that the order of the input does not matter.
fn order(a: &TrainingRow, b: &TrainingRow) -> Ordering {
    let number = |x: f64, y: f64| x.total_cmp(&y);
    a.group
        .cmp(&b.group)
        .then_with(|| a.image.cmp(&b.image))
        .then_with(|| number(a.tip.y, b.tip.y))
        .then_with(|| number(a.tip.x, b.tip.x))
        .then_with(|| a.label.cmp(&b.label))
        .then_with(|| a.source.cmp(&b.source))
        .then_with(|| a.family.cmp(&b.family))
        .then_with(|| number(a.weight, b.weight))
        .then_with(|| {
            let bits =
                |r: &TrainingRow| -> Vec<_> { r.features.values().iter().map(|v| v.map(f64::to_bits)).collect() };
            bits(a).cmp(&bits(b))
        })
}

impl TableRow for TrainingRow {
    const STEM: &'static str = "training";
    const NEEDED: &'static [&'static str] = &["image", "x_px", "y_px", "label"];

    fn renamed() -> &'static [renamed::Renamed] {
        renamed::FEATURES
    }

    fn columns() -> Vec<Column> {
        let mut columns = vec![
            Column::text("source", "Where the label came from."),
            Column::text("group", "Ends of one group are judged together."),
            Column::text(
                "family",
                "Picture family, instrument or instrument/light: left out of learning as a whole in turn.",
            ),
            Column::text("image", "Picture."),
            Column::number("x_px", "px", "Middle of the end."),
            Column::number("y_px", "px", "Middle of the end."),
            Column::text("label", "sheared or tensile."),
            Column::number("weight", "1", "How many ends it counts for."),
        ];
        columns.extend(kept_features().map(|f| Column::number(f.name, f.unit, f.meaning)));
        columns
    }

    fn cells(&self) -> Vec<Cell> {
        let mut cells = vec![
            Cell::Text(self.source.clone()),
            Cell::Text(self.group.clone()),
            Cell::Text(self.family.clone()),
            Cell::Text(self.image.clone()),
            Cell::Number(Some(self.tip.x)),
            Cell::Number(Some(self.tip.y)),
            Cell::word(Some(self.label.word())),
            Cell::Number(Some(self.weight)),
        ];
        cells.extend(kept_features().map(|f| Cell::Number(self.features.get(f.name))));
        cells
    }

    fn from_record(record: &Record<'_>) -> Result<Self, TableError> {
        let mut features = FeatureRow::default();
        for feature in kept_features() {
            features.set(feature.name, feature_of(record, feature.name)?);
        }
        let word = record.text("label")?;
        let image = record.text("image")?;
        let group = record.optional_text("group").or_else(|| record.optional_text("specimen"));
        let source = record.optional_text("source").unwrap_or_else(|| "table".to_owned());
        Ok(Self {
            family: record.optional_text("family").unwrap_or_else(|| source.clone()),
            source,
            group: group.unwrap_or_else(|| image.clone()),
            image,
            tip: Point::new(record.number("x_px")?, record.number("y_px")?),
            label: read_label(record, word)?,
            weight: weight_of(record)?,
            features,
        })
    }
}

/// A row that counts for no end, or against others, is a slip.
fn weight_of(record: &Record<'_>) -> Result<f64, TableError> {
    match record.optional_number("weight")? {
        None => Ok(1.0),
        Some(weight) if 0.0 < weight && weight <= MAX_WEIGHT => Ok(weight),
        Some(weight) => Err(record.wrong("weight", "a number above 0, at most 1000, or nothing", &weight.to_string())),
    }
}

/// A feature by its name, or by the one that 0.1.0 gave it.
fn feature_of(record: &Record<'_>, name: &str) -> Result<Option<f64>, TableError> {
    let value = record.optional_number(name)?;
    match renamed::FEATURES.iter().find(|(_, new)| *new == name) {
        Some((old, _)) if value.is_none() => record.optional_number(old),
        _ => Ok(value),
    }
}

/// Rows without a label, and those that are no ends, teach nothing, like `unclear` ones.
fn read_label(record: &Record<'_>, word: String) -> Result<Label, TableError> {
    if word.trim().is_empty() || HandLabel::from_word(&word) == Some(HandLabel::NotAnEnd) {
        return Ok(Label::Unclear);
    }
    Label::from_word(&word).ok_or_else(|| TableError::Cell {
        table: record.table.to_owned(),
        row: record.row,
        column: "label".to_owned(),
        expected: format!("{}, or nothing", HandLabel::choices()),
        found: word,
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn row(group: &str, x: f64, label: Label) -> TrainingRow {
        let mut features = FeatureRow::default();
        features.set("bulb_ratio", Some(1.234_56));
        let (source, image) = ("test".to_owned(), "a.png".to_owned());
        let family = source.clone();
        TrainingRow {
            source,
            family,
            group: group.into(),
            image,
            tip: Point::new(x, 2.0),
            label,
            weight: 0.3,
            features,
        }
    }

    #[test]
    fn the_order_of_the_rows_does_not_change_a_byte() {
        let rows = vec![row("b", 1.0, Label::Sheared), row("a", 2.0, Label::Tensile), row("a", 1.0, Label::Sheared)];
        let forward = TrainingTable::new(rows.clone());
        let backward = TrainingTable::new(rows.into_iter().rev().collect());
        assert_eq!(forward.to_csv(), backward.to_csv());
        assert_eq!(forward.digest(), backward.digest());
    }

    #[test]
    fn reading_what_was_written_gives_the_same_table() {
        let table = TrainingTable::new(vec![row("b", 1.0, Label::Sheared), row("a", -0.0, Label::Tensile)]);
        let again = TrainingTable::from_csv("t.csv", &table.to_csv()).unwrap();
        assert_eq!(again, table);
        assert_eq!(again.rows()[0].features.get("bulb_ratio"), Some(1.235));
        assert_eq!(again.rows()[0].weight, 0.3125);
    }

    #[test]
    fn an_end_that_is_there_already_counts_once() {
        let table = TrainingTable::new(vec![row("a", 1.0, Label::Sheared), row("a", 2.0, Label::Sheared)]);
        let again = table.with(vec![row("a", 1.000_001, Label::Tensile), row("b", 3.0, Label::Sheared)]);
        let labels: Vec<(f64, Label)> = again.rows().iter().map(|r| (r.tip.x, r.label)).collect();
        assert_eq!(labels, [(1.0, Label::Tensile), (2.0, Label::Sheared), (3.0, Label::Sheared)]);
    }

    #[test]
    fn unclear_rows_teach_nothing() {
        assert!(TrainingTable::new(vec![row("a", 1.0, Label::Unclear)]).rows().is_empty());
    }
}
