//! The tables of a run, put in place together; and what there is to say about them.

use super::Scores;
use super::folder::{ResultFolder, RunError};
use crate::flag::Warning;
use crate::results::{RUN_FILE, RunFile};
use crate::table::{CsvFile, EndRow, ImageRow, Staged, TableRow, split_warnings, to_csv};
use std::collections::BTreeMap;

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
    let mut tables = Tables { folder, parquet, staged: Vec::new(), gone: Vec::new() };
    let mut images = tables.begin::<ImageRow>("images", &layout.pictures)?;
    let mut ends = tables.begin::<EndRow>("ends", &layout.ends)?;
    for picture in rows {
        let (image, of) = picture?;
        images.push(&image)?;
        of.iter().try_for_each(|end| ends.push(end))?;
    }
    tables.end(ends)?;
    tables.end(images)?;
    tables.add("specimens", scores.map(|s| s.specimens.as_slice()))?;
    tables.add("sides", scores.map(|s| s.sides.as_slice()))?;
    tables.add("carriers", scores.map(|s| s.carriers.as_slice()))?;
    tables.add("knots", scores.map(|s| s.knots.as_slice()))?;
    tables.add("pairs", scores.map(|s| s.pairs.as_slice()))?;
    // Plain numbers and strings: this has a JSON form.
    let mut bytes = serde_json::to_vec_pretty(run_file).unwrap_or_default();
    bytes.push(b'\n');
    tables.staged.push(Staged::new(&folder.file(RUN_FILE), &bytes).map_err(RunError::from)?);
    Ok(folder.put(tables.staged, &tables.gone)?)
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

struct Tables<'a> {
    folder: &'a ResultFolder,
    parquet: bool,
    staged: Vec<Staged>,
    gone: Vec<String>,
}

impl Tables<'_> {
    fn begin<T: TableRow>(&mut self, stem: &str, extra: &[&[(String, String)]]) -> Result<Growing<T>, RunError> {
        if !(cfg!(feature = "parquet") && self.parquet) {
            self.gone.push(format!("{stem}.parquet"));
        }
        Ok(Growing {
            csv: CsvFile::begin(&self.folder.file(&format!("{stem}.csv")), extra.iter().copied())?,
            #[cfg(feature = "parquet")]
            parquet: match self.parquet {
                true => {
                    let path = self.folder.file(&format!("{stem}.parquet"));
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

    fn add<T: TableRow>(&mut self, stem: &str, rows: Option<&[T]>) -> Result<(), RunError> {
        let (csv, parquet) = (format!("{stem}.csv"), format!("{stem}.parquet"));
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

/// What a picture that was read adds to what there is to know about its run.
pub(super) struct Said<'a> {
    pub image: &'a str,
    /// Whether its scale is known.
    pub scaled: bool,
    /// Its warnings as one cell.
    pub warnings: &'a str,
}

/// One line per kind of thing to know, with a count and an example.
pub(super) fn run_warnings<'a>(
    notes: &[String],
    pictures: impl Iterator<Item = Said<'a>>,
    scores: &Scores,
) -> Vec<String> {
    let mut lines = notes.to_vec();
    let (mut n, mut unscaled, mut first) = (0, 0, "");
    let mut by_name: BTreeMap<&str, (usize, String)> = BTreeMap::new();
    for picture in pictures {
        n += 1;
        if !picture.scaled {
            first = if unscaled == 0 { picture.image } else { first };
            unscaled += 1;
        }
        for (name, text) in split_warnings(picture.warnings) {
            by_name.entry(name).or_insert_with(|| (0, format!("{}: {text}", picture.image))).0 += 1;
        }
    }
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
