//! `breakface completions`: shell completions from the definition of the command line.

use crate::exit::Code;
use std::io::Write;

/// Arguments of `completions`.
#[derive(Debug, clap::Args)]
pub struct Args {
    /// Shell
    shell: clap_complete::Shell,
}

/// Runs `completions` for a command line.
pub fn run(args: Args, mut program: clap::Command) -> anyhow::Result<Code> {
    let mut text = Vec::new();
    clap_complete::generate(args.shell, &mut program, "breakface", &mut text);
    std::io::stdout().lock().write_all(&text)?;
    Ok(Code::Done)
}
