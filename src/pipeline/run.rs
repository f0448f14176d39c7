//! A series: every picture in parallel, kept as it finishes; then all tables, written in one piece.

use super::folder::{ResultFolder, RunError, Stand};
use super::inputs::{Inputs, PictureJob, text};
use super::picture::{Clock, classify_micrograph};
use super::row::{failed_row, image_row, table_order};
use super::scores::{Scores, model_figures};
use super::source::{self, Source};
use super::{Tools, cache, scores, sites, tables};
use crate::face::{End, Ends, Picture};
use crate::measure::FEATURE_SCHEMA;
use crate::micrograph::ReadError;
use crate::report::overlay::{self, Mark};
use crate::results::{DetectorUsed, InputUsed, ModelUsed, RUN_SCHEMA, RunFile, StageSeconds};
use crate::series::SeriesRow;
use crate::table::{EndRow, ImageRow, Status, tidy, write_atomic};
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
    /// Rows of `ends.csv`; of a run that was stopped, the ends of the finished pictures.
    pub n_ends: usize,
    /// Rows of `images.csv`; of a run that was stopped, the finished pictures.
    pub n_images: usize,
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
    let folder = ResultFolder::open(options.out, options.force)?;
    if !folder.found.is_empty() {
        on_event(Event::Note { text: folder.found.clone() });
    }
    on_event(Event::Started { pictures: inputs.jobs.len() });
    let digest = cache::tools_digest(tools);
    let n_damaged = AtomicUsize::new(0);
    let series = SeriesRun { tools, options, folder: &folder, digest, on_event, n_damaged };
    let mut done = series.all_pictures(&inputs.jobs)?;
    let n_damaged = series.n_damaged.load(Ordering::Relaxed);
    if 0 < n_damaged {
        let text = format!("{}: {n_damaged} kept results were damaged and made anew", text(options.out));
        on_event(Event::Note { text });
    }
    let mut outcome = Outcome { n_bad_rows: inputs.problems.len(), ..Outcome::default() };
    outcome.stopped = done.iter().any(Option::is_none);
    let mut seconds = StageSeconds::default();
    for picture in done.iter().flatten() {
        seconds.add(&picture.seconds);
        outcome.n_images += 1;
        outcome.n_ends += picture.ends.len();
        outcome.n_kept += usize::from(picture.kept);
        outcome.n_failed += usize::from(picture.is_failed());
    }
    if outcome.stopped {
        folder.close(Stand::Stopped)?;
        return Ok(outcome);
    }
    outcome.n_images += inputs.problems.len();
    let mut ends = Ends::new();
    for (job, picture) in inputs.jobs.iter().zip(&mut done) {
        let of = picture.as_mut().map(|p| std::mem::take(&mut p.ends)).unwrap_or_default();
        ends.insert(job.series.image.clone(), of.into_vec());
    }
    let entries = series.entries(inputs, &done);
    let mut same = Vec::new();
    if inputs.part.is_none() {
        let read = || entries.iter().filter_map(Entry::read);
        let copies: Vec<PathBuf> =
            read().map(|(_, done, _)| sites::copy_path(options.out, &series.digest, &done.hash)).collect();
        let pictures: Vec<Picture> = read().map(|(job, _, known)| picture_of(job, known)).collect();
        same = sites::count_once(&mut ends, &pictures, &copies, &tools.settings.face.site);
        let figures = model_figures(&tools.model);
        outcome.scores = Scores::from_ends(&ends, &pictures, figures.as_ref(), &tools.settings.face);
    }
    let said = entries.iter().filter_map(Entry::read).map(|(job, _, known)| tables::Said {
        image: &job.series.image,
        scaled: known.um_per_px.is_some(),
        warnings: &known.warnings,
    });
    outcome.warnings = tables::run_warnings(&inputs.notes, said, &outcome.scores);
    outcome.warnings.extend(same);
    let run_file = series.run_file(&done, &outcome.warnings, inputs, start, seconds);
    let has_ends = |image: &str| ends.get(image).is_some_and(|e| !e.is_empty());
    let layout = tables::Layout {
        pictures: entries.iter().map(|e| e.series().extra.as_slice()).collect(),
        ends: entries.iter().map(Entry::series).filter(|s| has_ends(&s.image)).map(|s| s.extra.as_slice()).collect(),
    };
    let rows = entries.iter().map(|entry| series.rows(entry, &ends));
    tables::put(&folder, layout, rows, &outcome.scores, &run_file, options.parquet)?;
    folder.close(Stand::Finished)?;
    Ok(outcome)
}

