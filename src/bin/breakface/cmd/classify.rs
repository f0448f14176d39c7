//! `breakface classify`: pictures in, tables and overlays out.

mod plan;

use super::output::Output;
use crate::exit::Code;
use crate::progress::{Ended, Progress};
use crate::specimen_from::{self, Pattern};
use anyhow::Context;
use breakface::detect::Detector;
use breakface::pipeline::{self, Inputs, Outcome, RunOptions, Shard, Tools};
use breakface::settings::Settings;
use breakface::tree::Model;
use breakface::units::Scale;
use std::io::Read;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};

/// Arguments of `classify`.
#[derive(Debug, clap::Args)]
#[command(after_help = "\
Without a series table a picture's specimen is the name of its folder; in a flat folder each picture is a specimen of its
own. --specimen-from reads specimens from file names; `breakface series` writes a table to fill in.
`-` takes names of pictures and folders from standard input, one a line (or parted by zero bytes).

Examples:
  breakface classify pictures -o results -u 0.48
  breakface classify pictures -o results --specimen-from '{specimen}_{*}' --dry-run
  breakface classify pictures/series.csv -o results
  find . -name '*.tif' -newer last | breakface classify - -o results")]
pub struct Args {
    /// Folders (searched with their subfolders), picture files or a series table (.csv); `-` reads names from standard input
    #[arg(required = true, value_name = "INPUT", help_heading = "Input")]
    inputs: Vec<PathBuf>,
    /// Scale of all pictures whose table row gives none, in micrometres per pixel
    #[arg(short, long, value_name = "NUMBER", help_heading = "Input")]
    um_per_px: Option<f64>,
    #[arg(long, value_name = "PATTERN", help = specimen_from::HELP, help_heading = "Input")]
    specimen_from: Option<Pattern>,
    /// Work on one part of the pictures only, e.g. 2/8 for the second of eight; `breakface merge` joins the parts
    #[arg(long, value_name = "I/N", help_heading = "Input")]
    shard: Option<Shard>,
    /// Say what would be done with each picture, and do nothing
    #[arg(short = 'n', long, help_heading = "Input")]
    dry_run: bool,

    #[command(flatten)]
    output: Output,
    #[command(flatten)]
    method: Method,
}

/// What pictures are worked on with: arguments shared by the subcommands that classify.
#[derive(Debug, clap::Args)]
pub struct Method {
    /// Settings (TOML); see `breakface settings`
    #[arg(short, long, value_name = "FILE", help_heading = "Method")]
    settings: Option<PathBuf>,
    /// Model that labels, instead of the bundled one
    #[arg(short, long, value_name = "FILE", help_heading = "Method")]
    model: Option<PathBuf>,
    /// Network that finds ends, instead of the bundled one; its trees lie beside it as NAME.rescore.json
    #[arg(long, alias = "finder", value_name = "FILE", help_heading = "Method")]
    detector: Option<PathBuf>,
    /// Pictures worked on at the same time [default: one per processor]
    #[arg(short, long, value_name = "N", default_value_t = 0, hide_default_value = true, help_heading = "Method")]
    pub threads: usize,
}

impl Method {
    /// Loads settings, model and network.
    pub fn tools(&self, um_per_px: Option<f64>) -> anyhow::Result<Tools> {
        if let Some(scale) = um_per_px
            && !Scale::PLAUSIBLE.contains(&scale)
        {
            let (least, most) = (Scale::PLAUSIBLE.start(), Scale::PLAUSIBLE.end());
            anyhow::bail!("--um-per-px: expected micrometres per pixel from {least} to {most}, found {scale:e}");
        }
        let settings = Settings::load_or_default(self.settings.as_deref())?;
        let model = model(self.model.as_deref())?;
        let detector = match &self.detector {
            Some(path) => Detector::from_file(path)?,
            None => Detector::bundled()?,
        };
        Ok(Tools { detector, model, settings, um_per_px })
    }
}

/// Runs `classify`.
pub fn run(args: Args) -> anyhow::Result<Code> {
    super::parquet_is_built_in(args.output.parquet)?;
    let inputs = gathered(&args)?;
    if args.dry_run {
        return plan::tell(&inputs, args.output.json);
    }
    // Loaded last: it takes longest, and often a mistake has been found by now.
    let tools = args.method.tools(args.um_per_px)?;
    if let Some(path) =
        args.method.detector.as_deref().filter(|_| !args.output.quiet && !tools.detector.has_own_trees())
    {
        note!(
            "note: {}: no {} beside it; its detections are rescored by the bundled trees, which learnt from another network",
            path.display(),
            path.with_extension("rescore.json").file_name().unwrap_or_default().display()
        );
    }
    let stop = stop_on_interrupt()?;
    let options = RunOptions {
        out: &args.output.out,
        force: args.output.force,
        replace: args.output.replace,
        threads: args.method.threads,
        overlays: !args.output.no_overlays,
        parquet: args.output.parquet,
        stop: &stop,
    };
    let progress = Progress::new(&args.output);
    let outcome = pipeline::run(&inputs, &tools, &options, &|event| progress.show(&event)).map_err(with_hint)?;
    // A part has no scores, and so nothing to report.
    let page = match args.output.no_report || outcome.stopped || args.shard.is_some() {
        true => None,
        false => Some(super::report::write_beside(&args.output.out, &tools.settings)?),
    };
    progress.finish(&Ended {
        problems: &inputs.problems,
        n_asked: inputs.jobs.len(),
        outcome: &outcome,
        out: &args.output.out,
        page: page.as_deref(),
        settings: &tools.settings,
    });
    Ok(code(&outcome))
}

