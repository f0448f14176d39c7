//! A picture by its path, be it a file or the folder of a focus series: its content, and the picture to be looked at.

use super::{frames_of_folder, merge_folder};
use crate::micrograph::{Micrograph, ReadError, decode_picture, steady_bytes};
use crate::settings::{ReadSettings, Settings};
use std::path::Path;

/// BLAKE3 of all frames of a folder in their order, each with its length before it.
///
/// # Errors
/// When a frame cannot be read.
pub(crate) fn series_hash(folder: &Path, settings: &ReadSettings) -> Result<String, ReadError> {
    let mut hasher = blake3::Hasher::new();
    for frame in frames_of_folder(folder).map_err(|e| unreadable(folder, &e.to_string()))? {
        let bytes = steady_bytes(&frame, settings)?;
        hasher.update(&(bytes.len() as u64).to_le_bytes());
        hasher.update(&bytes);
    }
    Ok(hasher.finalize().to_hex().to_string())
}

/// Reads a picture, or merges the frames of a folder, to be looked at: nothing is searched for in a file. With `hash`, the
/// content hash of a run, only while the content is what it was in that run.
///
/// # Errors
/// When it cannot be read or merged, or has changed.
pub fn read_to_show(path: &Path, hash: Option<&str>, settings: &Settings) -> Result<Micrograph, ReadError> {
    let file = path.display().to_string();
    let same = |found: &str| match hash.is_none_or(|h| h == found) {
        true => Ok(()),
        false => Err(ReadError::Changed { file: file.clone() }),
    };
    if path.is_dir() {
        same(&series_hash(path, &settings.read)?)?;
        let merged = merge_folder(path, &settings.stack, &settings.read);
        return merged.map(|m| m.micrograph).map_err(|e| unreadable(path, &e.to_string()));
    }
    let bytes = steady_bytes(path, &settings.read)?;
    same(blake3::hash(&bytes).to_hex().as_str())?;
    Ok(decode_picture(&file, &bytes, (&settings.read).into())?.into_plain())
}

fn unreadable(path: &Path, reason: &str) -> ReadError {
    ReadError::Unreadable { file: path.display().to_string(), reason: reason.to_owned() }
}
