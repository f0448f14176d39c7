//! `breakface review`: a local page to look at ends one by one and to correct their labels.

use std::path::PathBuf;

use crate::exit::Code;
use crate::review::{self, Options};

/// Arguments of `review`.
#[derive(Debug, clap::Args)]
#[command(after_help = "\
Hand labels go to RESULTS/labels.csv at once; measurements and the model's own labels never change.
The page is served on this computer only. Stop it with Ctrl-C; nothing is lost.

Examples:
  breakface review results
  breakface review results --labeller Mara --no-open")]
pub struct Args {
    /// Folder that a run of `classify` has written
    #[arg(value_name = "RESULTS")]
    results: PathBuf,
    /// Port on 127.0.0.1; 0 takes a free one
    #[arg(long, value_name = "PORT", default_value_t = 0)]
    port: u16,
    /// Print the address, but open no browser
    #[arg(long)]
    no_open: bool,
    /// Who labels; each labeller has their own decisions
    #[arg(long, value_name = "NAME", default_value = "reviewer")]
    labeller: String,
    /// Folder of the pictures, when it has moved since the run
    #[arg(long, value_name = "DIR")]
    pictures: Option<PathBuf>,
    /// Model of the run, when it was not the bundled one: its tree is shown
    #[arg(long, value_name = "FILE")]
    model: Option<PathBuf>,
}

/// Runs `review` until it is stopped.
pub fn run(args: Args) -> anyhow::Result<Code> {
    review::serve(&Options {
        results: args.results,
        port: args.port,
        open: !args.no_open,
        labeller: args.labeller,
        pictures: args.pictures,
        model: args.model,
    })?;
    Ok(Code::Done)
}