/// What is held of a finished picture until the tables are written.
struct Finished {
    /// BLAKE3 of its file; empty when that could not be read.
    hash: String,
    /// What is in its row and needed before the tables are written; or why it could not be read.
    result: Result<Known, String>,
    ends: Box<[End]>,
    seconds: StageSeconds,
    kept: bool,
}

impl Finished {
    fn is_failed(&self) -> bool {
        self.result.is_err()
    }
}

/// What is known of a picture that was read.
struct Known {
    um_per_px: Option<f64>,
    u_um_per_px: Option<f64>,
    size_px: (Option<u64>, Option<u64>),
    warnings: Box<str>,
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
        let (source, hash) = match Source::open(&job.path, &self.tools.settings.read) {
            Ok(opened) => opened,
            Err(error) => return Ok(self.failed(job, error.to_string(), "")),
        };
        let key = cache::key(&self.digest, &hash, &job.series, self.tools.um_per_px);
        let cached = self.folder.cached(&key);
        let copy = sites::copy_path(self.options.out, &self.digest, &hash);
        let overlay_path = self.folder.overlay(&job.series.image);
        if !self.options.force && cached.is_file() {
            match cache::load(&cached, &key) {
                None => drop(self.n_damaged.fetch_add(1, Ordering::Relaxed)),
                Some((image, ends)) if copy.is_file() && (!self.options.overlays || overlay_path.is_file()) => {
                    return Ok(self.finished(job, hash, (image, ends), (seconds, true)));
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
        let image = image_row(&micrograph, &rows, hash.clone(), self.tools);
        sites::save(&copy, &micrograph.grey, &self.tools.settings.face.site)?;
        cache::save(&cached, &key, &image, &rows)?;
        clock.lap(&mut seconds.write);
        drop(micrograph);
        Ok(self.finished(job, hash, (image, rows), (seconds, false)))
    }

    fn write_overlay(&self, path: &Path, png: &[u8]) -> Result<(), RunError> {
        if let Some(parent) = path.parent() {
            std::fs::create_dir_all(parent)
                .map_err(|e| RunError::Unwritable { folder: text(parent), reason: e.to_string() })?;
        }
        Ok(write_atomic(path, png)?)
    }

    /// Tells the listener, and keeps what is needed until the tables are written.
    fn finished(
        &self,
        job: &PictureJob,
        hash: String,
        rows: (ImageRow, Vec<EndRow>),
        (seconds, kept): (StageSeconds, bool),
    ) -> Finished {
        let (image, ends) = as_listed(job, rows);
        let finished = Finished {
            hash,
            result: Ok(Known {
                um_per_px: image.um_per_px,
                u_um_per_px: image.u_um_per_px,
                size_px: (image.width_px, image.height_px),
                warnings: image.warnings.as_str().into(),
            }),
            ends: ends.iter().map(End::from).collect(),
            seconds,
            kept,
        };
        (self.on_event)(Event::Done { image: Box::new(image), kept });
        finished
    }

    fn failed(&self, job: &PictureJob, error: String, hash: &str) -> Finished {
        (self.on_event)(Event::Failed { image: job.series.image.clone(), error: error.clone() });
        let ends = Box::default();
        Finished { hash: hash.into(), result: Err(error), ends, seconds: StageSeconds::default(), kept: false }
    }

    /// What stands in `images.csv`, in its order.
    fn entries<'e>(&self, inputs: &'e Inputs, done: &'e [Option<Finished>]) -> Vec<Entry<'e>> {
        let pictures = inputs.jobs.iter().zip(done).filter_map(|(job, done)| Some(Entry::Picture(job, done.as_ref()?)));
        let rest = inputs.problems.iter().map(|p| Entry::Problem(&p.series, p.error.to_string()));
        let mut entries: Vec<Entry> = pictures.chain(rest).collect();
        entries.sort_by(|a, b| table_order(&a.place(), &b.place()));
        entries
    }

    /// The rows of a picture as they stand in the tables.
    fn rows(&self, entry: &Entry<'_>, ends: &Ends) -> Result<(ImageRow, Vec<EndRow>), RunError> {
        let (job, finished) = match entry {
            Entry::Problem(series, error) => return Ok((failed_row(series, error), Vec::new())),
            Entry::Picture(job, finished) => (job, finished),
        };
        if let Err(error) = &finished.result {
            let image = ImageRow { content_hash: finished.hash.clone(), ..failed_row(&job.series, error) };
            return Ok((image, Vec::new()));
        }
        let key = cache::key(&self.digest, &finished.hash, &job.series, self.tools.um_per_px);
        let path = self.folder.cached(&key);
        let lost = || RunError::Lost { file: text(&path), image: job.series.image.clone() };
        let (image, mut rows) = as_listed(job, cache::load(&path, &key).ok_or_else(lost)?);
        let counted = ends.get(&job.series.image).map_or(&[][..], Vec::as_slice);
        if counted.len() != rows.len() {
            return Err(lost());
        }
        rows.iter_mut().zip(counted).for_each(|(row, end)| row.counted = end.counted);
        Ok((image, rows))
    }

    fn run_file(
        &self,
        done: &[Option<Finished>],
        warnings: &[String],
        inputs: &Inputs,
        start: Instant,
        seconds: StageSeconds,
    ) -> RunFile {
        let hash = |done: &Option<Finished>| done.as_ref().map(|d| d.hash.clone()).unwrap_or_default();
        let used = |(job, done): (&PictureJob, &Option<Finished>)| InputUsed {
            image: job.series.image.clone(),
            path: text(&std::path::absolute(&job.path).unwrap_or_else(|_| job.path.clone())),
            hash: hash(done),
        };
        RunFile {
            schema: RUN_SCHEMA.into(),
            version: env!("CARGO_PKG_VERSION").into(),
            features: FEATURE_SCHEMA.into(),
            ended: jiff::Timestamp::now().strftime("%Y-%m-%dT%H:%M:%SZ").to_string(),
            um_per_px: self.tools.um_per_px,
            threads: self.threads(),
            model: ModelUsed { name: self.tools.model.name.clone(), digest: self.tools.model.digest() },
            detector: DetectorUsed { digest: self.tools.detector.digest().into() },
            settings: self.tools.settings.clone(),
            inputs: inputs.jobs.iter().zip(done).map(used).collect(),
            wall_s: tidy(start.elapsed().as_secs_f64()),
            stage_s: seconds,
            warnings: warnings.to_vec(),
            shard: inputs.part.as_ref().map(|part| part.used(&self.digest, &inputs.notes)),
        }
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
        end.counted = job.series.count;
        end.extra.clone_from(&job.series.extra);
    }
    image.add_warnings(&job.warnings);
    (image, ends)
}

/// A row of `images.csv` to be: a picture, or a row of a series table that cannot be used.
enum Entry<'a> {
    Picture(&'a PictureJob, &'a Finished),
    Problem(&'a SeriesRow, String),
}

impl<'a> Entry<'a> {
    fn series(&self) -> &'a SeriesRow {
        match self {
            Self::Picture(job, _) => &job.series,
            Self::Problem(series, _) => series,
        }
    }

    /// A picture that was read.
    fn read(&self) -> Option<(&'a PictureJob, &'a Finished, &'a Known)> {
        match self {
            Self::Picture(job, finished) => Some((job, finished, finished.result.as_ref().ok()?)),
            Self::Problem(..) => None,
        }
    }

    /// What decides on its place in the table.
    fn place(&self) -> (&str, Status, &str) {
        match self {
            Self::Problem(series, error) => (&series.image, Status::Failed, error),
            Self::Picture(job, finished) => match &finished.result {
                Ok(_) => (&job.series.image, Status::Done, ""),
                Err(error) => (&job.series.image, Status::Failed, error),
            },
        }
    }
}

fn picture_of(job: &PictureJob, known: &Known) -> Picture {
    scores::picture(
        SeriesRow { peak_load_n: job.series.peak_load_n.map(tidy), ..job.series.clone() },
        known.um_per_px,
        known.u_um_per_px,
        known.size_px,
        &known.warnings,
    )
}

/// A lock that a panic elsewhere left behind still holds whole values: each is written in one assignment.
fn held<T>(mutex: &Mutex<T>) -> std::sync::MutexGuard<'_, T> {
    mutex.lock().unwrap_or_else(std::sync::PoisonError::into_inner)
}
