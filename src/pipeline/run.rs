//! A series: every picture in parallel, kept as it finishes; then all tables, written in one piece.

use super::error::RunError;
use super::finish::{Finished, Outcome, RowSource, finish};
use super::folder::{ResultFolder, RunState, cached};
use super::jobs::{Inputs, PictureJob};
use super::path_text::text;
use super::picture::{Classified, Clock, classify_strips};
use super::row::{failed_row, image_row};
use super::source::{self, Source};
use super::{Tools, cache, hand, replace, scale_fit, sites};
use crate::cancel::Cancel;
use crate::face::{End, Ends};
use crate::measure::FEATURE_SCHEMA;
use crate::micrograph::{Micrograph, ReadError};
use crate::network::StripCache;
use crate::report::overlay::{self, Mark};
use crate::results::{DetectorUsed, InputUsed, ModelUsed, RUN_SCHEMA, RunFile, StageSeconds};
use crate::table::{EndRow, ImageRow, tidy, write_atomic};
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::path::{Path, PathBuf};
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
    /// Write over results that hold pictures which this run does not have.
    pub replace: bool,
    /// Pictures worked on at the same time; 0 = one per processor.
    pub threads: usize,
    /// Draw overlays.
    pub overlays: bool,
    /// Write the tables as Parquet too (when the library was built with it).
    pub parquet: bool,
    /// Set from outside to stop: pictures under work are broken off and left to the next run.
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
    let run_file = series.run_file(&done, inputs, start, seconds)?;
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

