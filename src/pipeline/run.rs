//! A series: every picture in parallel, kept as it finishes; then all tables, written in one piece.

use super::folder::{ResultFolder, RunError, Stand};
use super::inputs::{Inputs, PictureJob, text};
use super::picture::{Clock, classify_micrograph};
use super::row::{failed_row, image_row, sort_images};
use super::scores::{Scores, model_figures};
use super::source::{self, Source};
use super::{Tools, cache, sites, tables};
use crate::measure::FEATURE_SCHEMA;
use crate::micrograph::ReadError;
use crate::report::overlay::{self, Mark};
use crate::results::{FinderUsed, InputUsed, ModelUsed, RUN_SCHEMA, RunFile, StageSeconds};
use crate::table::{EndRow, ImageRow, Status, tidy, write_atomic};
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::path::Path;
use std::sync::Mutex;
use std::sync::atomic::{AtomicBool, AtomicUsize, Ordering};
use std::time::Instant;

/// How a run is done; nothing here changes a result.
#[derive(Debug, Clone, Copy)]
pub struct RunOptions<'a> {
    /// Folder for the results.
    pub out: &'a Path,
    /// Take a folder with other files in it, and do every picture again.
    pub force: bool,
    /// Pictures worked on at the same time; 0 = one per processor.
    pub threads: usize,
    /// Draw overlays.
    pub overlays: bool,
    /// Write the tables as Parquet too (when the library was built with it).
    pub parquet: bool,
    /// Set from outside to stop after the pictures under work.
    pub stop: &'a AtomicBool,
}

/// What happens during a run, as it happens; pictures finish in any order.
#[derive(Debug, Clone, PartialEq)]
#[non_exhaustive]
pub enum Event {
    /// Something to know about the folder of the results, in one line.
    Note {
        /// The line.
        text: String,
    },
    /// The list of pictures is known.
    Started {
        /// Pictures to work on.
        pictures: usize,
    },
    /// A picture is done.
    Done {
        /// Its row.
        image: Box<ImageRow>,
        /// Whether its result was there from an earlier run.
        kept: bool,
    },
    /// A picture could not be read.
    Failed {
        /// Picture.
        image: String,
        /// Why.
        error: String,
    },
}

/// What came out of a run.
#[derive(Debug, Clone, Default)]
pub struct Outcome {
    /// Rows of `ends.csv`.
    pub ends: Vec<EndRow>,
    /// Rows of `images.csv`.
    pub images: Vec<ImageRow>,
    /// Break faces and knots; none for a part of a larger run.
    pub scores: Scores,
    /// Lines about the run as a whole.
    pub warnings: Vec<String>,
    /// Pictures whose results were there already.
    pub n_kept: usize,
    /// Pictures that could not be read.
    pub n_failed: usize,
    /// Rows of series tables that could not be used.
    pub n_bad_rows: usize,
    /// Whether the run was stopped before its end; then no table was written.
    pub stopped: bool,
}

/// Works on all pictures and writes all tables.
///
/// Results do not depend on the number of threads or the order of the files. At most `threads` pictures are in memory.
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
    let folder = ResultFolder::open(options.out, options.force)?;
    if !folder.found.is_empty() {
        on_event(Event::Note { text: folder.found.clone() });
    }
    on_event(Event::Started { pictures: inputs.jobs.len() });
    let digest = cache::tools_digest(tools);
    let n_damaged = AtomicUsize::new(0);
    let series = SeriesRun { tools, options, folder: &folder, digest, on_event, n_damaged };
    let done = series.all_pictures(&inputs.jobs)?;
    let n_damaged = series.n_damaged.load(Ordering::Relaxed);
    if 0 < n_damaged {
        let text = format!("{}: {n_damaged} kept results were damaged and made anew", text(options.out));
        on_event(Event::Note { text });
    }
    let mut outcome = Outcome { n_bad_rows: inputs.problems.len(), ..Outcome::default() };
    outcome.stopped = done.iter().any(Option::is_none);
    let mut seconds = StageSeconds::default();
    for picture in done.into_iter().flatten() {
        seconds.add(&picture.seconds);
        outcome.n_kept += usize::from(picture.kept);
        outcome.n_failed += usize::from(picture.image.status == Status::Failed);
        outcome.ends.extend(picture.ends);
        outcome.images.push(picture.image);
    }
    if outcome.stopped {
        folder.close(Stand::Stopped)?;
        return Ok(outcome);
    }
    outcome.images.extend(inputs.problems.iter().map(|p| failed_row(&p.series, &p.error.to_string())));
    sort_images(&mut outcome.images);
    let mut same = Vec::new();
    if inputs.part.is_none() {
        let copies = |image: &ImageRow| sites::copy_path(options.out, &series.digest, &image.content_hash);
        same = sites::count_once(&mut outcome.ends, &outcome.images, &copies, &tools.settings.face.site);
        let figures = model_figures(&tools.model);
        outcome.scores = Scores::from_rows(&outcome.ends, &outcome.images, figures.as_ref(), &tools.settings.face);
    }
    outcome.warnings = tables::run_warnings(&outcome, &inputs.notes);
    outcome.warnings.extend(same);
    let run_file = series.run_file(&outcome, inputs, start, seconds);
    tables::put(&folder, &outcome, &run_file, options.parquet)?;
    folder.close(Stand::Finished)?;
    Ok(outcome)
}

