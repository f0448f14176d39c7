//! The finished result of one picture on disk, so that an interrupted or repeated run goes on from there.

use super::Tools;
use super::source::bar_um;
use crate::measure::{FEATURE_SCHEMA, FEATURES};
use crate::series::SeriesRow;
use crate::table::{EndRow, ImageRow, TableError, from_csv, to_csv, write_atomic};
use serde::{Deserialize, Serialize};
use std::path::Path;

const SCHEMA: &str = "breakface-picture/1";

/// What is kept of a picture: its rows, as CSV, without what only the series table says.
#[derive(Serialize, Deserialize)]
struct Saved {
    schema: String,
    key: String,
    image: String,
    ends: String,
}

/// Part of every key: whatever changes results for all pictures.
pub(super) fn tools_digest(tools: &Tools) -> String {
    let mut hasher = blake3::Hasher::new();
    let settings = tools.settings.to_toml().unwrap_or_default();
    let names: Vec<&str> = FEATURES.iter().map(|f| f.name).collect();
    let parts = [
        SCHEMA,
        env!("CARGO_PKG_VERSION"),
        FEATURE_SCHEMA,
        &names.join(","),
        &settings,
        tools.detector.digest(),
        &crate::measure::networks_digest(),
        &tools.model.digest(),
    ];
    parts.iter().for_each(|part| mix(&mut hasher, part.as_bytes()));
    hasher.finalize().to_hex().to_string()
}

/// Lengths are mixed in, so that no two lists of parts give the same bytes.
fn mix(hasher: &mut blake3::Hasher, part: &[u8]) {
    hasher.update(&(part.len() as u64).to_le_bytes());
    hasher.update(part);
}

/// The key of one picture: its bytes, the tools, and what the table says that its measurements depend on.
pub(super) fn key(tools: &str, content: &str, series: &SeriesRow, um_per_px_of_run: Option<f64>) -> String {
    let mut hasher = blake3::Hasher::new();
    let scale = (series.um_per_px, series.u_um_per_px, series.calibrated, um_per_px_of_run, bar_um(series));
    for part in [tools, content, &format!("{scale:?}"), &format!("{:?}", series.carriers)] {
        mix(&mut hasher, part.as_bytes());
    }
    hasher.finalize().to_hex()[..32].to_owned()
}

/// The key of the small copy of a picture, which depends on neither scale nor carriers.
pub(super) fn copy_key(tools: &str, content: &str) -> String {
    key(tools, content, &SeriesRow::default(), None)
}

/// Keeps the result of a picture.
pub(super) fn save(path: &Path, key: &str, image: &ImageRow, ends: &[EndRow]) -> Result<(), TableError> {
    let text = |bytes| String::from_utf8(bytes).unwrap_or_default();
    let saved = Saved {
        schema: SCHEMA.into(),
        key: key.into(),
        image: text(to_csv(std::slice::from_ref(image))),
        ends: text(to_csv(ends)),
    };
    // Strings and no maps: this has a JSON form.
    let bytes = serde_json::to_vec(&saved).unwrap_or_default();
    write_atomic(path, &bytes)
}

/// The kept result of a picture; `None` when there is none or it cannot be used: then the picture is worked on again.
pub(super) fn load(path: &Path, key: &str) -> Option<(ImageRow, Vec<EndRow>)> {
    let bytes = std::fs::read(path).ok()?;
    let saved: Saved = serde_json::from_slice(&bytes).ok()?;
    if saved.schema != SCHEMA || saved.key != key {
        return None;
    }
    let image = from_csv::<ImageRow>("", saved.image.as_bytes()).ok()?.pop()?;
    let ends = from_csv::<EndRow>("", saved.ends.as_bytes()).ok()?;
    Some((image, ends))
}
