//! `breakface merge`.

use crate::exit::Code;

/// Arguments of `merge`.
#[derive(Debug, clap::Args)]
pub struct Args {}

/// Runs `merge`.
pub fn run(_args: Args) -> anyhow::Result<Code> {
    eprintln!("breakface merge: not available yet");
    Ok(Code::Wrong)
}
