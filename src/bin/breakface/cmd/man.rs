//! `breakface man`: the manual page from the definition of the command line.

use crate::args::Cli;
use crate::exit::Code;
use clap::CommandFactory;
use std::io::Write;

/// Arguments of `man`.
#[derive(Debug, clap::Args)]
pub struct Args {}

/// Runs `man`.
pub fn run(_args: Args) -> anyhow::Result<Code> {
    let mut text = Vec::new();
    clap_mangen::Man::new(Cli::command()).render(&mut text)?;
    std::io::stdout().lock().write_all(&text)?;
    Ok(Code::Done)
}
