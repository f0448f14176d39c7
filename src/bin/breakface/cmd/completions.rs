//! `breakface completions`: shell completions from the definition of the command line.

use crate::args::Cli;
use crate::exit::Code;
use clap::CommandFactory;
use std::io::Write;

/// Arguments of `completions`.
#[derive(Debug, clap::Args)]
pub struct Args {
    /// Shell
    shell: clap_complete::Shell,
}

/// Runs `completions`.
pub fn run(args: Args) -> anyhow::Result<Code> {
    let mut text = Vec::new();
    clap_complete::generate(args.shell, &mut Cli::command(), "breakface", &mut text);
    std::io::stdout().lock().write_all(&text)?;
    Ok(Code::Done)
}
