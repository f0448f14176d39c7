//! What a picture job points at: a picture file, or the folder of a focus series.

use super::Tools;
use super::jobs::PictureJob;
use super::path_text::text;
use crate::calibrate::{choose_scale_bar, contradiction};
use crate::cancel::Cancel;
use crate::flag::{Flag, Warning};
use crate::micrograph::{CHANGED_WHILE_READ, Micrograph, ReadError, Reading, decode_picture, steady_bytes};
use crate::series::{GivenScale, SeriesRow};
use crate::settings::{ReadSettings, Settings};
use crate::stack::{merge_folder_as, series_hash};
use crate::units::{Scale, ScaleSource};
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
    /// When something cannot be read.
    pub(super) fn open(path: &Path, settings: &ReadSettings) -> Result<(Self, String), ReadError> {
        if !path.is_dir() {
            let bytes = steady_bytes(path, settings)?;
            let hash = blake3::hash(&bytes).to_hex().to_string();
            return Ok((Self::File(path.to_owned(), bytes), hash));
        }
        let hash = series_hash(path, settings)?;
        Ok((Self::Series { path: path.to_owned(), hash: hash.clone() }, hash))
    }

    /// The picture.
    ///
    /// # Errors
    /// One line that names the file or folder and the reason, which may be that the picture is no longer wanted.
    pub(super) fn micrograph(self, settings: &Settings, cancel: Cancel<'_>) -> Result<Micrograph, String> {
        let reading = Reading { settings: &settings.read, cancel };
        match self {
            Self::File(path, bytes) => {
                let decoded = decode_picture(&text(&path), &bytes, reading).map_err(|e| e.to_string())?;
                // The file is as long as a picture can be; it is not needed any more.
                drop(bytes);
                Ok(decoded.into_micrograph(reading))
            }
            Self::Series { path, hash } => {
                let merged = merge_folder_as(&path, &settings.stack, reading).map_err(|e| e.to_string())?.micrograph;
                // Frames are read one by one while they are merged: what was merged must be what was hashed.
                match series_hash(&path, &settings.read) {
                    Ok(now) if now == hash => Ok(merged),
                    _ => {
                        Err(ReadError::Unreadable { file: text(&path), reason: CHANGED_WHILE_READ.into() }.to_string())
                    }
                }
            }
        }
    }
}

/// Length that the picture's scale bar stands for, µm, when the table gives it (column `bar_um`).
pub(super) fn bar_um(series: &SeriesRow) -> Option<f64> {
    let given = series.extra.iter().find(|(name, _)| name.eq_ignore_ascii_case("bar_um"));
    given.and_then(|(_, value)| value.trim().parse::<f64>().ok()).filter(|v| v.is_finite() && 0.0 < *v)
}

/// Sets the scale of a picture: the table (with its calibrations) goes before the one scale of the run, that before the
/// file's own metadata, that before a scale bar whose length the table gives. A bar that contradicts the others is said.
pub(super) fn set_scale(micrograph: &mut Micrograph, job: &PictureJob, tools: &Tools) {
    let run = tools.um_per_px.and_then(|v| Scale::new(v, ScaleSource::Run));
    micrograph.scale = of_table(&job.scale).or(run).or(micrograph.scale.take());
    let settings = &tools.settings.read.burnt_in.bar;
    let Some(bar_um) = bar_um(&job.series) else { return };
    let bar = match choose_scale_bar(micrograph, settings) {
        Ok((bar, _)) => bar,
        Err(reason) => {
            let text = format!("the table says that a scale bar stands for {bar_um} µm, but {reason}");
            micrograph.warnings.push(Warning::new(Flag::ScaleBarMissing, text));
            return;
        }
    };
    match micrograph.scale {
        Some(scale) => micrograph.warnings.extend(contradiction(&bar, bar_um, &scale, settings)),
        None => micrograph.scale = bar.scale(bar_um),
    }
}

/// The scale that the table gives, with its uncertainty.
fn of_table(given: &GivenScale) -> Option<Scale> {
    let source = if given.calibrated { ScaleSource::Calibration } else { ScaleSource::Series };
    let mut scale = Scale::new(given.um_per_px?, source)?;
    scale.relative_u = given.u_um_per_px.map(|u| u / scale.um_per_px());
    Some(scale)
}
