//! Progress of a run: a bar on a terminal, JSON Lines on request, plain lines for what goes wrong.

use crate::cmd::output::Output;
use breakface::pipeline::{Event, Outcome};
use breakface::report::{answer, counted, terminal};
use breakface::results::Results;
use breakface::series::RowProblem;
use breakface::settings::Settings;
use breakface::table::ImageRow;
use indicatif::{ProgressBar, ProgressStyle};
use serde_json::json;
use std::io::{IsTerminal, Write};
use std::path::Path;
use std::sync::Mutex;
use std::time::{Duration, Instant};

/// Format of the JSON Lines.
const SCHEMA: &str = "breakface-events/1";

/// Shows a run while it goes on.
pub struct Progress {
    bar: ProgressBar,
    json: bool,
    quiet: bool,
    /// When the last plain line of progress was written; `None` = no such lines are wanted.
    lines: Option<Mutex<Instant>>,
}

/// A run that has ended, as it is told.
pub struct Ended<'a> {
    /// Rows of series tables that could not be used.
    pub problems: &'a [RowProblem],
    /// Pictures asked for.
    pub n_asked: usize,
    /// What came out.
    pub outcome: &'a Outcome,
    /// Folder of the results.
    pub out: &'a Path,
    /// Its report page, when there is one.
    pub page: Option<&'a Path>,
    /// Settings of the run.
    pub settings: &'a Settings,
}

/// Time between two plain lines of progress.
const BETWEEN_LINES: Duration = Duration::from_secs(5);

impl Progress {
    /// A bar on a terminal unless quiet or JSON are asked for; when piped nothing, or plain lines on request.
    pub fn new(output: &Output) -> Self {
        let (json, quiet) = (output.json, output.quiet);
        let bar = if json || quiet || output.progress || !std::io::stderr().is_terminal() {
            ProgressBar::hidden()
        } else {
            let template = "{bar:30} {pos}/{len} pictures  {per_sec}  {eta} left  {msg}";
            ProgressBar::new(0)
                .with_style(ProgressStyle::with_template(template).unwrap_or(ProgressStyle::default_bar()))
        };
        let lines = output.progress.then(|| Mutex::new(Instant::now()));
        Self { bar, json, quiet, lines }
    }

    /// One more picture is done: a plain line now and then, and with the last one.
    fn advance(&self) {
        self.bar.inc(1);
        let Some(last) = &self.lines else { return };
        let mut last = last.lock().unwrap_or_else(std::sync::PoisonError::into_inner);
        let (done, all) = (self.bar.position(), self.bar.length().unwrap_or(0));
        if BETWEEN_LINES <= last.elapsed() || done == all {
            *last = Instant::now();
            let _ = writeln!(std::io::stderr(), "{done} of {all} pictures");
        }
    }

    /// Shows one event.
    pub fn show(&self, event: &Event) {
        match event {
            Event::Note { text } => {
                self.line(|| json!({"type": "note", "text": text}));
                if !self.quiet && !self.json {
                    self.bar.suspend(|| note!("note: {text}"));
                }
            }
            Event::Started { pictures } => {
                self.bar.set_length(*pictures as u64);
                self.line(|| json!({"type": "started", "pictures": pictures}));
            }
            Event::Done { image, kept } => {
                self.advance();
                self.line(|| done_line(image, *kept));
            }
            Event::Failed { image, error } => {
                self.advance();
                self.say(error);
                self.line(|| json!({"type": "failed", "image": image, "error": error}));
            }
            _ => {}
        }
    }

    /// Errors go to standard error, even when quiet.
    fn say(&self, text: &str) {
        self.bar.suspend(|| note!("breakface: {text}"));
    }

    fn line(&self, event: impl FnOnce() -> serde_json::Value) {
        if !self.json {
            return;
        }
        let mut event = event();
        event["schema"] = SCHEMA.into();
        // A reader that went away must not end the run: its results are on disk.
        tell!("{event}");
    }

    /// What came out, and where to look.
    pub fn finish(&self, ended: &Ended<'_>) {
        let outcome = ended.outcome;
        self.bar.finish_and_clear();
        for problem in ended.problems {
            self.say(&problem.error.to_string());
        }
        if outcome.stopped {
            let text = format!(
                "stopped: {} of {} pictures are done and kept in {}; run the same command again to go on",
                outcome.n_images,
                ended.n_asked,
                ended.out.display()
            );
            self.say(&text);
            self.line(|| json!({"type": "stopped", "done": outcome.n_images}));
            return;
        }
        for warning in &outcome.warnings {
            self.line(|| json!({"type": "warning", "text": warning}));
        }
        self.line(|| {
            json!({"type": "finished", "pictures": outcome.n_images, "failed": outcome.n_failed,
                "kept": outcome.n_kept, "ends": outcome.n_ends, "specimens": outcome.scores.specimens.len(),
                "knots": outcome.scores.knots.len(), "answer": answer(&tables(outcome), &ended.settings.report)})
        });
        if self.quiet || self.json {
            return;
        }
        for warning in &outcome.warnings {
            note!("warning: {warning}");
        }
        // A reader that went away must not end the run: its results are on disk.
        tell!("{}", summary(ended));
    }
}

fn done_line(image: &ImageRow, kept: bool) -> serde_json::Value {
    json!({"type": "done", "image": image.series.image, "specimen": image.series.specimen, "kept": kept,
        "found": image.n_found, "sheared": image.n_sheared, "tensile": image.n_tensile, "unclear": image.n_unclear})
}

/// Where everything is, and last the answer.
fn summary(ended: &Ended<'_>) -> String {
    use std::fmt::Write;
    let Ended { outcome, out, page, settings, .. } = *ended;
    let mut text = String::new();
    let done = outcome.n_images - outcome.n_failed - outcome.n_bad_rows;
    let _ = write!(text, "{}, {}", counted(done, "picture", "pictures"), counted(outcome.n_ends, "end", "ends"));
    if 0 < outcome.n_kept {
        let _ = write!(text, " ({} kept from an earlier run)", counted(outcome.n_kept, "picture", "pictures"));
    }
    let place = out.display();
    if outcome.scores.specimens.is_empty() {
        let _ = write!(text, "\nTables in {place}/ends.csv, images.csv; `breakface merge` joins the parts of a run");
        return text;
    }
    let _ = write!(
        text,
        "\nTables in {place}/ends.csv, images.csv, specimens.csv, knots.csv; marked pictures in {place}/overlays"
    );
    if let Some(page) = page {
        let _ = write!(text, "\nReport: {}", page.display());
    }
    let _ = write!(text, "\n\n{}", terminal(&tables(outcome), settings, &place.to_string()).trim_end());
    text
}

/// The scores of a run as the tables that the answer is said from.
fn tables(outcome: &Outcome) -> Results {
    let scores = &outcome.scores;
    Results {
        specimens: scores.specimens.clone(),
        knots: scores.knots.clone(),
        pairs: scores.pairs.clone(),
        ..Results::default()
    }
}
