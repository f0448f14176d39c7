//! What grouping looks at: the picture, and one end.

use crate::measure::MeasuredEnd;
use crate::settings::CarrierSettings;
use crate::units::Point;

/// What is known of the picture whose ends are grouped.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct View {
    /// Width, px.
    pub width_px: u32,
    /// Height, px.
    pub height_px: u32,
    /// Carriers of the braid, when given: the most there can be, not how many are seen.
    pub carriers: Option<u32>,
}

/// What grouping looks at of one end.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct CarrierInput {
    /// Tip, px.
    pub tip: Point,
    /// Direction out of the fibre, degrees.
    pub axis_deg: f64,
    /// Diameter, px.
    pub diameter_px: f64,
    /// Direction of the end's straight edge in the picture, degrees, when it has one.
    pub edge_deg: Option<f64>,
    /// Hue of the dye, degrees, when there is any.
    pub hue_deg: Option<f64>,
}

impl CarrierInput {
    /// The shaft of a measured end; `None` when its diameter is not known.
    pub fn of(end: &MeasuredEnd, settings: &CarrierSettings) -> Option<Self> {
        let get = |name: &str| end.features.get(name);
        let diameter_px = get("shaft_diameter_px").filter(|d| *d > 0.0)?;
        let flat = get("flatness").is_some_and(|f| f <= settings.edge_flatness);
        let dyed = get("dye_saturation").is_some_and(|s| settings.dye_saturation <= s);
        Some(Self {
            tip: end.tip,
            axis_deg: end.axis_deg,
            diameter_px,
            edge_deg: get("cut_angle_deg").filter(|_| flat).map(|cut| edge_direction_deg(end.axis_deg, cut)),
            hue_deg: get("dye_hue_deg").filter(|_| dyed),
        })
    }
}

/// Direction of an end's straight edge in the picture, degrees modulo 180, from the axis and the signed cut angle (positive
/// when the side (−sin axis, cos axis) lies further out).
pub fn edge_direction_deg(axis_deg: f64, cut_angle_deg: f64) -> f64 {
    axis_deg + 90.0 - cut_angle_deg
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_edge_direction_follows_the_signed_cut_angle() {
        // Fibre pointing right; the lower side (+y) further out by 45°: the edge runs down and to the right at 45°.
        assert_eq!(edge_direction_deg(0.0, 45.0), 45.0);
        assert_eq!(edge_direction_deg(0.0, 0.0), 90.0);
    }
}
