//! `run.json`: enough to do the run again and to say where its numbers come from.

use crate::settings::{Settings, SettingsData};
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;

/// Name of the file in the folder of results.
pub const RUN_FILE: &str = "run.json";
/// Version of its format.
pub const RUN_SCHEMA: &str = "breakface-run/2";
/// Versions that are read.
pub(super) const READ_SCHEMAS: [&str; 2] = ["breakface-run/1", RUN_SCHEMA];

/// The content of `run.json`.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub struct RunFile {
    /// Format, [`RUN_SCHEMA`].
    pub schema: String,
    /// Version of this program.
    pub version: String,
    /// Version of the feature table.
    pub features: String,
    /// When the run ended, RFC 3339, UTC.
    pub ended: String,
    /// One scale given for all pictures, µm per px.
    pub um_per_px: Option<f64>,
    /// Threads.
    pub threads: usize,
    /// The model that labelled.
    pub model: ModelUsed,
    /// The detector.
    #[serde(alias = "finder")]
    pub detector: DetectorUsed,
    /// All settings in effect, as data: a run of another version opens whatever its settings were called.
    pub settings: SettingsData,
    /// Every picture, sorted by name.
    pub inputs: Vec<InputUsed>,
    /// Wall time of the run, s.
    pub wall_s: f64,
    /// Time by stage, s, summed over pictures and threads; pictures kept from an earlier run take none.
    pub stage_s: StageSeconds,
    /// What to know about the run.
    pub warnings: Vec<String>,
    /// Rows of the tables that were written with this file; `None` in files of version 0.1.0.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub rows: Option<RowCounts>,
    /// Digests of tables that were written with this file (BLAKE3, hexadecimal), by their names: of a part of a larger run,
    /// so that only what was written is joined.
    #[serde(default, skip_serializing_if = "BTreeMap::is_empty")]
    pub digests: BTreeMap<String, String>,
    /// Which part of a larger run this is; `None` = a whole run.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub shard: Option<ShardUsed>,
}

impl RunFile {
    /// The settings of the run, as far as this version knows them, and the keys of those that it does not.
    pub fn settings(&self) -> (Settings, Vec<String>) {
        Settings::from_data(&self.settings)
    }

    /// The file.
    ///
    /// # Errors
    /// When a value has no JSON form, which is a fault of the program.
    pub fn to_json(&self) -> serde_json::Result<Vec<u8>> {
        let mut bytes = serde_json::to_vec_pretty(self)?;
        bytes.push(b'\n');
        Ok(bytes)
    }
}

/// Rows of tables, so that one that was cut short is noticed.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub struct RowCounts {
    /// Rows of `ends.csv`.
    pub ends: usize,
    /// Rows of `images.csv`.
    pub images: usize,
}

/// What a part of a run knows of the whole.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct ShardUsed {
    /// Number of the part, from 1.
    pub index: u32,
    /// Parts of the whole.
    pub of: u32,
    /// Pictures of the whole.
    pub pictures: usize,
    /// BLAKE3 of the names of all pictures and of what the series table says of them.
    pub listing: String,
    /// BLAKE3 of everything that changes results for all pictures: settings, model, detector, features, version.
    pub tools: String,
    /// How the inputs were understood.
    pub notes: Vec<String>,
}

/// The model of a run.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub struct ModelUsed {
    /// Name for people.
    pub name: String,
    /// BLAKE3 of the model file.
    pub digest: String,
}

/// The detector of a run.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub struct DetectorUsed {
    /// Digest of its weights.
    pub digest: String,
}

/// One picture of a run.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct InputUsed {
    /// Name in the tables.
    pub image: String,
    /// Where the file was, absolute where that could be told.
    pub path: String,
    /// BLAKE3 of the file; empty when it could not be read.
    pub hash: String,
}

/// Where the time went, seconds, summed over pictures.
#[derive(Debug, Clone, Copy, Default, PartialEq, Serialize, Deserialize)]
#[serde(default)]
pub struct StageSeconds {
    /// Reading files, decoding, scale, burnt-in text.
    pub read: f64,
    /// Detecting candidates.
    #[serde(alias = "find")]
    pub detect: f64,
    /// Measuring them.
    pub measure: f64,
    /// Second look, grouping, labelling.
    pub label: f64,
    /// Drawing and saving.
    pub write: f64,
}

impl StageSeconds {
    /// Adds the times of another picture.
    pub fn add(&mut self, other: &Self) {
        self.read += other.read;
        self.detect += other.detect;
        self.measure += other.measure;
        self.label += other.label;
        self.write += other.write;
    }
}
