//! `breakface train`.

use crate::exit::Code;

/// Arguments of `train`.
#[derive(Debug, clap::Args)]
pub struct Args {}

/// Runs `train`.
pub fn run(_args: Args) -> anyhow::Result<Code> {
    eprintln!("breakface train: not available yet");
    Ok(Code::Wrong)
}
