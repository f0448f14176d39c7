//! An end as scoring needs it: a hundred bytes, so that all ends of a long series can be held at once.

use crate::table::EndRow;
use crate::tree::Label;
use std::collections::BTreeMap;

/// What scoring needs to know of one end.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct End {
    /// Carrier within the picture, from 1; `None` = not grouped.
    pub carrier: Option<u32>,
    /// Its label.
    pub label: Label,
    /// Whether it counts towards its break face.
    pub counted: bool,
    /// Tip, px.
    pub x_px: f64,
    /// Tip, px.
    pub y_px: f64,
    /// Direction out of the fibre, degrees.
    pub axis_deg: f64,
    /// Shaft diameter, px.
    pub shaft_diameter_px: Option<f64>,
    /// Shaft diameter, µm, when the scale is known.
    pub shaft_diameter_um: Option<f64>,
    /// Its standard uncertainty, µm.
    pub shaft_diameter_u_um: Option<f64>,
    /// Angle of the end's straight edge, degrees.
    pub cut_angle_deg: Option<f64>,
    /// Its standard uncertainty, degrees.
    pub cut_angle_u_deg: Option<f64>,
}

impl From<&EndRow> for End {
    fn from(row: &EndRow) -> Self {
        Self {
            carrier: row.carrier,
            label: row.label,
            counted: row.counted,
            x_px: row.x_px,
            y_px: row.y_px,
            axis_deg: row.axis_deg,
            shaft_diameter_px: row.features.get("shaft_diameter_px"),
            shaft_diameter_um: row.shaft_diameter_um,
            shaft_diameter_u_um: row.shaft_diameter_u_um,
            cut_angle_deg: row.features.get("cut_angle_deg"),
            cut_angle_u_deg: row.features.get("cut_angle_u_deg"),
        }
    }
}

/// The ends of each picture, by its name, in the order of their table.
pub type Ends = BTreeMap<String, Vec<End>>;

/// The rows of a table of ends, by picture.
pub fn by_picture(rows: &[EndRow]) -> Ends {
    let mut ends = Ends::new();
    for row in rows {
        match ends.get_mut(&row.image) {
            Some(of) => of.push(End::from(row)),
            None => drop(ends.insert(row.image.clone(), vec![End::from(row)])),
        }
    }
    ends
}
