//! `breakface report`: saved results to one page.

use crate::exit::Code;
use anyhow::Context as _;
use breakface::report::{ReportOptions, counted, write_report};
use breakface::results::{REPORT_FILE, Results};
use breakface::settings::Settings;
use std::path::{Path, PathBuf};

/// Arguments of `report`.
#[derive(Debug, clap::Args)]
#[command(
    after_help = "Examples:\n  breakface report results\n  breakface report results --out elsewhere.html --assets pictures"
)]
pub struct Args {
    /// Folder of results, as written by `classify`
    #[arg(value_name = "RESULTS")]
    results: PathBuf,
    /// Page to write [default: report.html in RESULTS]
    #[arg(short, long, value_name = "FILE")]
    out: Option<PathBuf>,
    /// Folder for full pictures, linked from the page
    #[arg(long, value_name = "DIR")]
    assets: Option<PathBuf>,
    /// Title of the page
    #[arg(long, value_name = "TEXT", default_value = "")]
    title: String,
    /// Settings (TOML) instead of those of the run
    #[arg(short, long, value_name = "FILE")]
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
    let out = args.out.unwrap_or_else(|| args.results.join(REPORT_FILE));
    let made = write_report(&results, &out, &options).context("the report was not written")?;
    note!(
        "report: {} ({:.1} MB, {} shown{})",
        out.display(),
        made.bytes as f64 / 1e6,
        counted(made.shown, "picture", "pictures"),
        if made.unreachable > 0 { format!(", {} not reached", made.unreachable) } else { String::new() }
    );
    Ok(Code::Done)
}

/// Writes the page of a run into its own folder.
pub fn write_beside(folder: &Path, settings: &Settings) -> anyhow::Result<PathBuf> {
    let results = Results::load(folder)?;
    let out = folder.join(REPORT_FILE);
    let options = ReportOptions { settings: settings.clone(), ..ReportOptions::default() };
    write_report(&results, &out, &options).context("the report was not written")?;
    Ok(out)
}
