//! `breakface report`: saved results to one page.

use crate::exit::Code;
use anyhow::Context as _;
use breakface::report::{ReportInput, ReportOptions, write_report};
use std::path::PathBuf;

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
    /// Settings file (TOML)
    #[arg(long, value_name = "FILE")]
    settings: Option<PathBuf>,
}

/// Runs `report`.
pub fn run(args: Args) -> anyhow::Result<Code> {
    let settings = match &args.settings {
        Some(path) => breakface::settings::Settings::load(path)?,
        None => breakface::settings::Settings::default(),
    };
    let input = ReportInput::load(&args.results);
    let options = ReportOptions { title: args.title, assets: args.assets, settings };
    let made = write_report(&input, &args.out, &options).context("the report was not written")?;
    eprintln!(
        "report: {} ({:.1} MB, {} pictures shown{})",
        args.out.display(),
        made.bytes as f64 / 1e6,
        made.shown,
        if made.unreachable > 0 { format!(", {} not reached", made.unreachable) } else { String::new() }
    );
    Ok(Code::Done)
}
