//! `breakface compare`.

use crate::exit::Code;

/// Arguments of `compare`.
#[derive(Debug, clap::Args)]
pub struct Args {}

/// Runs `compare`.
pub fn run(_args: Args) -> anyhow::Result<Code> {
    eprintln!("breakface compare: not available yet");
    Ok(Code::Wrong)
}
