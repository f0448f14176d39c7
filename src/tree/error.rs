//! Why a model file cannot be used.

use crate::measure::FEATURE_SCHEMA;

/// Format of the model file.
pub const MODEL_FORMAT: &str = "breakface-model/2";
/// Largest file that is read, bytes: a forest of 60 trees takes about one million.
pub(super) const MAX_BYTES: usize = 32 << 20;

/// Why a model cannot be used.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum ModelError {
    /// The file is larger than any model.
    #[error("model: {bytes} bytes; a model has at most {MAX_BYTES}")]
    TooLarge {
        /// Size of the file.
        bytes: usize,
    },
    /// Not JSON, or cut short, or a field is missing or of the wrong type.
    #[error("model: not a model file, or damaged")]
    Unreadable(#[source] serde_json::Error),
    /// Another kind or version of file.
    #[error("model: format is {found:?}, expected {MODEL_FORMAT:?}; train again with this version")]
    Format {
        /// What the file says.
        found: String,
    },
    /// Written by 0.1.0: one tree over shape and impression, which this version keeps apart.
    #[error(
        "model: written by version 0.1.0; its training table still serves: `breakface train --base OLD.json --out NEW.json`"
    )]
    Old,
    /// Made for another table of features.
    #[error(
        "model: made for features {found:?}, this version measures {FEATURE_SCHEMA:?}; train again with this version"
    )]
    Schema {
        /// What the file says.
        found: String,
    },
    /// Asks for a feature that is not measured.
    #[error("model: feature {name:?} is not measured by this version; train again with this version")]
    UnknownFeature {
        /// Name in the file.
        name: String,
    },
    /// A feature has another unit.
    #[error("model: feature {name:?} is in {found:?}, this version measures it in {expected:?}")]
    Unit {
        /// Name of the feature.
        name: String,
        /// Unit in the file.
        found: String,
        /// Unit in the registry.
        expected: &'static str,
    },
    /// A field holds something impossible.
    #[error("model: {field}: {reason}")]
    Value {
        /// Where.
        field: String,
        /// What is wrong.
        reason: String,
    },
}

/// A field that holds something impossible.
pub(super) fn bad(field: impl Into<String>, reason: impl Into<String>) -> ModelError {
    ModelError::Value { field: field.into(), reason: reason.into() }
}
