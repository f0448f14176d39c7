//! What is wrong with a table of calibrations.

/// What is wrong with a table of calibrations.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[non_exhaustive]
pub enum ListError {
    /// The file cannot be read or written.
    #[error("calibrations {table}: {reason}; check the path and the rights")]
    File {
        /// File.
        table: String,
        /// What the system said.
        reason: String,
    },
    /// The file is not such a table.
    #[error("calibrations {table}: {reason}")]
    Malformed {
        /// File.
        table: String,
        /// What was expected.
        reason: String,
    },
    /// A cell cannot be understood.
    #[error("calibrations {table}, row {row}, column {column}: expected {expected}, found {found:?}")]
    Cell {
        /// File.
        table: String,
        /// Line in the file.
        row: u64,
        /// Column.
        column: &'static str,
        /// What belongs there.
        expected: &'static str,
        /// What is there.
        found: String,
    },
    /// A name is there twice.
    #[error("calibrations {table}, row {row}: {name} is there already; keep one of them")]
    Repeated {
        /// File.
        table: String,
        /// Line in the file.
        row: u64,
        /// Name.
        name: String,
    },
    /// A calibration that no microscope has is to be kept.
    #[error(
        "calibration {name:?}: {um_per_px} µm per px is the scale of no microscope (0.00001 to 1000); look at the length given"
    )]
    Implausible {
        /// Name to be kept under.
        name: String,
        /// Scale, µm per px.
        um_per_px: String,
    },
    /// A calibration is asked for that is not there.
    #[error("calibration {name:?} is not in the table of calibrations; known: {known}")]
    Unknown {
        /// Name asked for.
        name: String,
        /// Names there are.
        known: String,
    },
}
