//! Pictures whose true ends are known: JSON files of the schema `fibre-ends-truth/1`, and which found end is which true one.

use crate::settings::LabelSettings;
use crate::tree::Label;
use crate::units::{Point, pair_off};
use serde::Deserialize;
use serde_json::Value;
use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

/// Schema of the files.
pub const TRUTH_SCHEMA: &str = "fibre-ends-truth/1";

/// One end that is really there.
#[derive(Debug, Clone, PartialEq)]
pub struct TrueEnd {
    /// Middle of the end, px.
    pub tip: Point,
    /// Direction out of the fibre, degrees.
    pub axis_deg: Option<f64>,
    /// What it is.
    pub label: Label,
    /// Descriptive subtype.
    pub subtype: String,
    /// Shaft diameter, px.
    pub shaft_diameter_px: f64,
    /// Bulb ratio.
    pub bulb_ratio: Option<f64>,
    /// Cut angle as the picture shows it, degrees, of cuts seen edge-on; `None` for others.
    pub cut_angle_deg: Option<f64>,
    /// Whether a person could grade it from the picture; others are neither right nor wrong.
    pub gradable: bool,
}

/// The true ends of one picture.
#[derive(Debug, Clone, PartialEq)]
pub struct TruePicture {
    /// File name, without folders.
    pub image: String,
    /// Specimen; empty when not said.
    pub specimen: String,
    /// Look (lighting, instrument); empty when not said.
    pub look: String,
    /// Picture family, `renderer/light` or the instrument; the look when no family is said, empty when neither is.
    pub family: String,
    /// View (how the ends lie); empty when not said.
    pub view: String,
    /// Magnification.
    pub magnification: Option<f64>,
    /// All ends, those that lie half outside the frame (never gradable) last.
    pub ends: Vec<TrueEnd>,
}

/// Why truth could not be read.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum TruthError {
    /// The folder holds none.
    #[error("{folder}: no truth there (JSON files of schema {TRUTH_SCHEMA})")]
    None {
        /// The folder.
        folder: PathBuf,
    },
    /// A file cannot be read.
    #[error("truth {path}: {reason}")]
    File {
        /// The file.
        path: PathBuf,
        /// What is wrong.
        reason: String,
    },
}

#[derive(Deserialize)]
struct WirePicture {
    image: String,
    #[serde(default)]
    specimen: Option<String>,
    #[serde(default)]
    look: Option<String>,
    #[serde(default)]
    family: Option<String>,
    #[serde(default)]
    view: Option<String>,
    #[serde(default)]
    magnification: Option<f64>,
    ends: Vec<WireEnd>,
    #[serde(default)]
    partial_ends: Vec<WirePartial>,
}

#[derive(Deserialize)]
struct WireEnd {
    x_px: f64,
    y_px: f64,
    axis_deg: Option<f64>,
    label: String,
    #[serde(default)]
    subtype: Option<String>,
    shaft_diameter_px: f64,
    #[serde(default)]
    bulb_ratio: Option<f64>,
    #[serde(default)]
    cut_angle_deg: Option<f64>,
    #[serde(default)]
    end_line_deg: Option<f64>,
    #[serde(default)]
    face_nz: Option<f64>,
    gradable: bool,
}

#[derive(Deserialize)]
struct WirePartial {
    x_px: Option<f64>,
    y_px: Option<f64>,
    shaft_diameter_px: Option<f64>,
}

/// Reads all truth files of a folder and its subfolders, by picture file name. JSON files of other kinds are passed over.
///
/// # Errors
/// When the folder cannot be read, holds no truth, or a truth file is damaged.
pub fn read_truth(folder: &Path) -> Result<BTreeMap<String, TruePicture>, TruthError> {
    let mut out = BTreeMap::new();
    for entry in walkdir::WalkDir::new(folder).sort_by_file_name() {
        let entry = entry.map_err(|e| TruthError::File { path: folder.into(), reason: e.to_string() })?;
        if entry.path().extension().is_none_or(|e| e != "json") {
            continue;
        }
        if let Some(picture) = read_file(entry.path())? {
            out.insert(picture.image.clone(), picture);
        }
    }
    if out.is_empty() { Err(TruthError::None { folder: folder.into() }) } else { Ok(out) }
}

