//! Why settings could not be read.

/// Why settings could not be read.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum SettingsError {
    /// The file cannot be opened.
    #[error("settings {path}: cannot be read: {reason}")]
    Unreadable {
        /// File as given.
        path: String,
        /// What the system said.
        reason: String,
    },
    /// A value is no number, or beyond what makes sense.
    #[error("settings: {key}: expected a number from {least} to {most}, found {found}; see `breakface settings`")]
    OutOfLimits {
        /// Dotted key.
        key: String,
        /// What is there.
        found: String,
        /// Least value.
        least: f64,
        /// Largest value.
        most: f64,
    },
    /// The file is not the TOML that is expected, or holds an unknown key or a value of the wrong type.
    #[error("settings {path}: {reason}")]
    Malformed {
        /// File as given.
        path: String,
        /// Line, column and what was expected.
        reason: String,
    },
}
