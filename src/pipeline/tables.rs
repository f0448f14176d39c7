//! The tables of a run, put in place together; and what there is to say about them.

use super::Outcome;
use super::folder::{ResultFolder, RunError};
use crate::flag::Warning;
use crate::results::{RUN_FILE, RunFile};
use crate::table::{Staged, Status, TableRow, to_csv};

/// Writes all tables and `run.json`: all of them, or none when one cannot be written.
///
/// A part of a larger run has no scores: only the whole has. Tables that an earlier run wrote and this one does not are
/// taken away, so that what lies together belongs together.
pub(super) fn put(folder: &ResultFolder, outcome: &Outcome, run_file: &RunFile, parquet: bool) -> Result<(), RunError> {
    let scores = run_file.shard.is_none().then_some(&outcome.scores);
    let mut tables = Tables { folder, parquet, staged: Vec::new(), gone: Vec::new() };
    tables.add("ends", Some(&outcome.ends))?;
    tables.add("images", Some(&outcome.images))?;
    tables.add("specimens", scores.map(|s| s.specimens.as_slice()))?;
    tables.add("sides", scores.map(|s| s.sides.as_slice()))?;
    tables.add("carriers", scores.map(|s| s.carriers.as_slice()))?;
    tables.add("knots", scores.map(|s| s.knots.as_slice()))?;
    tables.add("pairs", scores.map(|s| s.pairs.as_slice()))?;
    // Plain numbers and strings: this has a JSON form.
    let mut bytes = serde_json::to_vec_pretty(run_file).unwrap_or_default();
    bytes.push(b'\n');
    tables.staged.push(Staged::new(&folder.file(RUN_FILE), &bytes)?);
    folder.put(tables.staged, &tables.gone)
}

struct Tables<'a> {
    folder: &'a ResultFolder,
    parquet: bool,
    staged: Vec<Staged>,
    gone: Vec<String>,
}

impl Tables<'_> {
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

/// One line per kind of thing to know, with a count and an example.
pub(super) fn run_warnings(outcome: &Outcome, notes: &[String]) -> Vec<String> {
    let mut lines = notes.to_vec();
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
