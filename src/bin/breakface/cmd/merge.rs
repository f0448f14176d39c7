//! `breakface merge`: parts of a run, made on several machines, to the whole.

use super::classify::{code, model, with_hint};
use super::output::Output;
use crate::exit::Code;
use crate::progress::{Ended, Progress};
use breakface::pipeline::{self, MergeError, MergeOptions};
use std::path::PathBuf;

/// Arguments of `merge`.
#[derive(Debug, clap::Args)]
#[command(mut_arg("out", |a| a.help("Folder for the joined results")))]
#[command(mut_arg("force", |a| a.help("Write into a folder that holds other files")))]
#[command(mut_arg("no_overlays", |a| a.help("Leave overlays and kept results with the parts")))]
#[command(after_help = "\
Examples:
  breakface classify series.csv --shard 1/2 --out part1   (on one machine)
  breakface classify series.csv --shard 2/2 --out part2   (on another)
  breakface merge part1 part2 --out results")]
pub struct Args {
    /// Folders of the parts, as written by `classify --shard`; all of them
    #[arg(required = true, value_name = "DIR", help_heading = "Input")]
    parts: Vec<PathBuf>,
    /// Model that labelled the parts, when it was not the bundled one
    #[arg(short, long, value_name = "FILE", help_heading = "Input")]
    model: Option<PathBuf>,

    #[command(flatten)]
    output: Output,
}

/// Runs `merge`.
pub fn run(args: Args) -> anyhow::Result<Code> {
    super::parquet_is_built_in(args.output.parquet)?;
    if let Some(part) = args.parts.iter().find(|p| super::classify::same_folder(p, &args.output.out)) {
        anyhow::bail!("{}: is both a part and the folder for the whole; name another --out", part.display());
    }
    let model = model(args.model.as_deref())?;
    let output = &args.output;
    let options = MergeOptions {
        out: &output.out,
        force: output.force,
        replace: output.replace,
        pictures: !output.no_overlays,
        parquet: output.parquet,
    };
    let outcome = pipeline::merge(&args.parts, &model, &options).map_err(|error| match error {
        MergeError::Run(error) => with_hint(error),
        MergeError::OtherModel { .. } => anyhow::anyhow!("{error} (--model)"),
        other => other.into(),
    })?;
    let settings = breakface::results::Results::load_without_ends(&args.output.out)?.settings();
    let page = match args.output.no_report {
        true => None,
        false => Some(super::report::write_beside(&args.output.out, &settings)?),
    };
    let progress = Progress::new(&args.output);
    progress.finish(&Ended {
        problems: &[],
        n_asked: outcome.n_images,
        outcome: &outcome,
        out: &args.output.out,
        page: page.as_deref(),
        settings: &settings,
    });
    Ok(code(&outcome))
}
