//! `breakface review`.

use crate::exit::Code;

/// Arguments of `review`.
#[derive(Debug, clap::Args)]
pub struct Args {}

/// Runs `review`.
pub fn run(_args: Args) -> anyhow::Result<Code> {
    eprintln!("breakface review: not available yet");
    Ok(Code::Wrong)
}