/// The pictures that the arguments name, and what the names say of them.
fn gathered(args: &Args) -> anyhow::Result<Inputs> {
    let named = from_standard_input(&args.inputs)?;
    for input in &named {
        if input.is_dir() && same_folder(input, &args.output.out) {
            anyhow::bail!("{}: is both the input and the folder for the results; name another --out", input.display());
        }
    }
    let mut inputs = pipeline::gather(&named, &args.output.out)?;
    if inputs.jobs.is_empty() && inputs.problems.is_empty() {
        let places: Vec<String> = args.inputs.iter().map(|i| i.display().to_string()).collect();
        anyhow::bail!("{}: no pictures there (PNG, JPEG, TIFF, BMP or WebP)", places.join(", "));
    }
    if let Some(pattern) = &args.specimen_from {
        let is_table = |input: &PathBuf| {
            let by_name =
                input.extension().is_some_and(|e| e.eq_ignore_ascii_case("csv") || e.eq_ignore_ascii_case("tsv"));
            by_name || input.join("series.csv").is_file()
        };
        if let Some(table) = named.iter().find(|i| is_table(i)) {
            anyhow::bail!("{}: its series table names the specimens; leave --specimen-from out", table.display());
        }
        let notes = pattern.apply(&mut inputs.jobs);
        inputs.notes.extend(notes);
    }
    Ok(match args.shard {
        Some(shard) => inputs.shard(shard),
        None => inputs,
    })
}

/// The inputs with `-` replaced by the names that standard input lists.
fn from_standard_input(inputs: &[PathBuf]) -> anyhow::Result<Vec<PathBuf>> {
    if !inputs.iter().any(|i| i.as_os_str() == "-") {
        return Ok(inputs.to_vec());
    }
    let mut text = Vec::new();
    std::io::stdin().lock().take(MAX_LIST).read_to_end(&mut text).context("the list on standard input")?;
    let parted = if text.contains(&0) { 0 } else { b'\n' };
    let lines = text.split(|b| *b == parted).map(|line| line.strip_suffix(b"\r").unwrap_or(line));
    let listed: Vec<PathBuf> = lines.filter(|l| !l.is_empty()).map(path_of).collect();
    anyhow::ensure!(!listed.is_empty(), "-: standard input lists no pictures");
    let others = inputs.iter().filter(|i| i.as_os_str() != "-").cloned();
    Ok(others.chain(listed).collect())
}

/// Longest list of names that is read, bytes.
const MAX_LIST: u64 = 256 << 20;

#[cfg(unix)]
fn path_of(bytes: &[u8]) -> PathBuf {
    let name: &std::ffi::OsStr = std::os::unix::ffi::OsStrExt::from_bytes(bytes);
    name.into()
}

#[cfg(not(unix))]
fn path_of(bytes: &[u8]) -> PathBuf {
    String::from_utf8_lossy(bytes).into_owned().into()
}

/// Whether two paths lead to one folder.
pub fn same_folder(a: &Path, b: &Path) -> bool {
    matches!((a.canonicalize(), b.canonicalize()), (Ok(a), Ok(b)) if a == b)
}

/// The model in a file, or the bundled one.
pub fn model(path: Option<&Path>) -> anyhow::Result<Model> {
    let Some(path) = path else { return Ok(Model::bundled()?) };
    let bytes = breakface::files::read_regular(path).with_context(|| format!("model {}", path.display()))?;
    Model::from_json(&bytes).with_context(|| format!("model {}", path.display()))
}

/// The first Ctrl-C or end signal breaks off the pictures under work; the second ends the program at once.
pub fn stop_on_interrupt() -> anyhow::Result<Arc<AtomicBool>> {
    let stop = Arc::new(AtomicBool::new(false));
    let flag = Arc::clone(&stop);
    ctrlc::set_handler(move || {
        if flag.swap(true, Ordering::Relaxed) {
            std::process::exit(Code::Interrupted.number().into());
        }
        note!("breakface: stopping; what is finished is kept, and the same command goes on from there");
    })
    .context("cannot listen for Ctrl-C")?;
    Ok(stop)
}

/// Adds the option that helps to what the library says.
pub fn with_hint(error: pipeline::RunError) -> anyhow::Error {
    match error {
        pipeline::RunError::NotOurs { .. } => anyhow::anyhow!("{error}, or add --force"),
        pipeline::RunError::WouldReplace { .. } => anyhow::anyhow!("{error}, or add --replace to mean it"),
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
