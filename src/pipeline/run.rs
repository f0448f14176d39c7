//! A series: every picture in parallel, kept as it finishes; then all tables, written in one piece.

use super::folder::{ResultFolder, RunError};
use super::inputs::{Inputs, PictureJob, text};
use super::picture::{Clock, classify_micrograph};
use super::scores::{Scores, model_figures};
use super::source::{self, Source};
use super::{Tools, cache, sites};
use crate::face::site::SameSite;
use crate::flag::Warning;
use crate::measure::FEATURE_SCHEMA;
use crate::micrograph::quality::{picture_quality, quality_warnings};
use crate::micrograph::{Micrograph, ReadError};
use crate::report::overlay::{self, Mark};
use crate::results::{FinderUsed, InputUsed, ModelUsed, RUN_FILE, RUN_SCHEMA, RunFile, StageSeconds};
use crate::series::SeriesRow;
use crate::table::{EndRow, ImageRow, Status, write_atomic, write_csv};
use crate::tree::Label;
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
    /// Set from outside to stop after the pictures under work.
    pub stop: &'a AtomicBool,
}

/// What happens during a run, as it happens; pictures finish in any order.
#[derive(Debug, Clone, PartialEq)]
#[non_exhaustive]
pub enum Event {
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
    /// Break faces and knots.
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
    on_event(Event::Started { pictures: inputs.jobs.len() });
    let series = SeriesRun { tools, options, folder: &folder, digest: cache::tools_digest(tools), on_event };
    let done = series.all_pictures(&inputs.jobs)?;
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
        return Ok(outcome);
    }
    outcome.images.extend(inputs.problems.iter().map(|p| failed_row(&p.series, &p.error.to_string())));
    outcome.images.sort_by(|a, b| a.series.image.cmp(&b.series.image));
    let same = series.count_once(&mut outcome);
    outcome.scores =
        Scores::from_rows(&outcome.ends, &outcome.images, model_figures(&tools.model).as_ref(), &tools.settings.face);
    outcome.warnings = run_warnings(&outcome, inputs);
    outcome.warnings.extend(same);
    write_csv(&folder.file("ends.csv"), &outcome.ends)?;
    write_csv(&folder.file("images.csv"), &outcome.images)?;
    outcome.scores.write(options.out)?;
    let run_file = series.run_file(&outcome, inputs, start, seconds);
    // Plain numbers and strings: this has a JSON form.
    let mut bytes = serde_json::to_vec_pretty(&run_file).unwrap_or_default();
    bytes.push(b'\n');
    write_atomic(&folder.file(RUN_FILE), &bytes)?;
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
                match self.picture(job) {
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
        let overlay_path = self.folder.overlay(&job.series.image);
        if !self.options.force
            && (!self.options.overlays || overlay_path.is_file())
            && let Some((image, ends)) = cache::load(&cached, &key)
        {
            return Ok(self.finished(job, Finished { image, ends, seconds, kept: true }));
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
        sites::save(&sites::copy_path(&cached), &micrograph.grey, &self.tools.settings.face.site)?;
        cache::save(&cached, &key, &image, &rows)?;
        clock.lap(&mut seconds.write);
        Ok(self.finished(job, Finished { image, ends: rows, seconds, kept: false }))
    }

    /// Marks ends that are seen in another picture of the same place; one line for each such pair of pictures.
    fn count_once(&self, outcome: &mut Outcome) -> Vec<String> {
        let settings = &self.tools.settings.face.site;
        let pictures = super::scores::pictures(&outcome.images);
        let copies: Vec<PathBuf> = pictures
            .iter()
            .map(|p| {
                let hash = outcome.images.iter().find(|i| i.series.image == p.series.image);
                let content = hash.map_or("", |i| &i.content_hash);
                let key = cache::key(&self.digest, content, &p.series, self.tools.um_per_px);
                sites::copy_path(&self.folder.cached(&key))
            })
            .collect();
        let found = sites::same_sites(&pictures, &copies, settings);
        crate::face::site::count_once(&mut outcome.ends, &found, settings);
        found.iter().map(SameSite::line).collect()
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
            wall_s: crate::table::tidy(start.elapsed().as_secs_f64()),
            stage_s: seconds,
            warnings: outcome.warnings.clone(),
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

fn failed_row(series: &SeriesRow, error: &str) -> ImageRow {
    ImageRow { series: series.clone(), status: Status::Failed, error: error.into(), ..ImageRow::default() }
}

/// What is known of a picture once its ends are.
fn image_row(micrograph: &Micrograph, ends: &[EndRow], content_hash: String, tools: &Tools) -> ImageRow {
    let settings = &tools.settings;
    let count = |label| Some(ends.iter().filter(|e| e.label == label).count() as u64);
    let median_px = median(ends.iter().filter_map(|e| e.features.get("shaft_diameter_px")).collect());
    let quality = picture_quality(micrograph, &settings.quality);
    let strange = ends.iter().filter(|e| !tools.model.out_of_range(&e.features).is_empty()).count();
    let strange = (!ends.is_empty()).then(|| strange as f64 / ends.len() as f64);
    let mut warnings = micrograph.warnings.clone();
    warnings.extend(quality_warnings(&quality, median_px, &settings.quality));
    if let Some(share) = strange.filter(|s| settings.label.out_of_range_share < *s) {
        let text = format!("{:.0} % of the ends are unlike those the model learnt from", share * 100.0);
        warnings.push(Warning::new("out_of_range", text));
    }
    ImageRow {
        um_per_px: micrograph.scale.map(|s| s.um_per_px()),
        u_um_per_px: micrograph.scale.and_then(|s| Some(s.relative_u? * s.um_per_px())),
        scale_source: micrograph.scale.map(|s| s.source.word().to_owned()),
        width_px: Some(micrograph.grey.width().into()),
        height_px: Some(micrograph.grey.height().into()),
        n_found: Some(ends.len() as u64),
        n_sheared: count(Label::Sheared),
        n_tensile: count(Label::Tensile),
        n_unclear: count(Label::Unclear),
        median_shaft_diameter_px: median_px,
        median_shaft_diameter_um: median_px.zip(micrograph.scale).map(|(d, s)| d * s.um_per_px()),
        burnt_in_boxes: Some(micrograph.burnt_in.len() as u64),
        sharpness: quality.sharpness,
        clipped_low: Some(quality.clipped_low),
        clipped_high: Some(quality.clipped_high),
        noise: Some(quality.noise),
        blockiness: Some(quality.blockiness),
        out_of_range_share: strange,
        warnings: ImageRow::join_warnings(&warnings),
        content_hash,
        ..ImageRow::default()
    }
    .tidied()
}

fn median(mut values: Vec<f64>) -> Option<f64> {
    values.sort_by(f64::total_cmp);
    let middle = values.len() / 2;
    match values.len() % 2 {
        _ if values.is_empty() => None,
        1 => Some(values[middle]),
        _ => Some((values[middle - 1] + values[middle]) / 2.0),
    }
}

/// One line per kind of thing to know, with a count and an example.
fn run_warnings(outcome: &Outcome, inputs: &Inputs) -> Vec<String> {
    let mut lines = inputs.notes.clone();
    let done = || outcome.images.iter().filter(|i| i.status == Status::Done);
    let unscaled: Vec<&str> = done().filter(|i| i.um_per_px.is_none()).map(|i| i.series.image.as_str()).collect();
    if let Some(first) = unscaled.first() {
        lines.push(format!(
            "no scale for {} of {} pictures (e.g. {first}): their lengths stay in pixels; give um_per_px in the series table",
            unscaled.len(),
            done().count()
        ));
    }
    let mut by_name: std::collections::BTreeMap<&str, (usize, String)> = std::collections::BTreeMap::new();
    for image in done() {
        for (name, text) in image.warning_list() {
            by_name.entry(name).or_insert_with(|| (0, format!("{}: {text}", image.series.image))).0 += 1;
        }
    }
    lines.extend(by_name.into_values().map(|(count, example)| match count {
        1 => example,
        _ => format!("{example} (and {} more like it)", count - 1),
    }));
    lines.extend(outcome.scores.warnings.iter().map(|Warning { text, .. }| text.clone()));
    lines
}
