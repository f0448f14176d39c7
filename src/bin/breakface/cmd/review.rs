//! `breakface review`: a local page to look at ends one by one and to correct their labels.

use std::path::PathBuf;

use crate::exit::Code;
use crate::review::{self, Mode, Options};

/// Arguments of `review`.
#[derive(Debug, clap::Args)]
#[command(after_help = "\
Hand labels go to RESULTS/labels.csv at once; measurements and the model's own labels never change.
The page is served on this computer only. Stop it with Ctrl-C; nothing is lost.

Examples:
  breakface review results
  breakface review results --labeller Mara --blind
  breakface review results --labeller Ines --adjudicate")]
pub struct Args {
    /// Folder that a run of `classify` has written
    #[arg(value_name = "RESULTS")]
    results: PathBuf,
    /// Port on 127.0.0.1; 0 takes a free one
    #[arg(short, long, value_name = "PORT", default_value_t = 0)]
    port: u16,
    /// Print the address, but open no browser
    #[arg(long)]
    no_open: bool,
    /// Who labels; each labeller has their own decisions
    #[arg(short, long, value_name = "NAME", default_value = "reviewer")]
    labeller: String,
    /// Hide what the model and others say of an end until this labeller has decided
    #[arg(long, conflicts_with = "adjudicate")]
    blind: bool,
    /// Decide the ends on which labellers differ: these decisions count instead of their labels
    #[arg(long)]
    adjudicate: bool,
    /// Folder of the pictures, when it has moved since the run
    #[arg(long, value_name = "DIR")]
    pictures: Option<PathBuf>,
    /// Model of the run, when it was not the bundled one: its tree is shown
    #[arg(short, long, value_name = "FILE")]
    model: Option<PathBuf>,
}

/// Runs `review` until it is stopped.
pub fn run(args: Args) -> anyhow::Result<Code> {
    review::serve(&Options {
        results: args.results,
        port: args.port,
        open: !args.no_open,
        labeller: args.labeller,
        mode: match (args.blind, args.adjudicate) {
            (true, _) => Mode::Blind,
            (_, true) => Mode::Adjudicate,
            _ => Mode::Open,
        },
        pictures: args.pictures,
        model: args.model,
    })?;
    Ok(Code::Done)
}
