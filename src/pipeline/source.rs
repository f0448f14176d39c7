//! What a picture job points at: a picture file, or the folder of a focus series.

use super::inputs::text;
use crate::calibrate::{contradiction, find_scale_bar};
use crate::micrograph::{Micrograph, decode_micrograph};
use crate::series::SeriesRow;
use crate::settings::Settings;
use crate::stack::{frames_of_folder, merge_folder};
use std::path::{Path, PathBuf};

/// The bytes of a picture file, or a folder to be merged.
pub(super) enum Source {
    /// A picture file with its content.
    File(PathBuf, Vec<u8>),
    /// A folder of frames, with the BLAKE3 of all of them in order.
    Series { path: PathBuf, hash: String },
}

impl Source {
    /// Opens a job's path; returns it with the BLAKE3 of its content (of all frames in order, for a series).
    ///
    /// # Errors
    /// What the system says when something cannot be read.
    pub(super) fn open(path: &Path) -> std::io::Result<(Self, String)> {
        if !path.is_dir() {
            let bytes = read_steady(path)?;
            let hash = blake3::hash(&bytes).to_hex().to_string();
            return Ok((Self::File(path.to_owned(), bytes), hash));
        }
        let hash = series_hash(path)?;
        Ok((Self::Series { path: path.to_owned(), hash: hash.clone() }, hash))
    }

    /// The picture.
    ///
    /// # Errors
    /// One line that names the file or folder and the reason.
    pub(super) fn micrograph(self, settings: &Settings) -> Result<Micrograph, String> {
        match self {
            Self::File(path, bytes) => {
                decode_micrograph(&text(&path), &bytes, &settings.read).map_err(|e| e.to_string())
            }
            Self::Series { path, hash } => {
                let merged =
                    merge_folder(&path, &settings.stack, &settings.read).map_err(|e| e.to_string())?.micrograph;
                // Frames are read one by one while they are merged: what was merged must be what was hashed.
                match series_hash(&path) {
                    Ok(now) if now == hash => Ok(merged),
                    _ => Err(format!("{}: {CHANGED}", text(&path))),
                }
            }
        }
    }
}

const CHANGED: &str = "changed while it was read; give the same command again when nobody writes to it";

/// The bytes of a file that nobody wrote to meanwhile.
fn read_steady(path: &Path) -> std::io::Result<Vec<u8>> {
    let look = |path: &Path| std::fs::metadata(path).map(|m| (m.len(), m.modified().ok()));
    let before = look(path)?;
    let bytes = std::fs::read(path)?;
    // Times are compared for equality only, so that a clock that jumps does no harm.
    if look(path)? != before || bytes.len() as u64 != before.0 {
        return Err(std::io::Error::other(CHANGED));
    }
    Ok(bytes)
}

fn series_hash(path: &Path) -> std::io::Result<String> {
    let mut hasher = blake3::Hasher::new();
    for frame in frames_of_folder(path).map_err(|e| std::io::Error::other(e.to_string()))? {
        let bytes = read_steady(&frame)?;
        hasher.update(&(bytes.len() as u64).to_le_bytes());
        hasher.update(&bytes);
    }
    Ok(hasher.finalize().to_hex().to_string())
}

/// Checks the scale in use against the picture's own scale bar, when the table gives its length (column `bar_um`).
pub(super) fn check_bar(micrograph: &mut Micrograph, series: &SeriesRow, settings: &Settings) {
    let given = series.extra.iter().find(|(name, _)| name.eq_ignore_ascii_case("bar_um"));
    let bar_um = given.and_then(|(_, value)| value.trim().parse::<f64>().ok()).filter(|v| v.is_finite() && 0.0 < *v);
    let (Some(bar_um), Some(scale)) = (bar_um, micrograph.scale) else { return };
    let Some(bar) = find_scale_bar(micrograph, &settings.calibrate.bar) else { return };
    micrograph.warnings.extend(contradiction(&bar, bar_um, &scale, &settings.calibrate.bar));
}
