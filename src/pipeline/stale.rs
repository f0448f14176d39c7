//! Overlays of earlier runs: those that belong to no picture of this one are taken away.

use super::error::RunError;
use super::path_text::text;
use crate::results::{OVERLAY_FOLDER, overlay_path};
use std::collections::BTreeSet;
use std::path::{Path, PathBuf};

/// Removes every overlay in a folder of results but those of these pictures, and the folders that are empty then.
pub(super) fn remove_overlays<'a>(folder: &Path, of: impl Iterator<Item = &'a str>) -> Result<(), RunError> {
    let keep: BTreeSet<PathBuf> = of.map(|image| overlay_path(folder, image)).collect();
    let root = folder.join(OVERLAY_FOLDER);
    let wrong = |path: &Path, e: std::io::Error| RunError::Unwritable { folder: text(path), reason: e.to_string() };
    for entry in walkdir::WalkDir::new(&root).min_depth(1).contents_first(true).into_iter().flatten() {
        let path = entry.path();
        if entry.file_type().is_dir() {
            // A folder that still holds something stays.
            let _ = std::fs::remove_dir(path);
        } else if !keep.contains(path) {
            std::fs::remove_file(path).map_err(|e| wrong(path, e))?;
        }
    }
    Ok(())
}
