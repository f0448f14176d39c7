//! [`Micrograph`] -> candidate fibre ends.

use crate::measure::MeasuredEnd;
use crate::micrograph::Micrograph;
use crate::settings::FindSettings;
use crate::units::Point;

/// A place where a fibre seems to end.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Candidate {
    /// Where the end is, px.
    pub tip: Point,
    /// Direction of the shaft out of the fibre, degrees.
    pub axis_deg: f64,
    /// Rough width of the shaft, px.
    pub width_px: f64,
    /// Confidence that a fibre ends here, 0..1.
    pub score: f64,
    /// The finder's impression that the end looks sheared, 0..1.
    pub look_sheared: Option<f64>,
}

/// The learned finder: a small network run in this process.
pub struct Finder {}

/// Why a finder could not be loaded.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum FinderError {
    /// The weights cannot be read.
    #[error("finder {name}: {reason}")]
    Unusable {
        /// File name, or `bundled`.
        name: String,
        /// What is wrong with it.
        reason: String,
    },
}

impl Finder {
    /// The finder that is compiled in.
    ///
    /// # Errors
    /// When the bundled weights are unusable, which is a fault of the build.
    pub fn bundled() -> Result<Self, FinderError> {
        Ok(Self {})
    }

    /// Digest of the weights, hexadecimal.
    pub fn digest(&self) -> &str {
        "none"
    }
}

/// All candidate ends of a picture, strongest first.
pub fn find_ends(_micrograph: &Micrograph, _finder: &Finder, _settings: &FindSettings) -> Vec<Candidate> {
    Vec::new()
}

/// The second look: measured candidates that are ends.
pub fn accept(_micrograph: &Micrograph, measured: Vec<MeasuredEnd>) -> Vec<MeasuredEnd> {
    measured
}
