//! One server per results folder: two would not see each other's decisions.

use std::fs::{File, OpenOptions, TryLockError};
use std::path::Path;

use anyhow::{Context, bail};
use breakface::files::open_own;

/// Holds the folder as long as it lives; the system lets go of it when the process ends, however it ends.
pub struct Lock {
    _file: File,
}

/// Takes the folder for this process.
pub fn take(results: &Path) -> anyhow::Result<Lock> {
    let path = results.join(".review.lock");
    let file = open_own(&path, OpenOptions::new().write(true).create(true).truncate(false))
        .with_context(|| format!("{}: the results folder cannot be written to", path.display()))?;
    match file.try_lock() {
        Ok(()) => Ok(Lock { _file: file }),
        Err(TryLockError::WouldBlock) => bail!(
            "{}: a review of these results is already running; use its page, or stop it first \
             (two labellers can share one page, each under their own name)",
            results.display()
        ),
        Err(TryLockError::Error(e)) => Err(e).with_context(|| format!("{}: cannot be locked", path.display())),
    }
}
