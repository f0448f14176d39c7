//! Every picture of a run, in parallel; what is made of each is put on disk as soon as it is there.
//!
//! Job -> row of the picture, its ends as scoring needs them, and its kept files. Each worker has a writer beside it: files are
//! synced to disk while the next picture is worked on.

use super::error::RunError;
use super::folder::ResultFolder;
use super::jobs::PictureJob;
use super::options::{Event, RunOptions};
use super::path_text::text;
use super::picture::{Classified, Clock, classify_strips};
use super::row::{failed_row, image_row};
use super::source::{self, Source};
use super::{Tools, cache, scale_fit, sites};
use crate::cancel::Cancel;
use crate::face::End;
use crate::micrograph::{Micrograph, ReadError};
use crate::network::StripCache;
use crate::report::overlay::{self, Mark};
use crate::results::StageSeconds;
use crate::table::{EndRow, ImageRow, tidy, write_atomic};
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicBool, AtomicUsize, Ordering};
use std::sync::{Mutex, mpsc};
use std::time::Instant;

/// What is held of a finished picture until the tables are written.
pub(super) struct Picture {
    /// Its row; that of a picture that could not be read says why.
    pub(super) image: ImageRow,
    /// Its ends.
    pub(super) ends: Box<[End]>,
    /// How long it took.
    pub(super) seconds: StageSeconds,
    /// Whether its result was there from an earlier run.
    pub(super) kept: bool,
}

/// How far a picture has come.
enum Step {
    /// Nothing is left to do; `None` = it was not finished because the run was stopped.
    Ready(Option<Picture>),
    /// Its files are to be written.
    Made(Made),
}

/// A picture that has been worked on, and what is to be kept of it.
struct Made {
    rows: (ImageRow, Vec<EndRow>),
    seconds: StageSeconds,
    /// Its overlay, encoded.
    overlay: Option<Vec<u8>>,
    /// Its small copy, encoded.
    copy: Vec<u8>,
    places: Places,
}

/// Where the files of a picture lie.
struct Places {
    key: String,
    kept: PathBuf,
    copy: PathBuf,
    overlay: PathBuf,
}

/// A run under way.
pub(super) struct SeriesRun<'a> {
    /// What every picture is worked on with.
    pub(super) tools: &'a Tools,
    /// How the run is done.
    pub(super) options: &'a RunOptions<'a>,
    /// The folder of the results.
    pub(super) folder: &'a ResultFolder,
    /// What tells these tools from others.
    pub(super) digest: String,
    /// Told of what happens.
    pub(super) on_event: &'a (dyn Fn(Event) + Sync),
    /// Kept results that could not be used.
    pub(super) n_damaged: AtomicUsize,
}

/// Pictures as they finish.
struct Slots {
    pictures: Vec<Mutex<Option<Picture>>>,
    fault: Mutex<Option<RunError>>,
    broken: AtomicBool,
}

impl Slots {
    fn put(&self, index: usize, result: Result<Option<Picture>, RunError>) {
        match result {
            Ok(finished) => *held(&self.pictures[index]) = finished,
            Err(error) => {
                self.broken.store(true, Ordering::Relaxed);
                *held(&self.fault) = Some(error);
            }
        }
    }

    fn into_pictures(self) -> Result<Vec<Option<Picture>>, RunError> {
        match inner(self.fault) {
            Some(error) => Err(error),
            None => Ok(self.pictures.into_iter().map(inner).collect()),
        }
    }
}

