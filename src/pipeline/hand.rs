//! Hand labels of a folder of results: laid over the model's rows before they are scored, by every command that writes
//! tables. What the model said stays beside it, and both figures with it.

mod applied;

pub use applied::{Applied, BothFractions, Fraction};

use super::error::RunError;
use super::folder::{BEFORE_REVIEW, BOTH, ResultFolder};
use super::path_text::text;
use super::scores::Scores;
use super::tables::{Tables, run_json};
use crate::face::ModelFigures;
use crate::files;
use crate::labels::{HandLabels, ReviewedEnd, read_labels};
use crate::results::{Results, RowCounts, RunFile};
use crate::settings::Settings;
use crate::table::{EndRow, ImageRow, Staged, read_csv, to_csv};
use crate::tree::Label;
use std::path::Path;

/// File of the hand labels in a folder of results.
pub const LABELS_FILE: &str = "labels.csv";

/// The model's rows of all pictures of a run, as the tables would hold them without hand labels.
pub(super) struct ModelRows {
    pub images: Vec<ImageRow>,
    pub ends: Vec<EndRow>,
}

impl ModelRows {
    /// Collects the rows of each picture.
    pub fn collect<E>(rows: impl Iterator<Item = Result<(ImageRow, Vec<EndRow>), E>>) -> Result<Self, E> {
        let (mut images, mut ends) = (Vec::new(), Vec::new());
        for picture in rows {
            let (image, of) = picture?;
            images.push(image);
            ends.extend(of);
        }
        Ok(Self { images, ends })
    }

    /// The model's rows in a folder of results, whether or not hand labels are in place there.
    fn of(results: Results) -> Result<(Self, Option<RunFile>), RunError> {
        let kept = results.folder.join(BEFORE_REVIEW);
        if !has_hand_labels(&results.ends) {
            return Ok((Self { images: results.images, ends: results.ends }, results.run));
        }
        let (images, ends) = (kept.join("images.csv"), kept.join("ends.csv"));
        let rows = match images.is_file() && ends.is_file() {
            true => Self { images: read_csv(&images)?, ends: read_csv(&ends)? },
            false => Self::without_hand_labels(&results),
        };
        Ok((rows, results.run))
    }
}

impl ModelRows {
    /// The rows as they were before review, from those after it, where nobody has kept the former: all but the reason of an
    /// `unclear` that a person has decided.
    fn without_hand_labels(results: &Results) -> Self {
        let before = |end: &EndRow| {
            let counted =
                end.counted || (end.is_no_end() && results.image(&end.image).is_some_and(|i| i.series.counted));
            let reason = if end.label_hand.is_some() { String::new() } else { end.reason.clone() };
            Some(EndRow { label: end.label_model?, label_hand: None, counted, reason, ..end.clone() })
        };
        let ends: Vec<EndRow> = results.ends.iter().filter_map(before).collect();
        Self { images: recounted(&results.images, &ends), ends }
    }
}

/// Whether hand labels are in place in these rows.
pub fn has_hand_labels(ends: &[EndRow]) -> bool {
    ends.iter().any(|e| e.label_hand.is_some())
}

/// The ends of a folder of results as the model labelled them.
///
/// # Errors
/// When hand labels are in place and the tables kept beside them cannot be read.
pub fn model_ends(results: &Results) -> Result<Vec<EndRow>, RunError> {
    Ok(ModelRows::of(results.clone())?.0.ends)
}

/// Digest of the model's rows: tells whether two readings of a folder are of one run.
pub fn rows_digest(ends: &[EndRow]) -> String {
    blake3::hash(&to_csv(ends)).to_hex().to_string()
}

/// The hand labels of a folder; none when there is no file of them.
pub(super) fn labels_in(folder: &Path) -> Result<HandLabels, RunError> {
    let path = folder.join(LABELS_FILE);
    if path.symlink_metadata().is_err() {
        return Ok(HandLabels::default());
    }
    Ok(HandLabels::new(read_labels(&path)?))
}

/// Puts the hand labels of a folder in place, from its saved tables alone: scores and tables are made anew, all of them or
/// none. `digest` is that of the rows that the labels were given on ([`rows_digest`]).
///
/// # Errors
/// When a run is writing there or has written other rows meanwhile, or a table cannot be read or written.
pub fn apply_hand_labels(folder: &Path, digest: &str, figures: Option<&ModelFigures>) -> Result<Applied, RunError> {
    let open = ResultFolder::open_for_scores(folder)?;
    let results = Results::load(folder)?;
    let parquet = folder.join("ends.parquet").is_file();
    let (rows, run) = ModelRows::of(results)?;
    if rows_digest(&rows.ends) != digest {
        return Err(RunError::OtherRows { folder: text(folder) });
    }
    let hand = labels_in(folder)?;
    let settings = run.as_ref().map_or_else(Settings::default, |r| r.settings().0);
    let reviewed = Reviewed::new(&rows, &hand, figures, &settings);
    let run = run.map(|run| RunFile { rows: Some(reviewed.row_counts()), ..run });
    put(&open, &rows, &reviewed, run.as_ref(), parquet)?;
    Ok(reviewed.applied)
}