/// One finished picture.
struct Finished {
    image: ImageRow,
    ends: Vec<EndRow>,
    seconds: StageSeconds,
    kept: bool,
}

struct SeriesRun<'a> {
    tools: &'a Tools,
    options: &'a RunOptions<'a>,
    folder: &'a ResultFolder,
    digest: String,
    on_event: &'a (dyn Fn(Event) + Sync),
    /// Kept results that could not be used.
    n_damaged: AtomicUsize,
}

impl SeriesRun<'_> {
    /// Every picture, in the order of `jobs`; `None` = not worked on because the run was stopped.
    ///
    /// Plain threads rather than a pool: a pool lends a waiting thread another picture, and then more pictures are in
    /// memory than there are threads.
    fn all_pictures(&self, jobs: &[PictureJob]) -> Result<Vec<Option<Finished>>, RunError> {
        let next = AtomicUsize::new(0);
        let slots: Vec<Mutex<Option<Finished>>> = jobs.iter().map(|_| Mutex::new(None)).collect();
        let fault: Mutex<Option<RunError>> = Mutex::new(None);
        let broken = AtomicBool::new(false);
        let work = || {
            while !self.options.stop.load(Ordering::Relaxed) && !broken.load(Ordering::Relaxed) {
                let index = next.fetch_add(1, Ordering::Relaxed);
                let Some(job) = jobs.get(index) else { break };
                match self.guarded(job) {
                    Ok(finished) => *held(&slots[index]) = Some(finished),
                    Err(error) => {
                        broken.store(true, Ordering::Relaxed);
                        *held(&fault) = Some(error);
                    }
                }
            }
        };
        std::thread::scope(|scope| {
            for _ in 1..self.threads().min(jobs.len()) {
                scope.spawn(work);
            }
            work();
        });
        match fault.into_inner().unwrap_or_else(std::sync::PoisonError::into_inner) {
            Some(error) => Err(error),
            None => Ok(slots
                .into_iter()
                .map(|slot| slot.into_inner().unwrap_or_else(std::sync::PoisonError::into_inner))
                .collect()),
        }
    }

    fn threads(&self) -> usize {
        match self.options.threads {
            0 => std::thread::available_parallelism().map_or(1, std::num::NonZero::get),
            threads => threads,
        }
    }

    /// One picture, whatever happens: a fault of the program that it brings to light must not take the others along.
    fn guarded(&self, job: &PictureJob) -> Result<Finished, RunError> {
        // What a panic leaves half-done belongs to this picture alone and is dropped with it.
        catch_unwind(AssertUnwindSafe(|| self.picture(job))).unwrap_or_else(|panic| {
            let said = panic.downcast_ref::<String>().map(String::as_str);
            let said = said.or(panic.downcast_ref::<&str>().copied()).unwrap_or("no reason given");
            let error = ReadError::Fault { file: text(&job.path), reason: said.into() };
            Ok(self.failed(job, error.to_string(), ""))
        })
    }

    /// One picture: from an earlier run, or worked on now and kept.
    fn picture(&self, job: &PictureJob) -> Result<Finished, RunError> {
        let mut seconds = StageSeconds::default();
        let mut clock = Clock(Instant::now());
        let name = text(&job.path);
        let (source, hash) = match Source::open(&job.path) {
            Ok(opened) => opened,
            Err(e) => {
                let error = ReadError::Unreadable { file: name, reason: plain_io(&e) };
                return Ok(self.failed(job, error.to_string(), ""));
            }
        };
        let key = cache::key(&self.digest, &hash, &job.series, self.tools.um_per_px);
        let cached = self.folder.cached(&key);
        let copy = sites::copy_path(self.options.out, &self.digest, &hash);
        let overlay_path = self.folder.overlay(&job.series.image);
        if !self.options.force && cached.is_file() {
            match cache::load(&cached, &key) {
                None => drop(self.n_damaged.fetch_add(1, Ordering::Relaxed)),
                Some((image, ends)) if copy.is_file() && (!self.options.overlays || overlay_path.is_file()) => {
                    return Ok(self.finished(job, Finished { image, ends, seconds, kept: true }));
                }
                Some(_) => {}
            }
        }
        let mut micrograph = match source.micrograph(&self.tools.settings) {
            Ok(micrograph) => micrograph,
            Err(error) => return Ok(self.failed(job, error, &hash)),
        };
        source::set_scale(&mut micrograph, &job.series, self.tools);
        clock.lap(&mut seconds.read);
        let ends = classify_micrograph(&micrograph, job.series.carriers, self.tools, &mut seconds);
        clock = Clock(Instant::now());
        if self.options.overlays {
            let marks: Vec<Mark> = ends.iter().map(|e| Mark { row: &e.row, drawn: &e.measured.drawn }).collect();
            self.write_overlay(&overlay_path, &overlay::draw(&micrograph, &marks))?;
        }
        let rows: Vec<EndRow> = ends.into_iter().map(|e| e.row).collect();
        let image = image_row(&micrograph, &rows, hash, self.tools);
        sites::save(&copy, &micrograph.grey, &self.tools.settings.face.site)?;
        cache::save(&cached, &key, &image, &rows)?;
        clock.lap(&mut seconds.write);
        Ok(self.finished(job, Finished { image, ends: rows, seconds, kept: false }))
    }

    fn write_overlay(&self, path: &Path, png: &[u8]) -> Result<(), RunError> {
        if let Some(parent) = path.parent() {
            std::fs::create_dir_all(parent)
                .map_err(|e| RunError::Unwritable { folder: text(parent), reason: e.to_string() })?;
        }
        Ok(write_atomic(path, png)?)
    }

    /// Fills in what only the series table says, and tells the listener.
    fn finished(&self, job: &PictureJob, mut finished: Finished) -> Finished {
        finished.image.series = job.series.clone();
        // As its table says it, so that scores from saved tables are the same.
        finished.image.series.peak_load_n = job.series.peak_load_n.map(tidy);
        for end in &mut finished.ends {
            end.image.clone_from(&job.series.image);
            end.specimen.clone_from(&job.series.specimen);
            end.counted = job.series.count;
            end.extra.clone_from(&job.series.extra);
        }
        finished.image.add_warnings(&job.warnings);
        (self.on_event)(Event::Done { image: Box::new(finished.image.clone()), kept: finished.kept });
        finished
    }

    fn failed(&self, job: &PictureJob, error: String, hash: &str) -> Finished {
        (self.on_event)(Event::Failed { image: job.series.image.clone(), error: error.clone() });
        let image = ImageRow { content_hash: hash.into(), ..failed_row(&job.series, &error) };
        Finished { image, ends: Vec::new(), seconds: StageSeconds::default(), kept: false }
    }

    fn run_file(&self, outcome: &Outcome, inputs: &Inputs, start: Instant, seconds: StageSeconds) -> RunFile {
        let hash_of = |image: &str| outcome.images.iter().find(|i| i.series.image == image);
        RunFile {
            schema: RUN_SCHEMA.into(),
            version: env!("CARGO_PKG_VERSION").into(),
            features: FEATURE_SCHEMA.into(),
            ended: jiff::Timestamp::now().strftime("%Y-%m-%dT%H:%M:%SZ").to_string(),
            um_per_px: self.tools.um_per_px,
            threads: self.threads(),
            model: ModelUsed { name: self.tools.model.name.clone(), digest: self.tools.model.digest() },
            finder: FinderUsed { digest: self.tools.finder.digest().into() },
            settings: self.tools.settings.clone(),
            inputs: inputs
                .jobs
                .iter()
                .map(|job| InputUsed {
                    image: job.series.image.clone(),
                    path: text(&std::path::absolute(&job.path).unwrap_or_else(|_| job.path.clone())),
                    hash: hash_of(&job.series.image).map(|i| i.content_hash.clone()).unwrap_or_default(),
                })
                .collect(),
            wall_s: tidy(start.elapsed().as_secs_f64()),
            stage_s: seconds,
            warnings: outcome.warnings.clone(),
            shard: inputs.part.as_ref().map(|part| part.used(&self.digest, &inputs.notes)),
        }
    }
}

/// A lock that a panic elsewhere left behind still holds whole values: each is written in one assignment.
fn held<T>(mutex: &Mutex<T>) -> std::sync::MutexGuard<'_, T> {
    mutex.lock().unwrap_or_else(std::sync::PoisonError::into_inner)
}

fn plain_io(error: &std::io::Error) -> String {
    match error.kind() {
        std::io::ErrorKind::NotFound => "there is no such file".into(),
        std::io::ErrorKind::PermissionDenied => "no right to read it".into(),
        std::io::ErrorKind::IsADirectory => "it is a folder".into(),
        _ => error.to_string(),
    }
}
