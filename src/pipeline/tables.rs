//! The tables of a run, put in place together; and what there is to say about them.

use super::error::RunError;
use super::folder::{self, ResultFolder};
use super::path_text::text;
use super::scores::Scores;
use crate::flag::{Flag, Warning};
use crate::results::{RUN_FILE, RunFile};
use crate::table::{CsvFile, EndRow, ImageRow, Staged, TableRow, to_csv};
use std::collections::BTreeMap;
use std::path::Path;

/// Columns passed through from the series table: those of each row of `images.csv` and of `ends.csv`.
pub(super) struct Layout<'a> {
    pub pictures: Vec<&'a [(String, String)]>,
    pub ends: Vec<&'a [(String, String)]>,
}

/// Writes all tables and `run.json`: all of them, or none when one cannot be written. `rows` are those of each picture and
/// of its ends, in the order of the tables; they are asked for one after another, and none is held.
///
/// A part of a larger run has no scores: only the whole has. Tables that an earlier run wrote and this one does not are
/// taken away, so that what lies together belongs together.
pub(super) fn put<E: From<RunError>>(
    folder: &ResultFolder,
    layout: Layout<'_>,
    rows: impl Iterator<Item = Result<(ImageRow, Vec<EndRow>), E>>,
    scores: &Scores,
    run_file: &RunFile,
    parquet: bool,
) -> Result<(), E> {
    let scores = run_file.shard.is_none().then_some(scores);
    let mut tables = Tables::new(folder, parquet);
    let mut images = tables.begin::<ImageRow>(&layout.pictures)?;
    let mut ends = tables.begin::<EndRow>(&layout.ends)?;
    for picture in rows {
        let (image, of) = picture?;
        images.push(&image)?;
        of.iter().try_for_each(|end| ends.push(end))?;
    }
    let mut run_file = run_file.clone();
    tables.end(ends)?;
    tables.end(images)?;
    if run_file.shard.is_some() {
        run_file.digests = tables.digests()?;
    }
    tables.add_scores("", scores)?;
    tables.gone.extend(folder::files_of_a_review());
    tables.stage(run_json(folder, &run_file)?);
    Ok(tables.exchange()?)
}

/// `run.json`, ready to be put in place.
pub(super) fn run_json(folder: &ResultFolder, run_file: &RunFile) -> Result<Staged, RunError> {
    let path = folder.file(RUN_FILE);
    let bytes = run_file.to_json().map_err(|e| RunError::Unwritable { folder: text(&path), reason: e.to_string() })?;
    Ok(Staged::new(&path, &bytes)?)
}

/// A table in all its forms while it is written.
struct Growing<T> {
    csv: CsvFile<T>,
    #[cfg(feature = "parquet")]
    parquet: Option<crate::table::ParquetFile<T>>,
}

impl<T: TableRow> Growing<T> {
    fn push(&mut self, row: &T) -> Result<(), RunError> {
        self.csv.push(row)?;
        #[cfg(feature = "parquet")]
        self.parquet.iter_mut().try_for_each(|table| table.push(row))?;
        Ok(())
    }
}

/// Tables that wait to change places together.
pub(super) struct Tables<'a> {
    folder: &'a ResultFolder,
    parquet: bool,
    staged: Vec<Staged>,
    gone: Vec<String>,
}

impl<'a> Tables<'a> {
    pub fn new(folder: &'a ResultFolder, parquet: bool) -> Self {
        Self { folder, parquet, staged: Vec::new(), gone: Vec::new() }
    }

    /// Adds a file.
    pub fn stage(&mut self, file: Staged) {
        self.staged.push(file);
    }

    /// Digests of the CSV files so far, by their names.
    fn digests(&self) -> Result<BTreeMap<String, String>, RunError> {
        let csv = self.staged.iter().filter(|file| file.place().extension().is_some_and(|e| e == "csv"));
        csv.map(|file| Ok((text(Path::new(file.place().file_name().unwrap_or_default())), file.digest()?))).collect()
    }

    /// Adds the files of others.
    pub fn take(&mut self, others: Self) {
        self.staged.extend(others.staged);
        self.gone.extend(others.gone);
    }

