//! `breakface settings`: the effective settings, ready to save and edit.

use crate::exit::Code;
use anyhow::Context;
use breakface::settings::Settings;
use std::io::Write;
use std::path::PathBuf;

/// Arguments of `settings`.
#[derive(Debug, clap::Args)]
pub struct Args {
    /// Settings file (TOML) to check and complete
    #[arg(short, long, value_name = "FILE")]
    settings: Option<PathBuf>,
    /// List every measured feature with unit and meaning instead (CSV)
    #[arg(long, conflicts_with = "settings")]
    features: bool,
    /// The features as a Markdown table
    #[arg(long, requires = "features")]
    markdown: bool,
}

/// Runs `settings`.
pub fn run(args: Args) -> anyhow::Result<Code> {
    if args.features {
        return super::features::list(args.markdown);
    }
    let settings = Settings::load_or_default(args.settings.as_deref())?;
    let text = settings.to_commented_toml().context("settings")?;
    std::io::stdout().lock().write_all(text.as_bytes())?;
    Ok(Code::Done)
}
