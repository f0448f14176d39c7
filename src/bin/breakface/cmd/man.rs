//! `breakface man`: manual pages from the definition of the command line.

use crate::exit::Code;
use std::io::Write;

/// Arguments of `man`.
#[derive(Debug, clap::Args)]
#[command(after_help = "Examples:\n  breakface man > breakface.1\n  breakface man classify > breakface-classify.1")]
pub struct Args {
    /// Subcommand whose page is wanted instead of that of the program
    command: Option<String>,
}

/// Runs `man` for a command line.
pub fn run(args: Args, mut program: clap::Command) -> anyhow::Result<Code> {
    program.build();
    let page = match &args.command {
        None => program,
        Some(name) => match program.find_subcommand(name) {
            Some(found) => found.clone(),
            None => anyhow::bail!("{name}: there is no such subcommand; `breakface --help` lists them"),
        },
    };
    let mut text = Vec::new();
    clap_mangen::Man::new(page).render(&mut text)?;
    std::io::stdout().lock().write_all(&text)?;
    Ok(Code::Done)
}