/// Rows and scores with hand labels in place.
pub(super) struct Reviewed {
    pub images: Vec<ImageRow>,
    pub ends: Vec<EndRow>,
    /// As the model labelled the ends.
    pub before: Scores,
    /// With hand labels in place.
    pub scores: Scores,
    pub applied: Applied,
}

impl Reviewed {
    pub fn new(rows: &ModelRows, hand: &HandLabels, figures: Option<&ModelFigures>, settings: &Settings) -> Self {
        let mut reviewed = Vec::with_capacity(rows.ends.len());
        let mut rest = rows.ends.as_slice();
        for image in &rows.images {
            let here = rest.iter().take_while(|e| e.image == image.series.image).count();
            let (own, others) = rest.split_at(here);
            rest = others;
            let laid = hand.on(image, own, &settings.label);
            reviewed.extend(laid.unwrap_or_else(|| own.iter().map(ReviewedEnd::untouched).collect()));
        }
        let ends: Vec<EndRow> = reviewed.iter().map(|end| end.row.clone()).collect();
        let score = |ends: &[EndRow]| Scores::from_rows(ends, &rows.images, figures, &settings.face);
        let (before, scores) = (score(&rows.ends), score(&ends));
        let mut applied = Applied::new(&reviewed, &before, &scores);
        let known = |image: &&str| rows.images.iter().any(|i| i.series.image == *image);
        let outside = |image: &&ImageRow| 0 < hand.outside(image, &settings.label);
        applied.outside = rows.images.iter().filter(outside).map(|i| i.series.image.clone()).collect();
        applied.pictures_not_here = hand.images().filter(|image| !known(image)).map(str::to_owned).collect();
        Self { images: recounted(&rows.images, &ends), ends, before, scores, applied }
    }

    /// Rows of the tables.
    pub fn row_counts(&self) -> RowCounts {
        RowCounts { ends: self.ends.len(), images: self.images.len() }
    }
}

/// Writes the tables with hand labels in place, those of the model beside them, and `run.json` when it is given, in one
/// exchange.
pub(super) fn put(
    folder: &ResultFolder,
    rows: &ModelRows,
    reviewed: &Reviewed,
    run_file: Option<&RunFile>,
    parquet: bool,
) -> Result<(), RunError> {
    let kept = format!("{BEFORE_REVIEW}/");
    let wrong = |e: std::io::Error| RunError::Unwritable { folder: text(&folder.file(&kept)), reason: e.to_string() };
    files::make_folders(&folder.file(""), &folder.file(BEFORE_REVIEW).join("ends.csv")).map_err(wrong)?;
    let mut tables = Tables::new(folder, parquet);
    tables.add("", Some(&reviewed.images))?;
    tables.add("", Some(&reviewed.ends))?;
    tables.add_scores("", Some(&reviewed.scores))?;
    let mut model = Tables::new(folder, false);
    model.add(&kept, Some(&rows.images))?;
    model.add(&kept, Some(&rows.ends))?;
    model.add_scores(&kept, Some(&reviewed.before))?;
    tables.take(model);
    tables.stage(Staged::new(&folder.file(BOTH), &reviewed.applied.to_csv())?);
    if let Some(run_file) = run_file {
        tables.stage(run_json(folder, run_file)?);
    }
    tables.exchange()
}

/// One line about hand labels in place; empty when there are none.
pub(super) fn line(applied: &Applied) -> Vec<String> {
    let mut lines = Vec::new();
    let ends = |n: usize| if n == 1 { "1 end has".to_owned() } else { format!("{n} ends have") };
    if 0 < applied.n_labelled {
        let added = match applied.n_added {
            0 => String::new(),
            n => format!(", {n} of them where this run has found none"),
        };
        lines.push(format!(
            "{} a label by hand ({LABELS_FILE}){added}; what the model said is in {BEFORE_REVIEW}",
            ends(applied.n_labelled)
        ));
    }
    if let [first, ..] = applied.outside.as_slice() {
        lines.push(format!(
            "{LABELS_FILE} has labels outside {}, e.g. {first}: they do not count; places are pixels from the top left",
            crate::report::counted(applied.outside.len(), "picture", "pictures")
        ));
    }
    if let [first, ..] = applied.pictures_not_here.as_slice() {
        let pictures = match applied.pictures_not_here.len() {
            1 => "1 picture that is".to_owned(),
            n => format!("{n} pictures that are"),
        };
        lines.push(format!(
            "{LABELS_FILE} has labels of {pictures} not part of this run, e.g. {first}; they are kept there"
        ));
    }
    lines
}

fn recounted(images: &[ImageRow], ends: &[EndRow]) -> Vec<ImageRow> {
    let mut counts: std::collections::BTreeMap<&str, [u64; 3]> = std::collections::BTreeMap::new();
    for end in ends.iter().filter(|e| !e.is_no_end()) {
        let place = match end.label {
            Label::Sheared => 0,
            Label::Tensile => 1,
            Label::Unclear => 2,
        };
        counts.entry(&end.image).or_default()[place] += 1;
    }
    let recount = |image: &ImageRow| {
        let mut image = image.clone();
        if image.n_found.is_some() {
            let [sheared, tensile, unclear] = counts.get(image.series.image.as_str()).copied().unwrap_or_default();
            (image.n_sheared, image.n_tensile, image.n_unclear) = (Some(sheared), Some(tensile), Some(unclear));
        }
        image
    };
    images.iter().map(recount).collect()
}
