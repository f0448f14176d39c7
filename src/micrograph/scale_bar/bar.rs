//! A scale bar and the scale that it gives.

use crate::units::{PxBox, Scale, ScaleSource};

/// A burnt-in scale bar.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ScaleBar {
    /// Pixels of the stroke, without its ticks.
    pub area: PxBox,
    /// Whether it stands upright.
    pub upright: bool,
    /// Left (upright: upper) end, px: the middle of its tick, or the outer edge of a plain bar.
    pub left_px: f64,
    /// Right (upright: lower) end, px.
    pub right_px: f64,
    /// Length, px: from tick to tick, or from the first to the last pixel of a plain bar.
    pub length_px: f64,
    /// Standard uncertainty of the length, px.
    pub length_u_px: f64,
    /// Whether the bar has ticks at its ends.
    pub ticks: bool,
    /// How much it looks like a scale bar, 0..1.
    pub score: f64,
}

impl ScaleBar {
    /// The scale, from the real length of the bar.
    pub fn scale(&self, bar_um: f64) -> Option<Scale> {
        let mut scale = Scale::new(bar_um / self.length_px, ScaleSource::ScaleBar)?;
        scale.relative_u = Some(self.length_u_px / self.length_px);
        Some(scale)
    }
}
