//! `breakface classify`.

use crate::exit::Code;

/// Arguments of `classify`.
#[derive(Debug, clap::Args)]
pub struct Args {}

/// Runs `classify`.
pub fn run(_args: Args) -> anyhow::Result<Code> {
    eprintln!("breakface classify: not available yet");
    Ok(Code::Wrong)
}
