//! `breakface report`: saved results to one page.

use crate::exit::Code;
use anyhow::Context as _;
use breakface::report::{ReportOptions, write_report};
use breakface::results::Results;
use breakface::settings::Settings;
use std::path::{Path, PathBuf};

/// Arguments of `report`.
#[derive(Debug, clap::Args)]
#[command(
    after_help = "Examples:\n  breakface report results --out report.html\n  breakface report results --out report.html --assets pictures"
)]
pub struct Args {
    /// Folder of results, as written by `classify`
    #[arg(value_name = "RESULTS")]
    results: PathBuf,
    /// Page to write
    #[arg(long, value_name = "FILE", default_value = "report.html")]
    out: PathBuf,
    /// Folder for full pictures, linked from the page
    #[arg(long, value_name = "DIR")]
    assets: Option<PathBuf>,
    /// Title of the page
    #[arg(long, value_name = "TEXT", default_value = "")]
    title: String,
    /// Settings (TOML) instead of those of the run
    #[arg(long, value_name = "FILE")]
    settings: Option<PathBuf>,
}

/// Runs `report`.
pub fn run(args: Args) -> anyhow::Result<Code> {
    let results = Results::load(&args.results)?;
    let settings = match &args.settings {
        Some(path) => Settings::load(path)?,
        None => results.settings(),
    };
    let options = ReportOptions { title: args.title, assets: args.assets, settings };
    let made = write_report(&results, &args.out, &options).context("the report was not written")?;
    eprintln!(
        "report: {} ({:.1} MB, {} pictures shown{})",
        args.out.display(),
        made.bytes as f64 / 1e6,
        made.shown,
        if made.unreachable > 0 { format!(", {} not reached", made.unreachable) } else { String::new() }
    );
    Ok(Code::Done)
}

/// Name of the page in a folder of results.
const PAGE: &str = "report.html";

/// Writes the page of a run into its own folder.
pub fn write_beside(folder: &Path, settings: &Settings) -> anyhow::Result<PathBuf> {
    let results = Results::load(folder)?;
    let out = folder.join(PAGE);
    let options = ReportOptions { settings: settings.clone(), ..ReportOptions::default() };
    write_report(&results, &out, &options).context("the report was not written")?;
    Ok(out)
}
