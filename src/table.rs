//! One row per end, picture, specimen and knot; written as CSV (RFC 4180) and, on request, Parquet.
//!
//! A missing value is an empty field. Column names carry units.

use crate::measure::FeatureRow;
use crate::series::Kind;
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
}

/// One row of `specimens.csv`: the break face of a specimen. Columns are the field names.
#[derive(Debug, Clone, PartialEq)]
pub struct SpecimenRow {
    /// Specimen code.
    pub specimen: String,
    /// Kind of specimen, when known.
    pub kind: Option<Kind>,
    /// Knot name.
    pub knot: Option<String>,
    /// Counted sheared ends.
    pub n_sheared: u32,
    /// Counted tensile ends.
    pub n_tensile: u32,
    /// Counted unclear ends.
    pub n_unclear: u32,
    /// The published fraction.
    pub sheared_fraction: Option<f64>,
    /// Lower end of its 95 % interval.
    pub sheared_low: Option<f64>,
    /// Upper end of its 95 % interval.
    pub sheared_high: Option<f64>,
}
