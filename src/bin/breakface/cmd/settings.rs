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
    #[arg(long, value_name = "FILE")]
    settings: Option<PathBuf>,
}

/// Runs `settings`.
pub fn run(args: Args) -> anyhow::Result<Code> {
    let settings = match &args.settings {
        Some(path) => Settings::load(path)?,
        None => Settings::default(),
    };
    let text = settings.to_commented_toml().context("settings")?;
    std::io::stdout().lock().write_all(text.as_bytes())?;
    Ok(Code::Done)
}