fn read_file(path: &Path) -> Result<Option<TruePicture>, TruthError> {
    let wrong = |reason: String| TruthError::File { path: path.into(), reason };
    let bytes = crate::files::read_regular(path).map_err(|e| wrong(e.to_string()))?;
    let value: Value = serde_json::from_slice(&bytes).map_err(|e| wrong(e.to_string()))?;
    if value.get("schema").and_then(Value::as_str) != Some(TRUTH_SCHEMA) {
        return Ok(None);
    }
    let wire: WirePicture = serde_json::from_value(value).map_err(|e| wrong(e.to_string()))?;
    let mut ends = Vec::with_capacity(wire.ends.len());
    for end in wire.ends {
        let label = Label::from_word(&end.label).ok_or_else(|| wrong(format!("label {:?} is not known", end.label)))?;
        ends.push(true_end(end, label));
    }
    ends.extend(wire.partial_ends.into_iter().filter_map(partial_end));
    Ok(Some(TruePicture {
        image: base_name(&wire.image).to_owned(),
        specimen: wire.specimen.unwrap_or_default(),
        family: wire.family.or_else(|| wire.look.clone()).unwrap_or_default(),
        look: wire.look.unwrap_or_default(),
        view: wire.view.unwrap_or_default(),
        magnification: wire.magnification,
        ends,
    }))
}

/// Size of the face normal's part towards the camera below which a cut counts as seen edge-on.
const EDGE_ON: f64 = 0.5;

fn true_end(end: WireEnd, label: Label) -> TrueEnd {
    let subtype = end.subtype.unwrap_or_default();
    let edge_on = subtype == "clean_cut" && end.face_nz.unwrap_or(0.0).abs() < EDGE_ON;
    TrueEnd {
        tip: Point::new(end.x_px, end.y_px),
        axis_deg: end.axis_deg,
        label,
        shaft_diameter_px: end.shaft_diameter_px,
        bulb_ratio: end.bulb_ratio,
        cut_angle_deg: if edge_on { end.end_line_deg.or(end.cut_angle_deg) } else { None },
        gradable: end.gradable,
        subtype,
    }
}

fn partial_end(end: WirePartial) -> Option<TrueEnd> {
    let shaft_diameter_px = end.shaft_diameter_px.filter(|d| 0.0 < *d)?;
    Some(TrueEnd {
        tip: Point::new(end.x_px?, end.y_px?),
        axis_deg: None,
        label: Label::Unclear,
        subtype: String::new(),
        shaft_diameter_px,
        bulb_ratio: None,
        cut_angle_deg: None,
        gradable: false,
    })
}

/// File name without folders.
pub fn base_name(image: &str) -> &str {
    image.rsplit(['/', '\\']).next().unwrap_or(image)
}

/// Pairs of true and found ends (positions in the two lists): each found end belongs to the nearest free true end within
/// [`LabelSettings::match_px`] or so many diameters, nearest pairs (relative to that reach) first.
pub fn pairs(ends: &[TrueEnd], found: &[Point], settings: &LabelSettings) -> Vec<(usize, usize)> {
    let mut near: Vec<(f64, usize, usize)> = Vec::new();
    for (i, end) in ends.iter().enumerate() {
        let reach = settings.match_px.max(settings.match_diameters * end.shaft_diameter_px);
        for (j, tip) in found.iter().enumerate() {
            let distance = end.tip.distance(*tip);
            if distance <= reach {
                near.push((distance / reach, i, j));
            }
        }
    }
    pair_off(near)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn end(x: f64) -> TrueEnd {
        let partial = WirePartial { x_px: Some(x), y_px: Some(0.0), shaft_diameter_px: Some(8.0) };
        partial_end(partial).unwrap()
    }

    #[test]
    fn nearest_pairs_come_first_and_nothing_is_used_twice() {
        let settings = LabelSettings::default();
        // Reach 6 px: the middle one is nearest to the second true end; the first true end takes what is left.
        let found = [Point::new(4.0, 0.0), Point::new(-5.0, 0.0), Point::new(30.0, 0.0)];
        assert_eq!(pairs(&[end(0.0), end(5.0)], &found, &settings), [(1, 0), (0, 1)]);
        assert_eq!(pairs(&[end(0.0)], &found[2..], &settings), []);
        assert_eq!(pairs(&[], &[], &settings), []);
    }

    #[test]
    fn names_lose_their_folders() {
        assert_eq!(base_name("a/b\\c.png"), "c.png");
        assert_eq!(base_name("c.png"), "c.png");
    }
}
