//! What all ways of calibrating share: settings, the picture, and where the scale is kept.

use anyhow::Context;
use breakface::calibrate::{Calibration, CalibrationList};
use breakface::micrograph::{Micrograph, read_micrograph};
use breakface::settings::Settings;
use serde_json::json;
use std::path::{Path, PathBuf};

/// Where a calibration is kept.
#[derive(Debug, clap::Args)]
pub(super) struct Keep {
    /// Name under which the scale is kept, such as the objective or magnification
    #[arg(long, value_name = "NAME", requires = "list", help_heading = "Output")]
    pub name: Option<String>,
    /// Table of calibrations that the scale is put into; made when it is not there
    #[arg(long, value_name = "FILE", requires = "name", help_heading = "Output")]
    pub list: Option<PathBuf>,
    /// Write the result as JSON
    #[arg(long, help_heading = "Output")]
    pub json: bool,
}

impl Keep {
    /// Tells people something; scripts get it in the JSON at the end.
    pub fn say(&self, text: &str) {
        if !self.json {
            tell!("{text}");
        }
    }

    /// Puts the scale into the table, in place of an older one of the same name.
    pub fn put(&self, um_per_px: f64, u_um_per_px: Option<f64>, source: String) -> anyhow::Result<()> {
        if self.json {
            let result = json!({
                "schema": "breakface-calibrate/1", "um_per_px": um_per_px, "u_um_per_px": u_um_per_px, "source": source,
                "kept_as": self.name, "kept_in": self.list,
            });
            tell!("{result}");
        }
        let (Some(name), Some(path)) = (&self.name, &self.list) else { return Ok(()) };
        let date = chrono::Utc::now().format("%Y-%m-%d").to_string();
        let calibration = Calibration { name: name.clone(), um_per_px, u_um_per_px, date, source };
        let older = CalibrationList::put_into(path, calibration)?;
        let place = path.display();
        match older {
            Some(o) => self.say(&format!("kept as {name} in {place}, in place of {} µm/px of {}", o.um_per_px, o.date)),
            None => self.say(&format!("kept as {name} in {place}")),
        }
        Ok(())
    }
}

pub(super) fn read(path: &Path, settings: &Settings) -> anyhow::Result<Micrograph> {
    read_micrograph(path, &settings.read).context("calibrate")
}

/// The name of a file for people.
pub(super) fn short(path: &Path) -> String {
    path.file_name().unwrap_or(path.as_os_str()).to_string_lossy().into_owned()
}
