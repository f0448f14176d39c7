//! `breakface classify`: pictures in, tables and overlays out.

use super::output::Output;
use crate::exit::Code;
use crate::progress::Progress;
use anyhow::Context;
use breakface::detect::Detector;
use breakface::pipeline::{self, Outcome, RunOptions, Shard, Tools};
use breakface::settings::Settings;
use breakface::tree::Model;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};

/// Arguments of `classify`.
#[derive(Debug, clap::Args)]
pub struct Args {
    /// Folders (searched with their subfolders), picture files or a series table (.csv)
    #[arg(required = true, value_name = "INPUT", help_heading = "Input")]
    inputs: Vec<PathBuf>,
    /// Scale of all pictures whose table row gives none, in micrometres per pixel
    #[arg(long, value_name = "NUMBER", help_heading = "Input")]
    um_per_px: Option<f64>,
    /// Work on one part of the pictures only, e.g. 2/8 for the second of eight; `breakface merge` joins the parts
    #[arg(long, value_name = "I/N", help_heading = "Input")]
    shard: Option<Shard>,

    #[command(flatten)]
    output: Output,

    /// Settings (TOML); see `breakface settings`
    #[arg(long, value_name = "FILE", help_heading = "Method")]
    settings: Option<PathBuf>,
    /// Model that labels, instead of the bundled one
    #[arg(long, value_name = "FILE", help_heading = "Method")]
    model: Option<PathBuf>,
    /// Network that finds ends, instead of the bundled one; its trees lie beside it as NAME.rescore.json
    #[arg(long, alias = "finder", value_name = "FILE", help_heading = "Method")]
    detector: Option<PathBuf>,
    /// Pictures worked on at the same time [default: one per processor]
    #[arg(long, value_name = "N", default_value_t = 0, hide_default_value = true, help_heading = "Method")]
    threads: usize,
}

/// Runs `classify`.
pub fn run(args: Args) -> anyhow::Result<Code> {
    super::parquet_is_built_in(args.output.parquet)?;
    let settings = settings(&args)?;
    for input in &args.inputs {
        if input.is_dir() && same_folder(input, &args.output.out) {
            anyhow::bail!("{}: is both the input and the folder for the results; name another --out", input.display());
        }
    }
    let inputs = pipeline::gather(&args.inputs, &args.output.out)?;
    if inputs.jobs.is_empty() && inputs.problems.is_empty() {
        let places: Vec<String> = args.inputs.iter().map(|i| i.display().to_string()).collect();
        anyhow::bail!("{}: no pictures there (PNG, JPEG, TIFF, BMP or WebP)", places.join(", "));
    }
    // Loaded last: it takes longest, and often a mistake has been found by now.
    let tools = tools(&args, settings)?;
    let inputs = match args.shard {
        Some(shard) => inputs.shard(shard),
        None => inputs,
    };
    if let Some(path) = args.detector.as_deref().filter(|_| !args.output.quiet && !tools.detector.has_own_trees()) {
        eprintln!(
            "note: {}: no {} beside it; its detections are rescored by the bundled trees, which learnt from another network",
            path.display(),
            path.with_extension("rescore.json").file_name().unwrap_or_default().display()
        );
    }
    let stop = stop_on_interrupt()?;
    let options = RunOptions {
        out: &args.output.out,
        force: args.output.force,
        threads: args.threads,
        overlays: !args.output.no_overlays,
        parquet: args.output.parquet,
        stop: &stop,
    };
    let progress = Progress::new(args.output.json, args.output.quiet);
    let outcome = pipeline::run(&inputs, &tools, &options, &|event| progress.show(&event)).map_err(with_hint)?;
    // A part has no scores, and so nothing to report.
    let page = match args.output.no_report || outcome.stopped || args.shard.is_some() {
        true => None,
        false => Some(super::report::write_beside(&args.output.out, &tools.settings)?),
    };
    progress.finish(&inputs.problems, inputs.jobs.len(), &outcome, &args.output.out, page.as_deref());
    Ok(code(&outcome))
}

/// Whether two paths lead to one folder.
pub fn same_folder(a: &Path, b: &Path) -> bool {
    matches!((a.canonicalize(), b.canonicalize()), (Ok(a), Ok(b)) if a == b)
}

fn settings(args: &Args) -> anyhow::Result<Settings> {
    if let Some(scale) = args.um_per_px
        && !(scale.is_finite() && 0.0 < scale)
    {
        anyhow::bail!("--um-per-px: expected a number above 0, found {scale}");
    }
    Ok(match &args.settings {
        Some(path) => Settings::load(path)?,
        None => Settings::default(),
    })
}

fn tools(args: &Args, settings: Settings) -> anyhow::Result<Tools> {
    let model = model(args.model.as_deref())?;
    let detector = match &args.detector {
        Some(path) => Detector::from_file(path)?,
        None => Detector::bundled()?,
    };
    Ok(Tools { detector, model, settings, um_per_px: args.um_per_px })
}

/// The model in a file, or the bundled one.
pub fn model(path: Option<&Path>) -> anyhow::Result<Model> {
    let Some(path) = path else { return Ok(Model::bundled()?) };
    let bytes = std::fs::read(path).with_context(|| format!("model {}", path.display()))?;
    Model::from_json(&bytes).with_context(|| format!("model {}", path.display()))
}

/// The first Ctrl-C lets the pictures under work finish; the second ends the program at once.
fn stop_on_interrupt() -> anyhow::Result<Arc<AtomicBool>> {
    let stop = Arc::new(AtomicBool::new(false));
    let flag = Arc::clone(&stop);
    ctrlc::set_handler(move || {
        if flag.swap(true, Ordering::Relaxed) {
            std::process::exit(Code::Interrupted.number().into());
        }
        eprintln!("breakface: stopping after the pictures under work; once more to stop at once");
    })
    .context("cannot listen for Ctrl-C")?;
    Ok(stop)
}

/// Adds the option that helps to what the library says.
pub fn with_hint(error: pipeline::RunError) -> anyhow::Error {
    match error {
        pipeline::RunError::NotOurs { .. } => anyhow::anyhow!("{error}, or add --force"),
        _ => error.into(),
    }
}

/// The exit code that an outcome stands for.
pub fn code(outcome: &Outcome) -> Code {
    if outcome.stopped {
        Code::Interrupted
    } else if 0 < outcome.n_bad_rows {
        Code::Wrong
    } else if 0 < outcome.n_failed {
        Code::Unread
    } else {
        Code::Done
    }
}
