//! The folder of results: whose it is, one run at a time, names within it.

use crate::results::{OVERLAY_FOLDER, overlay_path};
use crate::series::SeriesError;
use crate::table::TableError;
use std::fs::{File, OpenOptions, TryLockError};
use std::path::{Path, PathBuf};

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
    /// A table cannot be written.
    #[error(transparent)]
    Table(#[from] TableError),
    /// A series table cannot be used.
    #[error(transparent)]
    Series(#[from] SeriesError),
}

/// Marks a folder of results and locks it while a run writes there.
const LOCK_FILE: &str = ".breakface-lock";
const CACHE_FOLDER: &str = ".cache";

/// Whether a folder holds results of this program.
pub(super) fn is_ours(folder: &Path) -> bool {
    folder.join(LOCK_FILE).is_file()
}

/// A folder of results while a run writes into it.
pub(super) struct ResultFolder {
    path: PathBuf,
    /// Held for as long as the run lasts; the system releases it however the run ends.
    _lock: File,
}

impl ResultFolder {
    /// Makes or takes over a folder; with `force` also one with files of somebody else, which stay unless they have
    /// the name of a result.
    pub(super) fn open(path: &Path, force: bool) -> Result<Self, RunError> {
        let folder = super::inputs::text(path);
        let wrong = |e: std::io::Error| RunError::Unwritable { folder: folder.clone(), reason: e.to_string() };
        std::fs::create_dir_all(path).map_err(wrong)?;
        let empty = std::fs::read_dir(path).map_err(wrong)?.next().is_none();
        if !empty && !force && !is_ours(path) {
            return Err(RunError::NotOurs { folder });
        }
        let lock =
            OpenOptions::new().create(true).truncate(false).write(true).open(path.join(LOCK_FILE)).map_err(wrong)?;
        match lock.try_lock() {
            Ok(()) => {}
            Err(TryLockError::WouldBlock) => return Err(RunError::Busy { folder }),
            Err(TryLockError::Error(e)) => return Err(wrong(e)),
        }
        for part in [CACHE_FOLDER, OVERLAY_FOLDER] {
            std::fs::create_dir_all(path.join(part)).map_err(wrong)?;
        }
        Ok(Self { path: path.into(), _lock: lock })
    }

    pub(super) fn file(&self, name: &str) -> PathBuf {
        self.path.join(name)
    }

    pub(super) fn cached(&self, key: &str) -> PathBuf {
        self.path.join(CACHE_FOLDER).join(format!("{key}.json"))
    }

    pub(super) fn overlay(&self, image: &str) -> PathBuf {
        overlay_path(&self.path, image)
    }
}
