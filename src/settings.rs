//! Every threshold of every stage, one struct per stage. A literal elsewhere that can change a result is a mistake.

use serde::{Deserialize, Serialize};

/// Settings of the whole run.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct Settings {
    /// Finding ends.
    pub find: FindSettings,
    /// Measuring ends.
    pub measure: MeasureSettings,
    /// Grouping ends to carriers.
    pub carrier: CarrierSettings,
    /// Labelling ends.
    pub label: LabelSettings,
    /// Scoring break faces and comparing knots.
    pub face: FaceSettings,
}

/// Settings of [`crate::find`].
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct FindSettings {
    /// Lowest confidence of a candidate that is measured, 0..1. Larger = fewer candidates.
    pub min_score: f64,
}

impl Default for FindSettings {
    fn default() -> Self {
        Self { min_score: 0.2 }
    }
}

/// Settings of [`crate::measure`].
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct MeasureSettings {
    /// Fewest pixels across a shaft that can be graded (6 px: design.md's `gradable`). Larger = more ends `unclear`.
    pub min_shaft_px: f64,
}

impl Default for MeasureSettings {
    fn default() -> Self {
        Self { min_shaft_px: 6.0 }
    }
}

/// Settings of [`crate::carrier`].
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct CarrierSettings {}

/// Settings of [`crate::tree`].
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct LabelSettings {}

/// Settings of [`crate::face`] and [`crate::knot`].
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct FaceSettings {}
