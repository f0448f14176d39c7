//! `ends.csv`: one row per end.

use super::HandLabel;
use crate::flag::Reason;
use crate::measure::{FEATURES, FeatureRow};
use crate::renamed;
use crate::tabular::{Cell, Column, Extra, Group, Record, TableError, row, tidy};
use crate::tree::Label;

row! {
    in "ends",
    needs ["image", "specimen", "end", "x_px", "y_px", "axis_deg"],
    // Columns that scripts rely on, in this order.
    first [
        "image", "specimen", "end", "carrier", "x_px", "y_px", "axis_deg", "shaft_diameter_px", "shaft_diameter_um",
        "bulb_ratio", "cut_angle_deg", "flatness", "label", "p_sheared", "quality", "shape_p_sheared",
        "appearance_p_sheared"
    ],
    renamed renamed::FEATURES;
    /// One row of `ends.csv`. Columns are the field names and the registry of features.
    #[derive(Debug, Clone, PartialEq, Default)]
    pub struct EndRow {
        /// Picture, as in images.csv.
        pub image: String,
        /// Specimen code.
        pub specimen: String,
        /// Number of the end in its picture, from 1, from top to bottom.
        pub end: u32,
        /// Carrier within the picture, from 1; empty = not grouped.
        pub carrier: Option<u32>,
        /// Middle of the end, to the right of the centre of the left column.
        pub x_px: f64,
        /// Middle of the end, below the centre of the top row.
        pub y_px: f64,
        /// Direction of the shaft out of the fibre; 0 = +x, 90 = down the picture.
        pub axis_deg: f64,
        /// Shaft diameter; empty when the scale is not known.
        pub shaft_diameter_um: Option<f64>,
        /// sheared, tensile or unclear, after hand corrections.
        pub label: Label,
        /// Probability by the model that the end was sheared.
        pub p_sheared: Option<f64>,
        /// The same by measured shape alone.
        pub shape_p_sheared: Option<f64>,
        /// The same by the network's impression alone, calibrated.
        pub appearance_p_sheared: Option<f64>,
        /// How well the picture shows this end, 0 to 1.
        pub quality: f64,
        /// Standard uncertainty of the shaft diameter, of the reading and of the scale where that is known.
        pub shaft_diameter_u_um: Option<f64>,
        /// All features of the registry.
        pub features: FeatureRow,
        /// Descriptive subtype.
        pub subtype: String,
        /// Why the label is unclear.
        pub reason: String,
        /// The model's label; empty for an end that a person added.
        pub label_model: Option<Label>,
        /// What a person says the end is: sheared, tensile, unclear or not_an_end; empty = nobody looked.
        pub label_hand: Option<HandLabel>,
        /// Whether the end counts towards its break face.
        pub counted: bool,
        /// Columns passed through from the series table.
        pub extra: Extra,
    }
}

impl EndRow {
    /// Whether a person says that no fibre ends here.
    pub fn is_no_end(&self) -> bool {
        Reason::split(&self.reason).any(|r| r == Reason::NotAnEnd)
    }

    /// Stable name of the end for people: `specimen/image#end`.
    pub fn id(&self) -> String {
        format!("{}/{}#{}", self.specimen, self.image, self.end)
    }
}

/// The label of an end: one column; a table without it, or an empty field, says `unclear`.
impl Group for Label {
    fn columns(name: &str, meaning: &str, to: &mut Vec<Column>) {
        <Option<Self> as Group>::columns(name, meaning, to);
    }
    fn cells(&self, to: &mut Vec<Cell>) {
        Some(*self).cells(to);
    }
    fn read(record: &Record<'_>, name: &str) -> Result<Self, TableError> {
        Ok(record.optional_word(name)?.unwrap_or(Self::Unclear))
    }
    fn tidy(&mut self) {}
}

/// One column per feature of the registry, in its order.
impl Group for FeatureRow {
    fn columns(_name: &str, _meaning: &str, to: &mut Vec<Column>) {
        to.extend(FEATURES.iter().map(|f| Column::number(f.name, f.unit, f.meaning)));
    }
    fn cells(&self, to: &mut Vec<Cell>) {
        to.extend(self.values().iter().map(|v| Cell::Number(*v)));
    }
    fn read(record: &Record<'_>, _name: &str) -> Result<Self, TableError> {
        let mut features = Self::default();
        for feature in FEATURES {
            features.set(feature.name, record.optional_number(feature.name)?);
        }
        Ok(features)
    }
    fn tidy(&mut self) {
        for feature in FEATURES {
            let value = self.get(feature.name).map(tidy);
            self.set(feature.name, value);
        }
    }
}
