//! Why a run, a merge or a review could not be done.

use crate::labels::LabelsError;
use crate::results::ResultsError;
use crate::series::SeriesError;
use crate::settings::SettingsError;
use crate::table::TableError;

/// Why a run could not be done.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum RunError {
    /// The folder holds files of somebody else.
    #[error("{folder}: the folder is not empty and holds no results of this program; name a fresh one")]
    NotOurs {
        /// Folder of the results.
        folder: String,
    },
    /// The run would take pictures away from results that are there.
    #[error("{folder}: {what}; name another folder")]
    WouldReplace {
        /// Folder of the results.
        folder: String,
        /// What would go.
        what: String,
    },
    /// Another run is writing there.
    #[error("{folder}: another run is writing there; wait for it, or name another folder")]
    Busy {
        /// Folder of the results.
        folder: String,
    },
    /// The folder cannot be made or written.
    #[error("{folder}: cannot be written: {reason}; free some space or name another folder")]
    Unwritable {
        /// Folder or file.
        folder: String,
        /// What the system said.
        reason: String,
    },
    /// The kept result of a finished picture is gone.
    #[error(
        "{file}: the kept result of {image} is gone; leave the folder alone during a run, and give its command again"
    )]
    Lost {
        /// File.
        file: String,
        /// The picture.
        image: String,
    },
    /// The rows that hand labels were given on are not those of the folder any more.
    #[error(
        "{folder}: a run has written other results since this review began; stop the review and start it again, labels are kept"
    )]
    OtherRows {
        /// Folder of the results.
        folder: String,
    },
    /// Hand labels cannot be read.
    #[error(transparent)]
    Labels(#[from] LabelsError),
    /// Saved results cannot be read.
    #[error(transparent)]
    Results(#[from] ResultsError),
    /// A table cannot be written.
    #[error(transparent)]
    Table(#[from] TableError),
    /// A series table cannot be used.
    #[error(transparent)]
    Series(#[from] SeriesError),
    /// The settings cannot be written down.
    #[error(transparent)]
    Settings(#[from] SettingsError),
}
