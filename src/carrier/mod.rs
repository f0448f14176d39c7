//! Measured ends of one picture -> carriers.
//!
//! Groups ends by where their shafts come from, their direction, spacing and dye; says nothing about labels.

use crate::measure::MeasuredEnd;
use crate::settings::CarrierSettings;

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

/// Carrier of each end, numbered from 1 in order of the first end; `None` = belongs to no group.
pub fn group(ends: &[MeasuredEnd], _view: &View, _settings: &CarrierSettings) -> Vec<Option<u32>> {
    vec![None; ends.len()]
}
