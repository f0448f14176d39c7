//! `breakface explain`.

use crate::exit::Code;

/// Arguments of `explain`.
#[derive(Debug, clap::Args)]
pub struct Args {}

/// Runs `explain`.
pub fn run(_args: Args) -> anyhow::Result<Code> {
    eprintln!("breakface explain: not available yet");
    Ok(Code::Wrong)
}
