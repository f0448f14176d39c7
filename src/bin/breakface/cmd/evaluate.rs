//! `breakface evaluate`.

use crate::exit::Code;

/// Arguments of `evaluate`.
#[derive(Debug, clap::Args)]
pub struct Args {}

/// Runs `evaluate`.
pub fn run(_args: Args) -> anyhow::Result<Code> {
    eprintln!("breakface evaluate: not available yet");
    Ok(Code::Wrong)
}
