//! `breakface calibrate`: scale of a microscope from a ruled scale, a burnt-in scale bar or a known fibre.

mod bar;
mod fibre;
mod ruling;

use crate::exit::Code;
use anyhow::Context;
use breakface::calibrate::{Calibration, CalibrationList};
use breakface::micrograph::{Micrograph, read_micrograph};
use breakface::settings::Settings;
use serde_json::json;
use std::path::{Path, PathBuf};

/// Arguments of `calibrate`.
#[derive(Debug, clap::Args)]
#[command(after_help = "\
Examples:
  breakface calibrate ruling micrometer-10x.png --pitch-um 10 --name 10x --list calibrations.csv
  breakface calibrate bar picture.jpg --bar-um 200
  breakface calibrate fibre results/ends.csv --dtex 2.47 --density 0.97")]
pub struct Args {
    #[command(subcommand)]
    from: From,
}

#[derive(Debug, clap::Subcommand)]
enum From {
    /// From pictures of a ruled scale (stage micrometer) of known pitch
    Ruling(ruling::Args),
    /// From the burnt-in scale bar of a picture, whose length you give
    Bar(bar::Args),
    /// Check scales by fibres of known linear density, or take them as a stand-in
    Fibre(fibre::Args),
}

/// Where a calibration is kept.
#[derive(Debug, clap::Args)]
struct Keep {
    /// Name under which the scale is kept, such as the objective or magnification
    #[arg(long, value_name = "NAME", requires = "list", help_heading = "Output")]
    name: Option<String>,
    /// Table of calibrations that the scale is put into; made when it is not there
    #[arg(long, value_name = "FILE", requires = "name", help_heading = "Output")]
    list: Option<PathBuf>,
    /// Write the result as JSON
    #[arg(long, help_heading = "Output")]
    json: bool,
}

impl Keep {
    /// Tells people something; scripts get it in the JSON at the end.
    fn say(&self, text: &str) {
        if !self.json {
            tell!("{text}");
        }
    }

    /// Puts the scale into the table, in place of an older one of the same name.
    fn put(&self, um_per_px: f64, u_um_per_px: Option<f64>, source: String) -> anyhow::Result<()> {
        if self.json {
            let result = json!({
                "schema": "breakface-calibrate/1", "um_per_px": um_per_px, "u_um_per_px": u_um_per_px, "source": source,
                "kept_as": self.name, "kept_in": self.list,
            });
            tell!("{result}");
        }
        let (Some(name), Some(path)) = (&self.name, &self.list) else { return Ok(()) };
        let date = jiff::Timestamp::now().to_string().chars().take(10).collect();
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

/// Runs `calibrate`.
pub fn run(args: Args) -> anyhow::Result<Code> {
    match args.from {
        From::Ruling(args) => ruling::run(args),
        From::Bar(args) => bar::run(args),
        From::Fibre(args) => fibre::run(args),
    }
}

fn load_settings(path: Option<&PathBuf>) -> anyhow::Result<Settings> {
    Ok(path.map_or_else(|| Ok(Settings::default()), |p| Settings::load(p))?)
}

fn read(path: &Path, settings: &Settings) -> anyhow::Result<Micrograph> {
    read_micrograph(path, &settings.read).context("calibrate")
}

/// The name of a file for people.
fn short(path: &Path) -> String {
    path.file_name().unwrap_or(path.as_os_str()).to_string_lossy().into_owned()
}
