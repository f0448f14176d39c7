//! Why a table could not be read or written.

/// Why a table could not be read or written.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum TableError {
    /// The file cannot be opened.
    #[error("table {table}: cannot be read: {reason}")]
    Unreadable {
        /// File.
        table: String,
        /// What the system said.
        reason: String,
    },
    /// The file is not a CSV table.
    #[error("table {table}, row {row}: {reason}")]
    Malformed {
        /// File.
        table: String,
        /// Line in the file.
        row: u64,
        /// What was expected and found.
        reason: String,
    },
    /// A column is missing.
    #[error("table {table}: column {column} is missing")]
    MissingColumn {
        /// File.
        table: String,
        /// Column.
        column: String,
    },
    /// A cell is of the wrong kind.
    #[error("table {table}, row {row}, column {column}: expected {expected}, found {found:?}")]
    Cell {
        /// File.
        table: String,
        /// Line in the file.
        row: u64,
        /// Column.
        column: String,
        /// What belongs there.
        expected: String,
        /// What is there.
        found: String,
    },
    /// The file cannot be written.
    #[error("{path}: cannot be written: {reason}; check the rights and the space there, or name another place")]
    Unwritable {
        /// File.
        path: String,
        /// What the system said.
        reason: String,
    },
}
