//! Progress of a run: a bar on a terminal, JSON Lines on request, plain lines for what goes wrong.

use breakface::pipeline::{Event, Outcome};
use breakface::series::RowProblem;
use breakface::table::ImageRow;
use indicatif::{ProgressBar, ProgressStyle};
use serde_json::json;
use std::io::{IsTerminal, Write};
use std::path::Path;

/// Format of the JSON Lines.
const SCHEMA: &str = "breakface-events/1";

/// Shows a run while it goes on.
pub struct Progress {
    bar: ProgressBar,
    json: bool,
    quiet: bool,
}

impl Progress {
    /// A bar on a terminal unless `quiet` or `json`; nothing when piped.
    pub fn new(json: bool, quiet: bool) -> Self {
        let bar = if json || quiet || !std::io::stderr().is_terminal() {
            ProgressBar::hidden()
        } else {
            let template = "{bar:30} {pos}/{len} pictures  {per_sec}  {eta} left  {msg}";
            ProgressBar::new(0)
                .with_style(ProgressStyle::with_template(template).unwrap_or(ProgressStyle::default_bar()))
        };
        Self { bar, json, quiet }
    }

    /// Shows one event.
    pub fn show(&self, event: &Event) {
        match event {
            Event::Note { text } => {
                self.line(|| json!({"type": "note", "text": text}));
                if !self.quiet && !self.json {
                    self.bar.suspend(|| eprintln!("note: {text}"));
                }
            }
            Event::Started { pictures } => {
                self.bar.set_length(*pictures as u64);
                self.line(|| json!({"type": "started", "pictures": pictures}));
            }
            Event::Done { image, kept } => {
                self.bar.inc(1);
                self.line(|| done_line(image, *kept));
            }
            Event::Failed { image, error } => {
                self.bar.inc(1);
                self.say(error);
                self.line(|| json!({"type": "failed", "image": image, "error": error}));
            }
            _ => {}
        }
    }

    /// Errors go to standard error, even when quiet.
    fn say(&self, text: &str) {
        self.bar.suspend(|| eprintln!("breakface: {text}"));
    }

    fn line(&self, event: impl FnOnce() -> serde_json::Value) {
        if !self.json {
            return;
        }
        let mut event = event();
        event["schema"] = SCHEMA.into();
        // A reader that went away must not end the run: its results are on disk.
        let _ = writeln!(std::io::stdout().lock(), "{event}");
    }

    /// What came out, and where to look; `n` pictures were asked for.
    pub fn finish(&self, problems: &[RowProblem], n: usize, outcome: &Outcome, out: &Path, page: Option<&Path>) {
        self.bar.finish_and_clear();
        for problem in problems {
            self.say(&problem.error.to_string());
        }
        if outcome.stopped {
            let text = format!(
                "stopped: {} of {} pictures are done and kept in {}; run the same command again to go on",
                outcome.n_images,
                n,
                out.display()
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
                "knots": outcome.scores.knots.len()})
        });
        if self.quiet || self.json {
            return;
        }
        for warning in &outcome.warnings {
            eprintln!("note: {warning}");
        }
        println!("{}", summary(outcome, out, page));
    }
}

fn done_line(image: &ImageRow, kept: bool) -> serde_json::Value {
    json!({"type": "done", "image": image.series.image, "specimen": image.series.specimen, "kept": kept,
        "found": image.n_found, "sheared": image.n_sheared, "tensile": image.n_tensile, "unclear": image.n_unclear})
}

fn summary(outcome: &Outcome, out: &Path, page: Option<&Path>) -> String {
    use std::fmt::Write;
    let mut text = String::new();
    let done = outcome.n_images - outcome.n_failed - outcome.n_bad_rows;
    let _ = write!(text, "{done} pictures, {} ends", outcome.n_ends);
    if 0 < outcome.n_kept {
        let _ = write!(text, " ({} pictures kept from an earlier run)", outcome.n_kept);
    }
    for specimen in &outcome.scores.specimens {
        let share = |v: Option<f64>| v.map_or_else(|| "?".into(), |v| format!("{:.0}", v * 100.0));
        let _ = write!(
            text,
            "\n{}  {}  {} % sheared ({} to {} %)  {} sheared, {} tensile, {} unclear",
            specimen.specimen,
            specimen.knot.as_deref().or(specimen.kind.map(breakface::series::Kind::word)).unwrap_or("-"),
            share(specimen.sheared_fraction),
            share(specimen.sheared_low),
            share(specimen.sheared_high),
            specimen.n_sheared,
            specimen.n_tensile,
            specimen.n_unclear
        );
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
    text
}
