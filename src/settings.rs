//! Every threshold of every stage, one file and struct per stage. A literal elsewhere that can change a result is a mistake.

mod calibrate;
mod carrier;
mod data;
mod described;
mod detect;
mod face;
mod label;
mod measure;
mod quality;
mod read;
mod report;
mod stack;

pub use calibrate::{BarSettings, CalibrateSettings, FibreSettings, RulingSettings};
pub use carrier::CarrierSettings;
pub use data::SettingsData;
pub use described::Setting;
pub use detect::DetectSettings;
pub use face::{FaceSettings, SiteSettings};
pub use label::{LabelSettings, SubtypeSettings};
pub use measure::MeasureSettings;
pub use quality::QualitySettings;
pub use read::{BurntInSettings, MarkSettings, ReadSettings};
pub use report::ReportSettings;
pub use stack::StackSettings;

use described::section;
use serde::{Deserialize, Serialize};

section! {
    /// Settings of the whole run.
    #[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
    #[serde(default, deny_unknown_fields)]
    pub struct Settings {
        /// Reading pictures.
        pub read: ReadSettings,
        /// Judging pictures.
        pub quality: QualitySettings,
        /// Merging focus series.
        pub stack: StackSettings,
        /// Measuring the scale.
        pub calibrate: CalibrateSettings,
        /// Detecting ends.
        pub detect: DetectSettings,
        /// Measuring ends.
        pub measure: MeasureSettings,
        /// Grouping ends to carriers.
        pub carrier: CarrierSettings,
        /// Labelling ends.
        pub label: LabelSettings,
        /// Scoring break faces and comparing knots.
        pub face: FaceSettings,
        /// The report page.
        pub report: ReportSettings,
    }
}

/// Why settings could not be read.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum SettingsError {
    /// The file cannot be opened.
    #[error("settings {path}: cannot be read: {reason}")]
    Unreadable {
        /// File as given.
        path: String,
        /// What the system said.
        reason: String,
    },
    /// A value is no number, or beyond what makes sense.
    #[error("settings: {key}: expected a number from {least} to {most}, found {found}; see `breakface settings`")]
    OutOfLimits {
        /// Dotted key.
        key: String,
        /// What is there.
        found: String,
        /// Least value.
        least: f64,
        /// Largest value.
        most: f64,
    },
    /// The file is not the TOML that is expected, or holds an unknown key or a value of the wrong type.
    #[error("settings {path}: {reason}")]
    Malformed {
        /// File as given.
        path: String,
        /// Line, column and what was expected.
        reason: String,
    },
}

impl Settings {
    /// Reads settings from a TOML file; keys left out keep their default.
    ///
    /// # Errors
    /// When the file cannot be read, is not TOML, names a key that does not exist, or holds a value out of its limits. The error
    /// of a file for version 0.1.0 names every key that has to change, and how.
    pub fn load(path: &std::path::Path) -> Result<Self, SettingsError> {
        let name = path.display().to_string();
        let text = std::fs::read_to_string(path)
            .map_err(|e| SettingsError::Unreadable { path: name.clone(), reason: e.to_string() })?;
        let malformed = |reason: String| SettingsError::Malformed { path: name.clone(), reason };
        if let Ok(table) = text.parse::<toml::Table>()
            && let Some(way_out) = data::way_out_of_old_names(&table)
        {
            return Err(malformed(way_out));
        }
        let settings: Self = toml::from_str(&text).map_err(|e| malformed(one_line(&e)))?;
        settings.check()?;
        Ok(settings)
    }

    /// The settings as TOML, every key written out.
    ///
    /// # Errors
    /// When a value has no TOML form, which is a fault of the program.
    pub fn to_toml(&self) -> Result<String, SettingsError> {
        toml::to_string_pretty(self)
            .map_err(|e| SettingsError::Malformed { path: data::EFFECTIVE.into(), reason: e.to_string() })
    }
}

fn one_line(error: &toml::de::Error) -> String {
    error.message().split_whitespace().collect::<Vec<_>>().join(" ")
}
