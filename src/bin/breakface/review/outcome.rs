//! What hand labels change: tables and scores after review, beside those of the model.

use std::path::Path;

use anyhow::Context;
use breakface::labels::{HandLabel, ReviewedEnd, with_hand_labels};
use breakface::pipeline::{Scores, model_figures};
use breakface::results::{RowCounts, write_row_counts};
use breakface::table::{EndRow, ImageRow, guard_formula, write_atomic, write_csv};
use breakface::tree::Label;
use serde::Serialize;

use super::session::Session;

/// Folder within the results that keeps the tables as the model made them.
pub const BEFORE: &str = "before_review";
/// File within the results that holds a model learnt from hand labels.
pub const MODEL_FILE: &str = "model.json";
/// The table of both figures.
const BOTH: &str = "review.csv";

/// Scores before and after.
#[derive(Debug, Serialize)]
pub struct Applied {
    n_labelled: usize,
    n_changed: usize,
    n_added: usize,
    n_not_an_end: usize,
    specimens: Vec<Score>,
    knots: Vec<Score>,
    written: Vec<String>,
}

/// The sheared fraction of a specimen or knot, as labelled by the model and after review.
#[derive(Debug, Serialize)]
struct Score {
    name: String,
    n_hand: Option<usize>,
    model: Fraction,
    reviewed: Fraction,
}

#[derive(Debug, Clone, Copy, Default, Serialize)]
struct Fraction {
    value: Option<f64>,
    low: Option<f64>,
    high: Option<f64>,
}

/// Whether hand labels are in place in these rows.
pub fn has_hand_labels(ends: &[EndRow]) -> bool {
    ends.iter().any(|e| e.label_hand.is_some())
}

/// Recomputes tables and scores with hand labels in place; the model's own stay in [`BEFORE`].
pub fn apply(session: &Session) -> anyhow::Result<Applied> {
    let run = &session.run;
    let images: Vec<ImageRow> = run.pictures.iter().map(|p| p.row.clone()).collect();
    let figures = model_figures(&run.model);
    let score = |ends: &[EndRow]| Scores::from_rows(ends, &images, figures.as_ref(), &run.settings.face);
    let reviewed = with_hand_labels(&run.ends, &session.placed_rows());
    let rows: Vec<EndRow> = reviewed.iter().map(|e| e.row.clone()).collect();
    let (before, after) = (score(&run.ends), score(&rows));
    let applied = summary(&reviewed, &before, &after);
    let kept = run.folder.join(BEFORE);
    std::fs::create_dir_all(&kept).with_context(|| format!("{}: cannot be made", kept.display()))?;
    write_csv(&kept.join("ends.csv"), &run.ends)?;
    write_csv(&kept.join("images.csv"), &images)?;
    before.write(&kept)?;
    after.write(&run.folder)?;
    write_csv(&run.folder.join("images.csv"), &recounted(images, &rows))?;
    write_both(&run.folder.join(BOTH), &applied)?;
    write_row_counts(&run.folder, RowCounts { ends: rows.len(), images: run.pictures.len() })?;
    // Last: this table tells that all of it is in place.
    write_csv(&run.folder.join("ends.csv"), &rows)?;
    Ok(applied)
}

fn recounted(mut images: Vec<ImageRow>, ends: &[EndRow]) -> Vec<ImageRow> {
    for image in &mut images {
        if image.n_found.is_none() {
            continue;
        }
        let count = |label: Label| {
            let in_picture = ends.iter().filter(|e| e.image == image.series.image && e.label == label);
            Some(in_picture.filter(|e| !e.is_no_end()).count() as u64)
        };
        (image.n_sheared, image.n_tensile) = (count(Label::Sheared), count(Label::Tensile));
        image.n_unclear = count(Label::Unclear);
    }
    images
}

fn summary(reviewed: &[ReviewedEnd], before: &Scores, after: &Scores) -> Applied {
    let labelled = || reviewed.iter().filter(|e| e.hand.is_some());
    let is_gone = |e: &ReviewedEnd| e.hand == Some(HandLabel::NotAnEnd);
    let specimens = after.specimens.iter().map(|s| Score {
        name: s.specimen.clone(),
        n_hand: Some(labelled().filter(|e| e.row.specimen == s.specimen).count()),
        model: before
            .specimens
            .iter()
            .find(|b| b.specimen == s.specimen)
            .map(|b| Fraction { value: b.sheared_fraction, low: b.sheared_low, high: b.sheared_high })
            .unwrap_or_default(),
        reviewed: Fraction { value: s.sheared_fraction, low: s.sheared_low, high: s.sheared_high },
    });
    let knots = after.knots.iter().map(|k| Score {
        name: [Some(k.knot.as_str()), k.line.as_deref()].into_iter().flatten().collect::<Vec<_>>().join(", "),
        n_hand: None,
        model: before
            .knots
            .iter()
            .find(|b| b.knot == k.knot && b.line == k.line)
            .map(|b| Fraction { value: b.sheared_fraction, low: b.sheared_low, high: b.sheared_high })
            .unwrap_or_default(),
        reviewed: Fraction { value: k.sheared_fraction, low: k.sheared_low, high: k.sheared_high },
    });
    Applied {
        n_labelled: labelled().count(),
        n_changed: labelled().filter(|e| is_gone(e) || e.model.is_some_and(|m| m != e.row.label)).count(),
        n_added: reviewed.iter().filter(|e| e.model.is_none()).count(),
        n_not_an_end: reviewed.iter().filter(|e| is_gone(e)).count(),
        specimens: specimens.collect(),
        knots: knots.collect(),
        written: [
            "ends.csv",
            "images.csv",
            "specimens.csv",
            "sides.csv",
            "carriers.csv",
            "knots.csv",
            "pairs.csv",
            BOTH,
        ]
        .map(String::from)
        .to_vec(),
    }
}

fn write_both(path: &Path, applied: &Applied) -> anyhow::Result<()> {
    let mut writer = csv::WriterBuilder::new().terminator(csv::Terminator::CRLF).from_writer(Vec::new());
    writer.write_record([
        "of",
        "name",
        "n_hand_labels",
        "sheared_fraction_model",
        "sheared_low_model",
        "sheared_high_model",
        "sheared_fraction_reviewed",
        "sheared_low_reviewed",
        "sheared_high_reviewed",
    ])?;
    let text = |v: Option<f64>| v.map(breakface::table::format_number).unwrap_or_default();
    for (of, scores) in [("specimen", &applied.specimens), ("knot", &applied.knots)] {
        for score in scores {
            let mut record = vec![of.to_owned(), guard_formula(&score.name)];
            record.push(score.n_hand.map(|n| n.to_string()).unwrap_or_default());
            for fraction in [score.model, score.reviewed] {
                record.extend([fraction.value, fraction.low, fraction.high].map(text));
            }
            writer.write_record(record)?;
        }
    }
    Ok(write_atomic(path, &writer.into_inner().context("review.csv could not be put together")?)?)
}
