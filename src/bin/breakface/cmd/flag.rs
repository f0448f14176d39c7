//! `breakface flag`.

use crate::exit::Code;

/// Arguments of `flag`.
#[derive(Debug, clap::Args)]
pub struct Args {}

/// Runs `flag`.
pub fn run(_args: Args) -> anyhow::Result<Code> {
    eprintln!("breakface flag: not available yet");
    Ok(Code::Wrong)
}
