//! The second half of a run and of a merge: finished pictures -> what counts, break faces and knots, all tables.

use super::error::RunError;
use super::folder::{ResultFolder, RunState};
use super::hand::{self, ModelRows, Reviewed};
use super::row::table_order;
use super::scores::{Scores, model_figures};
use super::{repeats, sites, tables};
use crate::face::{End, Ends};
use crate::labels::HandLabels;
use crate::results::{RowCounts, RunFile};
use crate::settings::FaceSettings;
use crate::table::{EndRow, ImageRow};
use crate::tree::Model;
use std::path::PathBuf;

/// Finished pictures: the row of each with the number of its source, and what scoring needs of their ends.
pub(super) struct Finished<'a> {
    /// Rows of `images.csv`, in any order.
    pub images: Vec<(usize, ImageRow)>,
    /// The ends of each picture that was read.
    pub ends: Ends,
    /// How the inputs were understood.
    pub notes: Vec<String>,
    /// What the run says of itself, but for its warnings and counts of rows.
    pub run_file: RunFile,
    /// The model that labelled.
    pub model: &'a Model,
    /// Settings of scoring.
    pub settings: &'a FaceSettings,
    /// Write the tables as Parquet too.
    pub parquet: bool,
    /// Whether the overlays of these pictures lie in the folder; those of others are taken away.
    pub overlays: bool,
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

/// Where the rows of ends lie until the tables are written, and the small copies of the pictures.
pub(super) trait RowSource {
    /// Why rows cannot be read.
    type Error: From<RunError>;

    /// Where the small copy of a picture is.
    fn copy(&self, source: usize, image: &ImageRow) -> PathBuf;

    /// The rows of the ends of a picture; `known` is what scoring knew of them. Asked for in the order of the tables.
    fn ends(&mut self, source: usize, image: &ImageRow, known: &[End]) -> Result<Vec<EndRow>, Self::Error>;
}

/// Decides what counts, scores, and puts all tables in place; then the run has ended.
///
/// A part of a larger run has no scores, and what counts is decided when the parts are joined.
pub(super) fn finish<S: RowSource>(
    folder: ResultFolder,
    mut finished: Finished<'_>,
    source: &mut S,
) -> Result<Outcome, S::Error> {
    finished.images.sort_by(|(_, a), (_, b)| table_order(a, b));
    let (from, mut images): (Vec<usize>, Vec<ImageRow>) = std::mem::take(&mut finished.images).into_iter().unzip();
    let mut ends = std::mem::take(&mut finished.ends);
    let is_whole = finished.run_file.shard.is_none();
    let mut said = if is_whole { repeats::count_once(&mut images) } else { Vec::new() };
    // Ends count when their picture does, until it is known which are seen twice.
    for image in images.iter().filter(|i| i.is_done()) {
        let of = ends.get_mut(&image.series.image).into_iter().flatten();
        of.for_each(|end| end.counted = image.series.counted);
    }
    let mut outcome = counted(&images, &ends, &finished.run_file);
    if is_whole {
        let copy = |i: usize| source.copy(from[i], &images[i]);
        said.extend(sites::count_once(&mut ends, &images, &copy, &finished.settings.site));
    }
    let hand = if is_whole { hand::labels_in(&folder.file(""))? } else { HandLabels::default() };
    if is_whole && hand.is_empty() {
        outcome.scores = Scores::from_ends(&ends, &images, model_figures(finished.model).as_ref(), finished.settings);
    }
    let settings = finished.run_file.settings().0;
    let model_rows = match hand.is_empty() {
        true => None,
        false => Some(ModelRows::collect(rows(&images, &from, &ends, source))?),
    };
    let reviewed =
        model_rows.as_ref().map(|r| Reviewed::new(r, &hand, model_figures(finished.model).as_ref(), &settings));
    if let Some(reviewed) = &reviewed {
        outcome.scores = reviewed.scores.clone();
        outcome.n_ends = reviewed.ends.len();
        said.extend(hand::line(&reviewed.applied));
    }
    outcome.warnings = tables::run_warnings(&finished.notes, &images, &outcome.scores);
    outcome.warnings.append(&mut said);
    let mut run_file = finished.run_file;
    run_file.warnings.clone_from(&outcome.warnings);
    run_file.rows = Some(RowCounts { ends: outcome.n_ends, images: outcome.n_images });
    let has_ends = |image: &ImageRow| ends.get(&image.series.image).is_some_and(|e| !e.is_empty());
    let layout = tables::Layout {
        pictures: images.iter().map(|i| i.series.extra.as_slice()).collect(),
        ends: images.iter().filter(|i| has_ends(i)).map(|i| i.series.extra.as_slice()).collect(),
    };
    match (&model_rows, &reviewed) {
        (Some(rows), Some(reviewed)) => hand::put(&folder, rows, reviewed, Some(&run_file), finished.parquet)?,
        _ => {
            let rows = rows(&images, &from, &ends, source);
            tables::put(&folder, layout, rows, &outcome.scores, &run_file, finished.parquet)?;
        }
    }
    let drawn = images.iter().filter(|i| finished.overlays && i.is_done()).map(|i| i.series.image.as_str());
    folder.keep_overlays(drawn)?;
    folder.close(RunState::Finished)?;
    Ok(outcome)
}

/// The rows of each picture and of its ends as the model labelled them, in the order of the tables.
fn rows<'a, S: RowSource>(
    images: &'a [ImageRow],
    from: &'a [usize],
    ends: &'a Ends,
    source: &'a mut S,
) -> impl Iterator<Item = Result<(ImageRow, Vec<EndRow>), S::Error>> + use<'a, S> {
    images.iter().zip(from).map(move |(image, from)| {
        let known = if image.is_done() { ends.get(&image.series.image).map_or(&[][..], Vec::as_slice) } else { &[] };
        let mut rows = if known.is_empty() { Vec::new() } else { source.ends(*from, image, known)? };
        rows.iter_mut().zip(known).for_each(|(row, end)| row.counted = end.counted);
        Ok((image.clone(), rows))
    })
}

/// How many pictures, ends and failures there are.
fn counted(images: &[ImageRow], ends: &Ends, run_file: &RunFile) -> Outcome {
    // Rows that are no input are rows of a series table that could not be used.
    let n_bad_rows = images.len() - run_file.inputs.len();
    let n_failed = images.iter().filter(|i| !i.is_done()).count();
    Outcome {
        n_images: images.len(),
        n_ends: ends.values().map(Vec::len).sum(),
        n_bad_rows,
        n_failed: n_failed - n_bad_rows,
        ..Outcome::default()
    }
}