/// What is held of a finished picture until the tables are written.
struct Picture {
    /// Its row; that of a picture that could not be read says why.
    image: ImageRow,
    ends: Box<[End]>,
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
    fn all_pictures(&self, jobs: &[PictureJob]) -> Result<Vec<Option<Picture>>, RunError> {
        let next = AtomicUsize::new(0);
        let slots: Vec<Mutex<Option<Picture>>> = jobs.iter().map(|_| Mutex::new(None)).collect();
        let fault: Mutex<Option<RunError>> = Mutex::new(None);
        let broken = AtomicBool::new(false);
        let work = || {
            while !self.options.stop.load(Ordering::Relaxed) && !broken.load(Ordering::Relaxed) {
                let index = next.fetch_add(1, Ordering::Relaxed);
                let Some(job) = jobs.get(index) else { break };
                match self.guarded(job) {
                    Ok(finished) => *held(&slots[index]) = finished,
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

    /// One picture, whatever happens: a fault of the program that it brings to light must not take the others along. `None`
    /// when it was not finished because the run was stopped.
    fn guarded(&self, job: &PictureJob) -> Result<Option<Picture>, RunError> {
        // What a panic leaves half-done belongs to this picture alone and is dropped with it.
        catch_unwind(AssertUnwindSafe(|| self.picture(job))).unwrap_or_else(|panic| {
            let said = panic.downcast_ref::<String>().map(String::as_str);
            let said = said.or(panic.downcast_ref::<&str>().copied()).unwrap_or("no reason given");
            let error = ReadError::Fault { file: text(&job.path), reason: said.into() };
            Ok(self.failed(job, error.to_string(), ""))
        })
    }

    /// One picture: from an earlier run, or worked on now and kept.
    fn picture(&self, job: &PictureJob) -> Result<Option<Picture>, RunError> {
        let cancel = Cancel::by(self.options.stop);
        let mut seconds = StageSeconds::default();
        let mut clock = Clock(Instant::now());
        let (source, hash) = match Source::open(&job.path, &self.tools.settings.read) {
            Ok(opened) => opened,
            Err(error) => return Ok(self.failed(job, error.to_string(), "")),
        };
        let key = cache::key(&self.digest, &hash, job, self.tools.um_per_px);
        let cached = self.folder.cached(&key);
        let copy = sites::copy_path(self.options.out, &self.digest, &hash);
        let overlay_path = self.folder.overlay(&job.series.image);
        if !self.options.force && cached.is_file() {
            match cache::load(&cached, &key) {
                None => drop(self.n_damaged.fetch_add(1, Ordering::Relaxed)),
                Some(rows)
                    if is_whole_picture(&copy) && (!self.options.overlays || is_whole_picture(&overlay_path)) =>
                {
                    return Ok(Some(self.finished(job, rows, seconds, true)));
                }
                Some(_) => {}
            }
        }
        let mut micrograph = match source.micrograph(&self.tools.settings, cancel) {
            Ok(micrograph) => micrograph,
            Err(error) => return Ok(self.failed(job, error, &hash)),
        };
        source::set_scale(&mut micrograph, job, self.tools);
        clock.lap(&mut seconds.read);
        let mut strips = StripCache::new(&micrograph).until(cancel);
        let ends = match classify_strips(&mut strips, job.series.carriers, self.tools, &mut seconds) {
            Ok(ends) => ends,
            Err(error) => return Ok(self.failed(job, format!("{}: {error}", text(&job.path)), &hash)),
        };
        let rows: Vec<&EndRow> = ends.iter().map(|e| &e.row).collect();
        let unfit = scale_fit::doubt(&mut micrograph, &rows, (self.tools, cancel), &mut seconds);
        // What was broken off is not to be kept.
        if cancel.is_asked() && unfit.is_none() {
            return Ok(None);
        }
        micrograph.warnings.extend(unfit);
        clock = Clock(Instant::now());
        if self.options.overlays
            && let Some(error) = self.write_overlay(&overlay_path, &micrograph, &ends)?
        {
            return Ok(self.failed(job, format!("{}: {error}", text(&job.path)), &hash));
        }
        let rows: Vec<EndRow> = ends.into_iter().map(|e| e.row).collect();
        let image = image_row(&micrograph, &rows, hash.clone(), self.tools);
        sites::save(&copy, &micrograph.grey, &self.tools.settings.face.site)?;
        cache::save(&cached, &key, &image, &rows)?;
        clock.lap(&mut seconds.write);
        drop(micrograph);
        Ok(Some(self.finished(job, (image, rows), seconds, false)))
    }

    /// Draws the overlay of a picture; says why when it cannot be drawn.
    fn write_overlay(
        &self,
        path: &Path,
        micrograph: &Micrograph,
        ends: &[Classified],
    ) -> Result<Option<String>, RunError> {
        let marks: Vec<Mark> = ends.iter().map(|e| Mark { row: &e.row, drawn: &e.measured.drawn }).collect();
        match overlay::draw(micrograph, &marks) {
            Err(error) => Ok(Some(format!("its overlay cannot be drawn: {error}; --no-overlays leaves it out"))),
            Ok(jpeg) => {
                crate::files::make_folders(self.options.out, path)
                    .map_err(|e| RunError::Unwritable { folder: text(path), reason: e.to_string() })?;
                write_atomic(path, &jpeg)?;
                Ok(None)
            }
        }
    }

    /// Tells the listener, and keeps what is needed until the tables are written.
    fn finished(&self, job: &PictureJob, rows: (ImageRow, Vec<EndRow>), seconds: StageSeconds, kept: bool) -> Picture {
        let (image, ends) = as_listed(job, rows);
        (self.on_event)(Event::Done { image: Box::new(image.clone()), kept });
        Picture { image, ends: ends.iter().map(End::from).collect(), seconds, kept }
    }

    /// A picture that could not be read; none when the run is being stopped, which may be all that was wrong with it.
    fn failed(&self, job: &PictureJob, error: String, hash: &str) -> Option<Picture> {
        if Cancel::by(self.options.stop).is_asked() {
            return None;
        }
        (self.on_event)(Event::Failed { image: job.series.image.clone(), error: error.clone() });
        let image = ImageRow { content_hash: hash.into(), ..failed_row(&job.series, &error) };
        Some(Picture { image, ends: Box::default(), seconds: StageSeconds::default(), kept: false })
    }

    fn run_file(
        &self,
        done: &[Option<Picture>],
        inputs: &Inputs,
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
            ended: jiff::Timestamp::now().strftime("%Y-%m-%dT%H:%M:%SZ").to_string(),
            um_per_px: self.tools.um_per_px,
            threads: self.threads(),
            model: ModelUsed { name: self.tools.model.name.clone(), digest: self.tools.model.digest() },
            detector: DetectorUsed { digest: self.tools.detector.digest().into() },
            settings: self.tools.settings.to_data()?,
            inputs: inputs.jobs.iter().zip(done).map(used).collect(),
            wall_s: tidy(start.elapsed().as_secs_f64()),
            stage_s: seconds,
            warnings: Vec::new(),
            rows: None,
            shard: inputs.part.as_ref().map(|part| part.used(&self.digest, &inputs.notes)),
        })
    }
}

/// The rows of a picture with what only the series table says of it.
fn as_listed(job: &PictureJob, (mut image, mut ends): (ImageRow, Vec<EndRow>)) -> (ImageRow, Vec<EndRow>) {
    image.series = job.series.clone();
    // As its table says it, so that scores from saved tables are the same.
    image.series.peak_load_n = job.series.peak_load_n.map(tidy);
    for end in &mut ends {
        end.image.clone_from(&job.series.image);
        end.specimen.clone_from(&job.series.specimen);
        end.counted = job.series.counted;
        end.extra.clone_from(&job.series.extra);
    }
    image.add_warnings(&job.warnings);
    (image, ends)
}

/// A lock that a panic elsewhere left behind still holds whole values: each is written in one assignment.
fn held<T>(mutex: &Mutex<T>) -> std::sync::MutexGuard<'_, T> {
    mutex.lock().unwrap_or_else(std::sync::PoisonError::into_inner)
}

/// Whether a picture that was written is all there: it begins and ends as PNG files (PNG, third edition, sections 5.2 and
/// 11.2.5) or JPEG files do (ITU-T T.81, table B.1: SOI and EOI).
fn is_whole_picture(path: &Path) -> bool {
    const PNG: (&[u8], &[u8]) = (b"\x89PNG\r\n\x1a\n", b"\0\0\0\0IEND\xae\x42\x60\x82");
    const JPEG: (&[u8], &[u8]) = (b"\xff\xd8", b"\xff\xd9");
    let bytes = std::fs::read(path).unwrap_or_default();
    [PNG, JPEG].iter().any(|(begin, end)| bytes.starts_with(begin) && bytes.ends_with(end))
}
