//! The finished result of one picture on disk, so that an interrupted or repeated run goes on from there.

use super::Tools;
use super::jobs::PictureJob;
use super::source::bar_um;
use crate::measure::{FEATURE_SCHEMA, FEATURES};
use crate::settings::SettingsError;
use crate::table::{EndRow, Fields, ImageRow, TableError, write_atomic};
use serde::{Deserialize, Serialize};
use std::path::Path;

const SCHEMA: &str = "breakface-picture/2";

/// What is kept of a picture: its rows, without what only the series table says.
#[derive(Serialize, Deserialize)]
struct Saved {
    schema: String,
    key: String,
    rows: KeptRows,
    /// BLAKE3 of the rows, so that an edited or damaged file is not trusted.
    check: String,
}

#[derive(Serialize, Deserialize)]
struct KeptRows {
    image: Fields,
    ends: Fields,
}

impl KeptRows {
    fn check(&self) -> serde_json::Result<String> {
        Ok(blake3::hash(&serde_json::to_vec(self)?).to_hex().to_string())
    }
}

/// Part of every key: whatever changes results for all pictures.
///
/// # Errors
/// When the settings have no text form.
pub(super) fn tools_digest(tools: &Tools) -> Result<String, SettingsError> {
    let mut hasher = blake3::Hasher::new();
    let settings = tools.settings.to_toml()?;
    let names: Vec<&str> = FEATURES.iter().map(|f| f.name).collect();
    let parts = [
        SCHEMA,
        env!("CARGO_PKG_VERSION"),
        FEATURE_SCHEMA,
        &names.join(","),
        &settings,
        tools.detector.digest(),
        &crate::network::StripNetworks::digest(),
        &tools.model.digest(),
    ];
    parts.iter().for_each(|part| mix(&mut hasher, part.as_bytes()));
    Ok(hasher.finalize().to_hex().to_string())
}

/// Lengths are mixed in, so that no two lists of parts give the same bytes.
fn mix(hasher: &mut blake3::Hasher, part: &[u8]) {
    hasher.update(&(part.len() as u64).to_le_bytes());
    hasher.update(part);
}

/// The key of one picture: its bytes, the tools, and what the table says that its measurements depend on.
pub(super) fn key(tools: &str, content: &str, job: &PictureJob, um_per_px_of_run: Option<f64>) -> String {
    let mut hasher = blake3::Hasher::new();
    let scale = (job.scale, um_per_px_of_run, bar_um(&job.series));
    for part in [tools, content, &format!("{scale:?}"), &format!("{:?}", job.series.carriers)] {
        mix(&mut hasher, part.as_bytes());
    }
    hasher.finalize().to_hex()[..32].to_owned()
}

/// The key of the small copy of a picture, which depends on neither scale nor carriers.
pub(super) fn copy_key(tools: &str, content: &str) -> String {
    key(tools, content, &PictureJob::default(), None)
}

/// Keeps the result of a picture.
pub(super) fn save(path: &Path, key: &str, image: &ImageRow, ends: &[EndRow]) -> Result<(), TableError> {
    let wrong =
        |e: serde_json::Error| TableError::Unwritable { path: path.display().to_string(), reason: e.to_string() };
    let rows = KeptRows { image: Fields::of(std::slice::from_ref(image)), ends: Fields::of(ends) };
    let check = rows.check().map_err(wrong)?;
    let saved = Saved { schema: SCHEMA.into(), key: key.into(), rows, check };
    write_atomic(path, &serde_json::to_vec(&saved).map_err(wrong)?)
}

/// The kept result of a picture; `None` when there is none or it cannot be used: then the picture is worked on again.
pub(super) fn load(path: &Path, key: &str) -> Option<(ImageRow, Vec<EndRow>)> {
    let saved: Saved = serde_json::from_slice(&crate::files::read_regular(path).ok()?).ok()?;
    if saved.schema != SCHEMA || saved.key != key || saved.check != saved.rows.check().ok()? {
        return None;
    }
    let image = saved.rows.image.rows::<ImageRow>().ok()?.pop()?;
    Some((image, saved.rows.ends.rows::<EndRow>().ok()?))
}
