//! `ends.csv`: one row per end.

use super::{Cell, Column, Record, TableError, TableRow, tidy};
use crate::measure::{FEATURES, Feature, FeatureRow};
use crate::tree::Label;

/// One row of `ends.csv`.
#[derive(Debug, Clone, PartialEq)]
pub struct EndRow {
    /// Picture, as in `images.csv`.
    pub image: String,
    /// Specimen code.
    pub specimen: String,
    /// Number of the end in its picture, from 1, by (y, x).
    pub end: u32,
    /// Carrier within the picture, from 1; `None` = not grouped.
    pub carrier: Option<u32>,
    /// Tip, px.
    pub x_px: f64,
    /// Tip, px.
    pub y_px: f64,
    /// Direction out of the fibre, degrees.
    pub axis_deg: f64,
    /// Shaft diameter, µm, when the scale is known.
    pub shaft_diameter_um: Option<f64>,
    /// Its standard uncertainty, µm: that of the reading and that of the scale.
    pub shaft_diameter_u_um: Option<f64>,
    /// Label after hand corrections, if any.
    pub label: Label,
    /// Probability of sheared by the model.
    pub p_sheared: Option<f64>,
    /// 0..1: how well the picture shows this end.
    pub quality: f64,
    /// Why the label is unclear.
    pub reason: String,
    /// Descriptive subtype.
    pub subtype: String,
    /// Whether the end counts towards its break face (not a double, picture counts).
    pub counted: bool,
    /// All features of the registry.
    pub features: FeatureRow,
    /// Columns passed through from the series table.
    pub extra: Vec<(String, String)>,
}

/// Features that `design.md` puts before the label; the rest of the registry follows after it.
const LEADING: [&str; 3] = ["bulb_ratio", "cut_angle_deg", "flatness"];
const DIAMETER: &str = "shaft_diameter_px";

fn trailing() -> impl Iterator<Item = &'static Feature> {
    FEATURES.iter().filter(|f| f.name != DIAMETER && !LEADING.contains(&f.name))
}

fn feature_column(name: &str) -> Column {
    let feature = FEATURES.iter().find(|f| f.name == name);
    Column::number(name, feature.map_or("1", |f| f.unit), feature.map_or("", |f| f.meaning))
}

impl EndRow {
    /// Stable name of the end for people: `specimen/image#end`.
    pub fn id(&self) -> String {
        format!("{}/{}#{}", self.specimen, self.image, self.end)
    }

    /// Rounds every number to what the table holds, so that a saved run and a fresh one go on from the same values.
    pub fn tidied(mut self) -> Self {
        self.x_px = tidy(self.x_px);
        self.y_px = tidy(self.y_px);
        self.axis_deg = tidy(self.axis_deg);
        self.quality = tidy(self.quality);
        self.p_sheared = self.p_sheared.map(tidy);
        self.shaft_diameter_um = self.shaft_diameter_um.map(tidy);
        self.shaft_diameter_u_um = self.shaft_diameter_u_um.map(tidy);
        for feature in FEATURES {
            let value = self.features.get(feature.name).map(tidy);
            self.features.set(feature.name, value);
        }
        self
    }
}

impl TableRow for EndRow {
    fn columns() -> Vec<Column> {
        let mut columns = vec![
            Column::text("image", "Picture, as in images.csv."),
            Column::text("specimen", "Specimen code."),
            Column::count("end", "Number of the end in its picture, from 1, from top to bottom."),
            Column::count("carrier", "Carrier within the picture, from 1; empty = not grouped."),
            Column::number("x_px", "px", "Middle of the end, to the right of the centre of the left column."),
            Column::number("y_px", "px", "Middle of the end, below the centre of the top row."),
            Column::number(
                "axis_deg",
                "deg",
                "Direction of the shaft out of the fibre; 0 = +x, 90 = down the picture.",
            ),
            feature_column(DIAMETER),
            Column::number("shaft_diameter_um", "um", "Shaft diameter; empty when the scale is not known."),
        ];
        columns.extend(LEADING.map(feature_column));
        columns.extend([
            Column::text("label", "sheared, tensile or unclear, after hand corrections."),
            Column::number("p_sheared", "1", "Probability by the model that the end was sheared."),
            Column::number("quality", "1", "How well the picture shows this end, 0 to 1."),
            Column::number(
                "shaft_diameter_u_um",
                "um",
                "Standard uncertainty of the shaft diameter, of the reading and of the scale where that is known.",
            ),
        ]);
        columns.extend(trailing().map(|f| Column::number(f.name, f.unit, f.meaning)));
        columns.extend([
            Column::text("subtype", "Descriptive subtype."),
            Column::text("reason", "Why the label is unclear."),
            Column::yes_no("counted", "Whether the end counts towards its break face."),
        ]);
        columns
    }

    fn cells(&self) -> Vec<Cell> {
        let mut cells = vec![
            Cell::Text(self.image.clone()),
            Cell::Text(self.specimen.clone()),
            Cell::Count(Some(self.end.into())),
            Cell::Count(self.carrier.map(u64::from)),
            Cell::Number(Some(self.x_px)),
            Cell::Number(Some(self.y_px)),
            Cell::Number(Some(self.axis_deg)),
            Cell::Number(self.features.get(DIAMETER)),
            Cell::Number(self.shaft_diameter_um),
        ];
        cells.extend(LEADING.map(|name| Cell::Number(self.features.get(name))));
        cells.extend([
            Cell::word(Some(self.label.word())),
            Cell::Number(self.p_sheared),
            Cell::Number(Some(self.quality)),
            Cell::Number(self.shaft_diameter_u_um),
        ]);
        cells.extend(trailing().map(|f| Cell::Number(self.features.get(f.name))));
        cells.extend([
            Cell::Text(self.subtype.clone()),
            Cell::Text(self.reason.clone()),
            Cell::YesNo(Some(self.counted)),
        ]);
        cells
    }

    fn from_record(record: &Record<'_>) -> Result<Self, TableError> {
        let mut features = FeatureRow::default();
        for feature in FEATURES {
            features.set(feature.name, record.optional_number(feature.name)?);
        }
        let label = record.optional_word("label", "sheared, tensile or unclear", Label::from_word)?;
        Ok(Self {
            image: record.text("image")?,
            specimen: record.text("specimen")?,
            end: record.count("end")?.min(u32::MAX.into()) as u32,
            carrier: record.optional_count("carrier")?.map(|c| c.min(u32::MAX.into()) as u32),
            x_px: record.number("x_px")?,
            y_px: record.number("y_px")?,
            axis_deg: record.number("axis_deg")?,
            shaft_diameter_um: record.optional_number("shaft_diameter_um")?,
            shaft_diameter_u_um: record.optional_number("shaft_diameter_u_um")?,
            label: label.unwrap_or(Label::Unclear),
            p_sheared: record.optional_number("p_sheared")?,
            quality: record.optional_number("quality")?.unwrap_or(0.0),
            reason: record.optional_text("reason").unwrap_or_default(),
            subtype: record.optional_text("subtype").unwrap_or_default(),
            counted: record.optional_yes_no("counted")?.unwrap_or(true),
            features,
            extra: record.extra(&Self::columns()),
        })
    }

    fn extra(&self) -> &[(String, String)] {
        &self.extra
    }
}
