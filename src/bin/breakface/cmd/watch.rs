//! `breakface watch`: pictures that arrive in a folder are classified when they are complete; tables and page follow.

use super::classify::{self, Method};
use super::output::Output;
use crate::exit::Code;
use crate::progress::{Ended, Progress};
use crate::specimen_from::{self, Pattern};
use anyhow::ensure;
use breakface::pipeline::{self, Inputs, PictureJob, RunOptions, Tools};
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
    let mut watching = Watching::default();
    // What is wrong from the start is wrong usage; later a fault of one look (a full disk, results in use, a table half
    // written, a picture taken away) may be gone at the next.
    watching.step(args, tools, stop)?;
    rest(args.every, stop);
    while !stop.load(Ordering::Relaxed) {
        match watching.step(args, tools, stop) {
            Ok(true) => continue,
            Ok(false) => {}
            Err(error) => watching.tell(args, &error),
        }
        if args.until_idle.is_some_and(|limit| limit <= watching.quiet_for) {
            return Ok(watching.code());
        }
        rest(args.every, stop);
    }
    // Stopping is the way to end this command, not a fault; pictures that could not be read still are.
    Ok(if watching.code() == Code::Interrupted { Code::Done } else { watching.code() })
}

/// What is known from look to look.
#[derive(Default)]
struct Watching {
    before: Seen,
    /// What the tables show.
    classified: Option<(Vec<PictureJob>, Seen)>,
    /// How the last run over all pictures ended.
    ended: Option<Code>,
    /// Seconds in which nothing has changed.
    quiet_for: f64,
    /// What went wrong at the last look.
    fault: String,
}

impl Watching {
    /// Looks once, and classifies what has come; whether it did.
    fn step(&mut self, args: &Args, tools: &Tools, stop: &AtomicBool) -> anyhow::Result<bool> {
        self.quiet_for += args.every;
        let (inputs, now) = look(args)?;
        let ready = complete(inputs, &self.before, &now);
        let state = (ready.jobs.clone(), states(&ready, &now));
        if now != self.before {
            self.quiet_for = 0.0;
        }
        self.before = now;
        if self.classified.as_ref() == Some(&state) {
            self.fault.clear();
            return Ok(false);
        }
        if self.is_changing(&state.1) || ready.jobs.is_empty() && ready.problems.is_empty() {
            return Ok(false);
        }
        self.ended = Some(classify_all(args, tools, stop, &ready)?);
        (self.classified, self.fault) = (Some(state), String::new());
        Ok(true)
    }

    /// Whether a picture of the tables is being written anew: its results stay until it is complete.
    fn is_changing(&self, ready: &Seen) -> bool {
        let known = self.classified.iter().flat_map(|(_, states)| states.keys());
        known.into_iter().any(|path| self.before.contains_key(path) && !ready.contains_key(path))
    }

    /// Says what went wrong, once.
    fn tell(&mut self, args: &Args, error: &anyhow::Error) {
        let fault = format!("{error:#}");
        if fault != self.fault {
            note!("breakface: {fault}");
            note!("breakface: {}: until then nothing new in it is classified", args.folder.display());
            self.fault = fault;
        }
    }

    fn code(&self) -> Code {
        if self.fault.is_empty() { self.ended.unwrap_or(Code::Done) } else { Code::Wrong }
    }
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
