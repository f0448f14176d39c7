//! `breakface calibrate`.

use crate::exit::Code;

/// Arguments of `calibrate`.
#[derive(Debug, clap::Args)]
pub struct Args {}

/// Runs `calibrate`.
pub fn run(_args: Args) -> anyhow::Result<Code> {
    eprintln!("breakface calibrate: not available yet");
    Ok(Code::Wrong)
}