impl SeriesRun<'_> {
    /// Every picture, in the order of `jobs`; `None` = not worked on because the run was stopped.
    ///
    /// Plain threads rather than a pool: a pool lends a waiting thread another picture, and then more pictures are in
    /// memory than there are threads.
    pub(super) fn all_pictures(&self, jobs: &[PictureJob]) -> Result<Vec<Option<Picture>>, RunError> {
        let next = AtomicUsize::new(0);
        let slots = Slots {
            pictures: jobs.iter().map(|_| Mutex::new(None)).collect(),
            fault: Mutex::new(None),
            broken: AtomicBool::new(false),
        };
        std::thread::scope(|scope| {
            for _ in 1..self.threads().min(jobs.len()) {
                scope.spawn(|| self.worker(jobs, &next, &slots));
            }
            self.worker(jobs, &next, &slots);
        });
        slots.into_pictures()
    }

    /// Works on one picture after the other, and has their files written meanwhile.
    fn worker(&self, jobs: &[PictureJob], next: &AtomicUsize, slots: &Slots) {
        std::thread::scope(|scope| {
            let (to_writer, all_made) = mpsc::sync_channel::<(usize, Made)>(0);
            scope.spawn(move || {
                for (index, made) in all_made {
                    let job = &jobs[index];
                    slots.put(index, self.guarded(job, || self.put(job, made).map(Some), |failed| failed));
                }
            });
            while !self.options.stop.load(Ordering::Relaxed) && !slots.broken.load(Ordering::Relaxed) {
                let index = next.fetch_add(1, Ordering::Relaxed);
                let Some(job) = jobs.get(index) else { break };
                match self.guarded(job, || Ok(self.picture(job)), Step::Ready) {
                    // The writer takes whatever comes until this thread has ended.
                    Ok(Step::Made(made)) => drop(to_writer.send((index, made))),
                    Ok(Step::Ready(picture)) => slots.put(index, Ok(picture)),
                    Err(error) => slots.put(index, Err(error)),
                }
            }
        });
    }

    /// Pictures worked on at the same time.
    pub(super) fn threads(&self) -> usize {
        match self.options.threads {
            0 => std::thread::available_parallelism().map_or(1, std::num::NonZero::get),
            threads => threads,
        }
    }

    /// A step of one picture, whatever happens: a fault of the program that it brings to light must not take the others along.
    fn guarded<T>(
        &self,
        job: &PictureJob,
        step: impl FnOnce() -> Result<T, RunError>,
        of: impl Fn(Option<Picture>) -> T,
    ) -> Result<T, RunError> {
        // What a panic leaves half-done belongs to this picture alone and is dropped with it.
        catch_unwind(AssertUnwindSafe(step)).unwrap_or_else(|panic| {
            let said = panic.downcast_ref::<String>().map(String::as_str);
            let said = said.or(panic.downcast_ref::<&str>().copied()).unwrap_or("no reason given");
            let error = ReadError::Fault { file: text(&job.path), reason: said.into() };
            Ok(of(self.failed(job, error.to_string(), "")))
        })
    }

    /// One picture: from an earlier run, or worked on now.
    fn picture(&self, job: &PictureJob) -> Step {
        let cancel = Cancel::by(self.options.stop);
        let mut seconds = StageSeconds::default();
        let mut clock = Clock(Instant::now());
        let (source, hash) = match Source::open(&job.path, &self.tools.settings.read) {
            Ok(opened) => opened,
            Err(error) => return Step::Ready(self.failed(job, error.to_string(), "")),
        };
        let places = self.places(job, &hash);
        if let Some(rows) = self.kept(&places) {
            return Step::Ready(Some(self.finished(job, rows, seconds, true)));
        }
        let mut micrograph = match source.micrograph(&self.tools.settings, cancel) {
            Ok(micrograph) => micrograph,
            Err(error) => return Step::Ready(self.failed(job, error, &hash)),
        };
        if cancel.is_asked() {
            return Step::Ready(None);
        }
        source::set_scale(&mut micrograph, job, self.tools);
        clock.lap(&mut seconds.read);
        let mut strips = StripCache::new(&micrograph).until(cancel);
        let ends = match classify_strips(&mut strips, job.series.carriers, self.tools, &mut seconds) {
            Ok(ends) => ends,
            Err(error) => {
                return Step::Ready(self.failed(job, format!("{}: {error}", text(&job.path)), &hash));
            }
        };
        let rows: Vec<&EndRow> = ends.iter().map(|e| &e.row).collect();
        let unfit = scale_fit::doubt(&mut micrograph, &rows, (self.tools, cancel), &mut seconds);
        // What was broken off is not to be kept.
        if cancel.is_asked() && unfit.is_none() {
            return Step::Ready(None);
        }
        micrograph.warnings.extend(unfit);
        clock = Clock(Instant::now());
        let overlay = match self.overlay(&micrograph, &ends) {
            Ok(overlay) => overlay,
            Err(error) => return Step::Ready(self.failed(job, format!("{}: {error}", text(&job.path)), &hash)),
        };
        let rows: Vec<EndRow> = ends.into_iter().map(|e| e.row).collect();
        let image = image_row(&micrograph, &rows, hash, self.tools);
        let copy = sites::small_copy(&micrograph.grey, &self.tools.settings.face.site);
        clock.lap(&mut seconds.write);
        Step::Made(Made { rows: (image, rows), seconds, overlay, copy, places })
    }

    /// The overlay of a picture, if the run draws any; says why when it cannot be drawn.
    fn overlay(&self, micrograph: &Micrograph, ends: &[Classified]) -> Result<Option<Vec<u8>>, String> {
        if !self.options.overlays {
            return Ok(None);
        }
        let marks: Vec<Mark> = ends.iter().map(|e| Mark { row: &e.row, drawn: &e.measured.drawn }).collect();
        let drawn = overlay::draw(micrograph, &marks);
        drawn.map(Some).map_err(|e| format!("its overlay cannot be drawn: {e}; --no-overlays leaves it out"))
    }

    fn places(&self, job: &PictureJob, hash: &str) -> Places {
        let key = cache::key(&self.digest, hash, job, self.tools.um_per_px);
        Places {
            kept: self.folder.cached(&key),
            key,
            copy: sites::copy_path(self.options.out, &self.digest, hash),
            overlay: self.folder.overlay(&job.series.image),
        }
    }

    /// The result of an earlier run, if all of it is there.
    fn kept(&self, places: &Places) -> Option<(ImageRow, Vec<EndRow>)> {
        if self.options.force || !places.kept.is_file() {
            return None;
        }
        let rows = cache::load(&places.kept, &places.key);
        if rows.is_none() {
            self.n_damaged.fetch_add(1, Ordering::Relaxed);
        }
        let is_whole = is_whole_picture(&places.copy) && (!self.options.overlays || is_whole_picture(&places.overlay));
        rows.filter(|_| is_whole)
    }

    /// Writes the files of a picture; what says that it is done comes last.
    fn put(&self, job: &PictureJob, made: Made) -> Result<Picture, RunError> {
        let Made { rows, mut seconds, overlay, copy, places } = made;
        let mut clock = Clock(Instant::now());
        if let Some(bytes) = overlay {
            crate::files::make_folders(self.options.out, &places.overlay)
                .map_err(|e| RunError::Unwritable { folder: text(&places.overlay), reason: e.to_string() })?;
            write_atomic(&places.overlay, &bytes)?;
        }
        write_atomic(&places.copy, &copy)?;
        cache::save(&places.kept, &places.key, &rows.0, &rows.1)?;
        clock.lap(&mut seconds.write);
        Ok(self.finished(job, rows, seconds, false))
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
}

/// The rows of a picture with what only the series table says of it.
pub(super) fn as_listed(job: &PictureJob, (mut image, mut ends): (ImageRow, Vec<EndRow>)) -> (ImageRow, Vec<EndRow>) {
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
    let bytes = crate::files::read_regular(path).unwrap_or_default();
    [PNG, JPEG].iter().any(|(begin, end)| bytes.starts_with(begin) && bytes.ends_with(end))
}

/// What a lock holds, as [`held`].
fn inner<T>(mutex: Mutex<T>) -> T {
    mutex.into_inner().unwrap_or_else(std::sync::PoisonError::into_inner)
}
