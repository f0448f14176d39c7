//! A series: every picture in parallel, kept as it finishes; then all tables, written in one piece.

use super::error::RunError;
use super::finish::{Finished, Outcome, RowSource, finish};
use super::folder::{ResultFolder, RunState, cached};
use super::jobs::{Inputs, PictureJob};
use super::options::{Event, RunOptions};
use super::path_text::text;
use super::pictures::{Picture, SeriesRun, as_listed};
use super::row::failed_row;
use super::{Tools, cache, hand, replace, sites};
use crate::face::{End, Ends};
use crate::measure::FEATURE_SCHEMA;
use crate::results::{DetectorUsed, InputUsed, ModelUsed, RUN_SCHEMA, RunFile, StageSeconds};
use crate::table::{EndRow, ImageRow, tidy};
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicUsize, Ordering};
use std::time::Instant;

/// Works on all pictures and writes all tables.
///
/// Results do not depend on the number of threads or the order of the files. At most `threads` pictures are in memory;
/// of a finished one stays what scoring needs, and its rows lie in its kept result until the tables are written.
///
/// # Errors
/// When the folder of results belongs to somebody else, is in use, or cannot be written. A picture that cannot be read
/// is no error: its row says why.
pub fn run(
    inputs: &Inputs,
    tools: &Tools,
    options: &RunOptions<'_>,
    on_event: &(dyn Fn(Event) + Sync),
) -> Result<Outcome, RunError> {
    let start = Instant::now();
    if !options.replace
        && let Some(what) = replace::would_go(options.out, &|used| replace::is_gone_from(inputs, used))
    {
        return Err(RunError::WouldReplace { folder: text(options.out), what });
    }
    let folder = ResultFolder::open(options.out, options.force)?;
    if !folder.found.is_empty() {
        on_event(Event::Note { text: folder.found.clone() });
    }
    // Read at the end; a fault in them is said before hours of work, not after.
    hand::labels_in(options.out)?;
    on_event(Event::Started { pictures: inputs.jobs.len() });
    let digest = cache::tools_digest(tools)?;
    let n_damaged = AtomicUsize::new(0);
    let series = SeriesRun { tools, options, folder: &folder, digest, on_event, n_damaged };
    let mut done = series.all_pictures(&inputs.jobs)?;
    let n_damaged = series.n_damaged.load(Ordering::Relaxed);
    if 0 < n_damaged {
        let text = format!("{}: {n_damaged} kept results were damaged and made anew", text(options.out));
        on_event(Event::Note { text });
    }
    let mut seconds = StageSeconds::default();
    done.iter().flatten().for_each(|picture| seconds.add(&picture.seconds));
    let n_kept = done.iter().flatten().filter(|picture| picture.kept).count();
    if done.iter().any(Option::is_none) {
        folder.close(RunState::Stopped)?;
        return Ok(Outcome { n_kept, ..stopped(&done, inputs) });
    }
    let run_file = run_file(&series, (inputs, &done), start, seconds)?;
    let mut ends = Ends::new();
    for (job, picture) in inputs.jobs.iter().zip(&mut done) {
        let of = picture.as_mut().map(|p| std::mem::take(&mut p.ends)).unwrap_or_default();
        ends.insert(job.series.image.clone(), of.into_vec());
    }
    let problems = inputs.problems.iter().map(|p| (NO_JOB, failed_row(&p.series, &p.error.to_string())));
    let finished = Finished {
        images: done.into_iter().flatten().map(|p| p.image).enumerate().chain(problems).collect(),
        ends,
        notes: inputs.notes.clone(),
        run_file,
        model: &tools.model,
        settings: &tools.settings.face,
        parquet: options.parquet,
        overlays: options.overlays,
    };
    let mut kept = KeptRows { inputs, tools, folder: options.out, digest: &series.digest };
    let outcome = finish(folder, finished, &mut kept)?;
    Ok(Outcome { n_kept, ..outcome })
}

/// What there is of a run that was stopped.
fn stopped(done: &[Option<Picture>], inputs: &Inputs) -> Outcome {
    let pictures = || done.iter().flatten();
    Outcome {
        n_images: pictures().count(),
        n_ends: pictures().map(|p| p.ends.len()).sum(),
        n_failed: pictures().filter(|p| !p.image.is_done()).count(),
        n_bad_rows: inputs.problems.len(),
        stopped: true,
        ..Outcome::default()
    }
}

/// Source of a row that belongs to no job.
const NO_JOB: usize = usize::MAX;

/// The rows of finished pictures as they lie in the folder of results.
struct KeptRows<'a> {
    inputs: &'a Inputs,
    tools: &'a Tools,
    folder: &'a Path,
    digest: &'a str,
}

impl RowSource for KeptRows<'_> {
    type Error = RunError;

    fn copy(&self, _source: usize, image: &ImageRow) -> PathBuf {
        sites::copy_path(self.folder, self.digest, &image.content_hash)
    }

    fn ends(&mut self, source: usize, image: &ImageRow, known: &[End]) -> Result<Vec<EndRow>, RunError> {
        let Some(job) = self.inputs.jobs.get(source) else { return Ok(Vec::new()) };
        let key = cache::key(self.digest, &image.content_hash, job, self.tools.um_per_px);
        let path = cached(self.folder, &key);
        let lost = || RunError::Lost { file: text(&path), image: image.series.image.clone() };
        let (_, rows) = as_listed(job, cache::load(&path, &key).ok_or_else(lost)?);
        if rows.len() == known.len() { Ok(rows) } else { Err(lost()) }
    }
}

/// What the run says of itself.
fn run_file(
    series: &SeriesRun<'_>,
    (inputs, done): (&Inputs, &[Option<Picture>]),
    start: Instant,
    seconds: StageSeconds,
) -> Result<RunFile, RunError> {
    let hash = |done: &Option<Picture>| done.as_ref().map(|d| d.image.content_hash.clone()).unwrap_or_default();
    let used = |(job, done): (&PictureJob, &Option<Picture>)| InputUsed {
        image: job.series.image.clone(),
        path: text(&std::path::absolute(&job.path).unwrap_or_else(|_| job.path.clone())),
        hash: hash(done),
    };
    Ok(RunFile {
        schema: RUN_SCHEMA.into(),
        version: env!("CARGO_PKG_VERSION").into(),
        features: FEATURE_SCHEMA.into(),
        ended: chrono::Utc::now().format("%Y-%m-%dT%H:%M:%SZ").to_string(),
        um_per_px: series.tools.um_per_px,
        threads: series.threads(),
        model: ModelUsed { name: series.tools.model.name.clone(), digest: series.tools.model.digest() },
        detector: DetectorUsed { digest: series.tools.detector.digest().into() },
        settings: series.tools.settings.to_data()?,
        inputs: inputs.jobs.iter().zip(done).map(used).collect(),
        wall_s: tidy(start.elapsed().as_secs_f64()),
        stage_s: seconds,
        warnings: Vec::new(),
        rows: None,
        digests: Default::default(),
        shard: inputs.part.as_ref().map(|part| part.used(&series.digest, &inputs.notes)),
    })
}
