//! `breakface report`.

use crate::exit::Code;

/// Arguments of `report`.
#[derive(Debug, clap::Args)]
pub struct Args {}

/// Runs `report`.
pub fn run(_args: Args) -> anyhow::Result<Code> {
    eprintln!("breakface report: not available yet");
    Ok(Code::Wrong)
}