    /// Puts all of them in place. A report tells of the tables it was made from, so an older one goes.
    pub fn exchange(mut self) -> Result<(), RunError> {
        self.gone.push(crate::results::REPORT_FILE.into());
        self.folder.put(self.staged, &self.gone)
    }

    /// Adds the tables of scores, their names behind `prefix`; `None` takes them away.
    pub fn add_scores(&mut self, prefix: &str, scores: Option<&Scores>) -> Result<(), RunError> {
        self.add(prefix, scores.map(|s| s.specimens.as_slice()))?;
        self.add(prefix, scores.map(|s| s.sides.as_slice()))?;
        self.add(prefix, scores.map(|s| s.carriers.as_slice()))?;
        self.add(prefix, scores.map(|s| s.knots.as_slice()))?;
        self.add(prefix, scores.map(|s| s.pairs.as_slice()))
    }

    fn begin<T: TableRow>(&mut self, extra: &[&[(String, String)]]) -> Result<Growing<T>, RunError> {
        if !(cfg!(feature = "parquet") && self.parquet) {
            self.gone.push(T::parquet_name());
        }
        Ok(Growing {
            csv: CsvFile::begin(&self.folder.file(&T::csv_name()), extra.iter().copied())?,
            #[cfg(feature = "parquet")]
            parquet: match self.parquet {
                true => {
                    let path = self.folder.file(&T::parquet_name());
                    Some(crate::table::ParquetFile::begin(&path, extra.iter().copied())?)
                }
                false => None,
            },
        })
    }

    fn end<T: TableRow>(&mut self, table: Growing<T>) -> Result<(), RunError> {
        self.staged.push(table.csv.finish()?);
        #[cfg(feature = "parquet")]
        if let Some(table) = table.parquet {
            self.staged.push(table.finish()?);
        }
        Ok(())
    }

    /// Adds a table, its name behind `prefix`; `None` takes it away.
    pub fn add<T: TableRow>(&mut self, prefix: &str, rows: Option<&[T]>) -> Result<(), RunError> {
        let (csv, parquet) = (format!("{prefix}{}", T::csv_name()), format!("{prefix}{}", T::parquet_name()));
        match rows {
            Some(rows) => self.staged.push(Staged::new(&self.folder.file(&csv), &to_csv(rows))?),
            None => self.gone.push(csv),
        }
        match rows {
            #[cfg(feature = "parquet")]
            Some(rows) if self.parquet => {
                let path = self.folder.file(&parquet);
                self.staged.push(Staged::new(&path, &crate::table::to_parquet(&path, rows)?)?);
            }
            _ => self.gone.push(parquet),
        }
        Ok(())
    }
}

/// One line per kind of thing to know, with a count and an example.
pub(super) fn run_warnings(notes: &[String], images: &[ImageRow], scores: &Scores) -> Vec<String> {
    let mut lines = notes.to_vec();
    let (mut n, mut unscaled, mut first) = (0, 0, "");
    let mut by_name: BTreeMap<&str, (usize, String)> = BTreeMap::new();
    for image in images.iter().filter(|i| i.is_done()) {
        n += 1;
        if image.um_per_px.is_none() {
            first = if unscaled == 0 { &image.series.image } else { first };
            unscaled += 1;
        }
        for (name, text) in image.warning_list() {
            by_name.entry(name).or_insert_with(|| (0, format!("{}: {text}", image.series.image))).0 += 1;
        }
    }
    // Said one by one: each names its own two pictures.
    by_name.remove(Flag::SamePicture.name());
    if 0 < unscaled {
        lines.push(format!(
            "no scale for {unscaled} of {n} pictures (e.g. {first}): their lengths stay in pixels; give um_per_px in the series table",
        ));
    }
    lines.extend(by_name.into_values().map(|(count, example)| match count {
        1 => example,
        _ => format!("{example} (and {} more like it)", count - 1),
    }));
    lines.extend(scores.warnings.iter().map(|Warning { text, .. }| text.clone()));
    lines
}
