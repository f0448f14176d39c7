//! Every threshold of every stage, one file and struct per stage. A literal elsewhere that can change a result is a mistake.

mod bar;
mod calibrate;
mod carrier;
mod data;
mod described;
mod detect;
mod error;
mod face;
mod file;
mod history;
mod label;
mod limits;
mod measure;
mod quality;
mod read;
mod report;
mod stack;
mod versions;

pub use bar::BarSettings;
pub use calibrate::{CalibrateSettings, FibreSettings, RulingSettings};
pub use carrier::CarrierSettings;
pub use data::SettingsData;
pub use described::Setting;
pub use detect::DetectSettings;
pub use error::SettingsError;
pub use face::{FaceSettings, SiteSettings};
pub use history::HistorySettings;
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
