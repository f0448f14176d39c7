//! `breakface stack`.

use crate::exit::Code;

/// Arguments of `stack`.
#[derive(Debug, clap::Args)]
pub struct Args {}

/// Runs `stack`.
pub fn run(_args: Args) -> anyhow::Result<Code> {
    eprintln!("breakface stack: not available yet");
    Ok(Code::Wrong)
}
