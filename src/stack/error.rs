//! Why a focus series could not be merged.

/// Why a series could not be merged.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[non_exhaustive]
pub enum StackError {
    /// The folder cannot be read.
    #[error("{folder}: cannot be read: {reason}; check the path and the rights")]
    Folder {
        /// Folder.
        folder: String,
        /// What the system said.
        reason: String,
    },
    /// Fewer than two frames.
    #[error("{place}: {found} usable frames{because}; a focus series needs at least two of one size")]
    TooFew {
        /// Folder or first file.
        place: String,
        /// Usable frames.
        found: usize,
        /// Why the others were left out, with a leading colon; empty when there were none.
        because: String,
    },
    /// More frames than allowed.
    #[error(
        "{place}: {found} frames are over the limit of {most}; merge parts of the series, or raise the limit in the settings"
    )]
    TooMany {
        /// Folder or first file.
        place: String,
        /// Frames.
        found: usize,
        /// Limit.
        most: usize,
    },
}
