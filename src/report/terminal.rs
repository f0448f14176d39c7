//! The answer of a run for a terminal: specimens with their fractions, knots in order, what holds, what to look at.

use super::answer::{headline, knots_heading};
use super::phrasing::{self, counted};
use super::sentence::Sentence;
use super::view_model::{Knot, ViewModel};
use crate::flag::Severity;
use crate::knot::flagged::flagged;
use crate::page::values::{fixed, whole_percent};
use crate::results::Results;
use crate::series::Kind;
use crate::settings::{FaceSettings, Settings};
use crate::table::{Basis, History, SpecimenRow};
use std::fmt::Write;

/// Specimens and things to look at that are told one by one.
const MOST_SPECIMENS: usize = 12;
const MOST_TO_LOOK_AT: usize = 4;

/// The answer of a run as plain text, line by line; empty when there is nothing to tell. `folder` is where the results lie.
///
/// Works from the tables of scores; rows of ends and pictures are not needed.
pub fn terminal(results: &Results, settings: &Settings, folder: &str) -> String {
    let view = ViewModel::new(results);
    let mut text = String::new();
    specimens(&mut text, &results.specimens);
    knots(&mut text, &view);
    text.push_str(&histories(&results.specimens));
    for sentence in headline(&view, &settings.report) {
        let _ = writeln!(text, "{}", sentence.plain());
    }
    to_look_at(&mut text, results, &settings.face, folder);
    text
}

fn specimens(text: &mut String, rows: &[SpecimenRow]) {
    let kind = |s: &SpecimenRow| s.knot.clone().or(s.kind.map(|k| k.word().to_owned())).unwrap_or_default();
    let shown = &rows[..rows.len().min(MOST_SPECIMENS)];
    let width = |of: &dyn Fn(&SpecimenRow) -> String| shown.iter().map(|s| of(s).chars().count()).max().unwrap_or(0);
    let (names, kinds) = (width(&|s| s.specimen.clone()), width(&kind));
    for s in shown {
        let counts = match s.n_sheared + s.n_tensile {
            0 => format!("{} found, none could be labelled", counted(s.n_unclear as usize, "end", "ends")),
            n => {
                let labelled = counted(n as usize, "labelled end", "labelled ends");
                format!("{} of {labelled} sheared, {} unclear", s.n_sheared, s.n_unclear)
            }
        };
        let fraction = sheared(s.sheared_fraction, s.sheared_low.zip(s.sheared_high));
        let corrected =
            s.basis.filter(|b| *b != Basis::Raw).map_or_else(String::new, |b| format!(", {}", phrasing::basis(b)));
        let _ = writeln!(text, "{:names$}  {:kinds$}  {fraction}{corrected}  ({counts})", s.specimen, kind(s));
    }
    if rows.len() > shown.len() {
        let more = counted(rows.len() - shown.len(), "specimen", "specimens");
        let _ = writeln!(text, "... and {more} more in specimens.csv");
    }
}

/// Specimens whose order of failure the pictures support, one line for each order.
fn histories(rows: &[SpecimenRow]) -> String {
    let mut text = String::new();
    for history in History::ALL.iter().filter(|h| **h != History::NotKnown) {
        let of: Vec<String> = rows
            .iter()
            .filter(|s| s.history == Some(*history))
            .map(|s| format!("{} ({})", s.specimen, fixed(s.history_probability.unwrap_or(0.0), 2)))
            .collect();
        if !of.is_empty() {
            let more = if MOST_SPECIMENS < of.len() { ", ..." } else { "" };
            let named = of[..of.len().min(MOST_SPECIMENS)].join(", ");
            let _ = writeln!(text, "{}: {named}{more}", phrasing::capital(history.phrase()));
        }
    }
    if text.is_empty() {
        text
    } else {
        format!("Order of failure, with its probability by rendered faces only:\n{text}")
    }
}

fn knots(text: &mut String, view: &ViewModel<'_>) {
    let scored: Vec<&Knot<'_>> = view.knots.iter().filter(|k| k.row.is_some()).collect();
    for of_line in scored.chunk_by(|a, b| a.line == b.line) {
        let ranked = of_line.iter().any(|k| k.rank.is_some());
        let _ = writeln!(text, "{}:", knots_heading(of_line[0].line, ranked).plain());
        let width = of_line.iter().map(|k| k.name.chars().count()).max().unwrap_or(0);
        for knot in of_line {
            let _ = writeln!(text, "  {}", knot_line(knot, width));
        }
    }
}

/// "1. Palomar  25 % (0 to 52 %) sheared, 3 specimens, breaks at 210 N = 62 % of the straight pull: mixed".
fn knot_line(knot: &Knot<'_>, width: usize) -> String {
    let rank = knot.rank.map_or_else(|| "  ".to_owned(), |place| format!("{place}."));
    let mut line = format!("{rank} {:width$}  {}", knot.name, sheared(knot.fraction(), knot.interval()));
    let Some(row) = knot.row else { return line };
    let _ = write!(line, ", {}", counted(row.n_specimens as usize, "specimen", "specimens"));
    if let Some(load) = row.mean_load_n {
        let _ = write!(line, ", breaks at {load:.0} N");
    }
    if let Some(efficiency) = row.efficiency.filter(|_| row.mean_load_n.is_some()) {
        let _ = write!(line, " = {} % of the straight pull", whole_percent(efficiency));
    }
    if let Some(verdict) = row.verdict {
        let _ = write!(line, ": {}", phrasing::verdict_words(verdict));
    }
    line
}

/// "67 % (52 to 79 %) sheared".
fn sheared(fraction: Option<f64>, interval: Option<(f64, f64)>) -> String {
    fraction.map_or_else(
        || "no fraction".to_owned(),
        |value| Sentence::default().fraction(value, interval).text(" sheared").plain(),
    )
}

fn to_look_at(text: &mut String, results: &Results, settings: &FaceSettings, folder: &str) {
    let mut found = flagged(&results.specimens, &results.knots, &[], settings);
    found.retain(|f| f.severity != Severity::Note);
    if found.is_empty() {
        let named = results.specimens.iter().any(|s| s.kind.is_some());
        if named && !results.specimens.iter().any(|s| matches!(s.kind, Some(Kind::Cut | Kind::Pull))) {
            let _ = writeln!(
                text,
                "Nothing was flagged. Without controls (cut, pull) nothing checks the labels on this microscope."
            );
        } else {
            let _ = writeln!(text, "Nothing was flagged.");
        }
        return;
    }
    let _ = writeln!(text, "Look at:");
    for f in found.iter().take(MOST_TO_LOOK_AT) {
        let _ = writeln!(text, "  {} {}: {}", f.about.word(), f.subject, f.evidence);
    }
    if found.len() > MOST_TO_LOOK_AT {
        let _ = writeln!(text, "  ... and {} more: breakface flag {folder}", found.len() - MOST_TO_LOOK_AT);
    }
}
