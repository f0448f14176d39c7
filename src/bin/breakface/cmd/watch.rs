//! `breakface watch`: pictures that arrive in a folder are classified when they are complete; tables and page follow.

use super::classify::{self, Method};
use super::output::Output;
use crate::exit::Code;
use crate::progress::{Ended, Progress};
use crate::specimen_from::{self, Pattern};
use anyhow::ensure;
use breakface::pipeline::{self, Inputs, RunOptions, Tools};
use breakface::report::counted;
use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::{Duration, SystemTime};

/// Arguments of `watch`.
#[derive(Debug, clap::Args)]
#[command(mut_arg("force", |a| a.hide(true)))]
#[command(after_help = "\
A picture is taken when its size and time have stayed the same from one look to the next. A series.csv in FOLDER is read
anew each time; rows whose pictures have not come yet wait. Stop it with Ctrl-C: what is finished is kept, tables
and report stay whole. Started again, it goes on.

Examples:
  breakface watch camera --out results --um-per-px 0.48
  breakface watch camera -o results --specimen-from '{specimen}_{*}' --every 10")]
pub struct Args {
    /// Folder that pictures arrive in (searched with its subfolders)
    #[arg(value_name = "FOLDER", help_heading = "Input")]
    folder: PathBuf,
    /// Scale of all pictures whose table row gives none, in micrometres per pixel
    #[arg(short, long, value_name = "NUMBER", help_heading = "Input")]
    um_per_px: Option<f64>,
    #[arg(long, value_name = "PATTERN", help = specimen_from::HELP, help_heading = "Input")]
    specimen_from: Option<Pattern>,
    /// Seconds between two looks
    #[arg(long, value_name = "SECONDS", default_value_t = 2.0, help_heading = "Input")]
    every: f64,
    /// End when everything that is there has been classified and nothing has come for so many seconds
    #[arg(long, value_name = "SECONDS", help_heading = "Input")]
    until_idle: Option<f64>,

    #[command(flatten)]
    output: Output,
    #[command(flatten)]
    method: Method,
}

/// What tells one state of a file from another.
type Seen = BTreeMap<PathBuf, (u64, Option<SystemTime>)>;

/// Runs `watch` until it is stopped.
pub fn run(args: Args) -> anyhow::Result<Code> {
    super::parquet_is_built_in(args.output.parquet)?;
    ensure!(args.folder.is_dir(), "{}: is no folder", args.folder.display());
    ensure!((0.1..=3600.0).contains(&args.every), "--every: expected 0.1 to 3600 seconds, found {}", args.every);
    let same = classify::same_folder(&args.folder, &args.output.out);
    ensure!(!same, "{}: is both the input and the folder for the results; name another --out", args.folder.display());
    let tools = args.method.tools(args.um_per_px)?;
    let stop = classify::stop_on_interrupt()?;
    if !args.output.quiet {
        note!("watching {}; stop with Ctrl-C, what is finished is kept", args.folder.display());
    }
    watch(&args, &tools, &stop)
}

fn watch(args: &Args, tools: &Tools, stop: &AtomicBool) -> anyhow::Result<Code> {
    let (mut before, mut classified) = (Seen::new(), None);
    let (mut code, mut quiet_for) = (Code::Done, 0.0);
    let mut last_error = String::new();
    while !stop.load(Ordering::Relaxed) {
        let (inputs, now) = look(args)?;
        let ready = complete(inputs, &before, &now);
        let state = (ready.jobs.clone(), states(&ready, &now));
        quiet_for = if now == before { quiet_for + args.every } else { 0.0 };
        before = now;
        if classified.as_ref() != Some(&state) && !(ready.jobs.is_empty() && ready.problems.is_empty()) {
            match classify_all(args, tools, stop, &ready) {
                Ok(new) => (code, last_error) = (new, String::new()),
                // A fault of one look (a full disk, results in use) may be gone at the next.
                Err(error) if format!("{error:#}") != last_error => {
                    last_error = format!("{error:#}");
                    note!("breakface: {last_error}");
                    code = Code::Wrong;
                }
                Err(_) => {}
            }
            if last_error.is_empty() {
                classified = Some(state);
                continue;
            }
            rest(args.every, stop);
            continue;
        }
        if args.until_idle.is_some_and(|limit| limit <= quiet_for) {
            return Ok(code);
        }
        rest(args.every, stop);
    }
    // Stopping is the way to end this command, not a fault; pictures that could not be read still are.
    Ok(if code == Code::Interrupted { Code::Done } else { code })
}

/// What lies in the folder, and the state of every picture file.
fn look(args: &Args) -> anyhow::Result<(Inputs, Seen)> {
    let mut inputs = pipeline::gather(std::slice::from_ref(&args.folder), &args.output.out)?;
    if let Some(pattern) = &args.specimen_from
        && !args.folder.join("series.csv").is_file()
    {
        let notes = pattern.apply(&mut inputs.jobs);
        inputs.notes.extend(notes);
    }
    let state = |path: &Path| {
        let data = path.metadata().ok()?;
        Some((path.to_owned(), (data.len(), data.modified().ok())))
    };
    let seen = inputs.jobs.iter().filter_map(|job| state(&job.path)).collect();
    Ok((inputs, seen))
}

/// Pictures that have stayed as they are since the last look; the others wait.
fn complete(mut inputs: Inputs, before: &Seen, now: &Seen) -> Inputs {
    inputs.jobs.retain(|job| now.get(&job.path).is_some_and(|state| before.get(&job.path) == Some(state)));
    inputs
}

fn states(ready: &Inputs, now: &Seen) -> Seen {
    ready.jobs.iter().filter_map(|job| Some((job.path.clone(), *now.get(&job.path)?))).collect()
}

fn classify_all(args: &Args, tools: &Tools, stop: &AtomicBool, inputs: &Inputs) -> anyhow::Result<Code> {
    let output = &args.output;
    let options = RunOptions {
        out: &output.out,
        force: false,
        replace: output.replace,
        threads: args.method.threads,
        overlays: !output.no_overlays,
        parquet: output.parquet,
        stop,
    };
    let progress = Progress::new(output);
    let outcome =
        pipeline::run(inputs, tools, &options, &|event| progress.show(&event)).map_err(classify::with_hint)?;
    let page = match output.no_report || outcome.stopped {
        true => None,
        false => Some(super::report::write_beside(&output.out, &tools.settings)?),
    };
    progress.finish(&Ended {
        problems: &inputs.problems,
        n_asked: inputs.jobs.len(),
        outcome: &outcome,
        out: &output.out,
        page: page.as_deref(),
        settings: &tools.settings,
    });
    if !output.quiet && !output.json && !outcome.stopped {
        tell!("{} classified; waiting for more\n", counted(outcome.n_images, "picture", "pictures"));
    }
    Ok(classify::code(&outcome))
}

/// Waits, and wakes early when it is stopped.
fn rest(seconds: f64, stop: &AtomicBool) {
    const STEP: f64 = 0.1;
    let mut left = seconds;
    while 0.0 < left && !stop.load(Ordering::Relaxed) {
        std::thread::sleep(Duration::from_secs_f64(left.min(STEP)));
        left -= STEP;
    }
}
