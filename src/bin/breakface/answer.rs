//! The answer of a run for the terminal: knots in order, specimens with their fractions, what to look at.

use breakface::flag::Severity;
use breakface::knot::flagged::flagged;
use breakface::pipeline::Scores;
use breakface::results::Results;
use breakface::series::Kind;
use breakface::settings::{FaceSettings, Settings};
use breakface::table::{KnotRow, SpecimenRow};
use std::fmt::Write;

/// Specimens and things to look at that are told one by one.
const MOST_SPECIMENS: usize = 12;
const MOST_TO_LOOK_AT: usize = 4;

/// The answer, line by line; empty when there is nothing to tell.
pub fn answer(scores: &Scores, settings: &Settings, results: &str) -> String {
    let mut text = String::new();
    specimens(&mut text, &scores.specimens);
    knots(&mut text, &scores.knots);
    let tables = Results {
        specimens: scores.specimens.clone(),
        knots: scores.knots.clone(),
        pairs: scores.pairs.clone(),
        ..Results::default()
    };
    for sentence in breakface::report::answer(&tables, &settings.report) {
        let _ = writeln!(text, "{sentence}");
    }
    to_look_at(&mut text, scores, &settings.face, results);
    text
}

fn specimens(text: &mut String, rows: &[SpecimenRow]) {
    let kind = |s: &SpecimenRow| s.knot.clone().or(s.kind.map(|k| k.word().to_owned())).unwrap_or_default();
    let shown = &rows[..rows.len().min(MOST_SPECIMENS)];
    let width = |of: &dyn Fn(&SpecimenRow) -> String| shown.iter().map(|s| of(s).chars().count()).max().unwrap_or(0);
    let (names, kinds) = (width(&|s| s.specimen.clone()), width(&kind));
    for s in shown {
        let labelled = s.n_sheared + s.n_tensile;
        let counts = match labelled {
            0 => format!("{} found, none could be labelled", counted(s.n_unclear as usize, "end", "ends")),
            n => format!("{} of {n} labelled ends sheared, {} unclear", s.n_sheared, s.n_unclear),
        };
        let fraction = fraction(s.sheared_fraction, s.sheared_low, s.sheared_high);
        let _ = writeln!(
            text,
            "{:names$}  {:kinds$}  {fraction}{}  ({counts})",
            s.specimen,
            kind(s),
            corrected(s.basis.map_or("", |b| b.word())),
        );
    }
    if rows.len() > shown.len() {
        let _ = writeln!(
            text,
            "... and {} more in specimens.csv",
            counted(rows.len() - shown.len(), "specimen", "specimens")
        );
    }
}

/// What a published fraction is, where it is not the share of labelled ends.
fn corrected(basis: &str) -> &'static str {
    match basis {
        "controls" => ", corrected by the controls",
        "model" => ", corrected by the model's own error",
        _ => "",
    }
}

fn knots(text: &mut String, rows: &[KnotRow]) {
    for of_line in rows.chunk_by(|a, b| a.line == b.line) {
        let line = of_line[0].line.as_ref().map(|l| format!(" in {l}")).unwrap_or_default();
        let ranked = of_line.iter().filter(|k| k.rank.is_some()).count();
        let _ = match ranked {
            0 | 1 => writeln!(text, "Knots{line}:"),
            _ => writeln!(text, "Knots{line}, least sheared first:"),
        };
        let width = of_line.iter().map(|k| k.knot.chars().count()).max().unwrap_or(0);
        let mut sorted: Vec<&KnotRow> = of_line.iter().collect();
        sorted.sort_by_key(|k| k.rank.unwrap_or(u32::MAX));
        for k in sorted {
            let rank = k.rank.filter(|_| 1 < ranked).map_or_else(|| "  ".into(), |r| format!("{r}."));
            let load = match (k.mean_load_n, k.efficiency) {
                (Some(load), Some(e)) => format!(", breaks at {load:.0} N = {:.0} % of the straight pull", 100.0 * e),
                (Some(load), None) => format!(", breaks at {load:.0} N"),
                _ => String::new(),
            };
            let verdict = k.verdict.map(|v| format!(": {}", v.word())).unwrap_or_default();
            let _ = writeln!(
                text,
                "  {rank} {:width$}  {}, {}{load}{verdict}",
                k.knot,
                fraction(k.sheared_fraction, k.sheared_low, k.sheared_high),
                counted(k.n_specimens as usize, "specimen", "specimens"),
            );
        }
    }
}

fn to_look_at(text: &mut String, scores: &Scores, settings: &FaceSettings, results: &str) {
    let mut found = flagged(&scores.specimens, &scores.knots, &[], settings);
    found.retain(|f| f.severity != Severity::Note);
    if found.is_empty() {
        let named = scores.specimens.iter().any(|s| s.kind.is_some());
        if named && !scores.specimens.iter().any(|s| matches!(s.kind, Some(Kind::Cut | Kind::Pull))) {
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
        let _ = writeln!(text, "  ... and {} more: breakface flag {results}", found.len() - MOST_TO_LOOK_AT);
    }
}

/// A fraction with its interval, in percent.
fn fraction(value: Option<f64>, low: Option<f64>, high: Option<f64>) -> String {
    match (value, low, high) {
        (Some(v), Some(l), Some(h)) => {
            format!("{:.0} % sheared ({:.0} to {:.0} %)", 100.0 * v, 100.0 * l, 100.0 * h)
        }
        (Some(v), ..) => format!("{:.0} % sheared", 100.0 * v),
        _ => "no fraction".into(),
    }
}

/// "1 end", "3 ends".
pub fn counted(n: usize, one: &str, many: &str) -> String {
    format!("{n} {}", if n == 1 { one } else { many })
}
