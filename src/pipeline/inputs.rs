//! Folders, picture files and series tables -> the list of pictures to work on.

use super::contradictions;
use super::folder;
use super::jobs::{Inputs, PictureJob};
use super::path_text::text;
use crate::calibrate::CalibrationList;
use crate::flag::{Flag, Warning};
use crate::micrograph::format_of;
use crate::series::{GivenScale, ListedPicture, SeriesError, SeriesRow, read_series};
use crate::table::is_result_column;
use std::collections::BTreeSet;
use std::io::Read;
use std::path::{Path, PathBuf};
use unicode_normalization::UnicodeNormalization;

/// The name under which a folder's own table is looked for.
const SERIES_FILE: &str = "series.csv";
/// The table of calibrations beside a series table.
const CALIBRATIONS_FILE: &str = "calibrations.csv";

/// File names that say "picture"; other files are judged by their first bytes.
const EXTENSIONS: [&str; 9] = ["png", "jpg", "jpeg", "jpe", "jfif", "tif", "tiff", "bmp", "webp"];

/// Lists the pictures of `inputs`: folders (with their subfolders), picture files and series tables.
///
/// A folder with a `series.csv` of its own is taken as that table. Pictures without a table get the name of their folder
/// as specimen, or their own name when they lie at the top. `skip` is a folder that is never searched: that of the
/// results.
///
/// # Errors
/// When an input does not exist, or a series table cannot be used at all. A picture that a table lists and that does not exist
/// stays in the list and fails by itself, with its name; so does a subfolder that cannot be read.
pub fn gather(inputs: &[PathBuf], skip: &Path) -> Result<Inputs, SeriesError> {
    if let Some(missing) = inputs.iter().find(|input| std::fs::symlink_metadata(input).is_err()) {
        return Err(SeriesError::NoInput { path: text(missing) });
    }
    let mut gathered = Inputs::default();
    let mut taken = BTreeSet::new();
    for input in inputs {
        let prefix = if 1 < inputs.len() { label_of(input) } else { String::new() };
        let mut found = Inputs::default();
        if input.is_dir() {
            if let Some(table) = own_table(input) {
                found.notes.push(format!("{}: its {SERIES_FILE} says which pictures belong to it", text(input)));
                from_table(&table, &mut found)?;
            } else {
                from_folder(input, skip, &mut found);
            }
        } else if is_table(input) {
            from_table(input, &mut found)?;
        } else {
            found.jobs.push(job(input.clone(), file_name(input), stem(input)));
        }
        gathered.problems.append(&mut found.problems);
        gathered.notes.append(&mut found.notes);
        for mut job in found.jobs {
            job.series.image = free_name(&taken, &prefix, &job.series.image);
            taken.insert(job.series.image.clone());
            gathered.jobs.push(job);
        }
    }
    gathered.jobs.sort_by(|a, b| a.series.image.cmp(&b.series.image));
    contradictions::refuse(&mut gathered);
    with_all_columns(&mut gathered);
    Ok(gathered)
}

/// The pictures of a folder and its subfolders, sorted by name, whatever a series table there says.
pub fn pictures_in(folder: &Path, skip: &Path) -> Vec<PictureJob> {
    let mut found = Inputs::default();
    from_folder(folder, skip, &mut found);
    found.jobs.sort_by(|a, b| a.series.image.cmp(&b.series.image));
    found.jobs
}

/// Gives every row all passed-through columns of the inputs, so that the columns of a table do not depend on which
/// pictures have ends, nor on how pictures are shared out.
fn with_all_columns(inputs: &mut Inputs) {
    let rows = || inputs.jobs.iter().map(|j| &j.series).chain(inputs.problems.iter().map(|p| &p.series));
    let mut columns: Vec<String> = Vec::new();
    for (name, _) in rows().flat_map(|row| &row.extra) {
        if !columns.contains(name) {
            columns.push(name.clone());
        }
    }
    let jobs = inputs.jobs.iter_mut().map(|j| &mut j.series);
    for row in jobs.chain(inputs.problems.iter_mut().map(|p| &mut p.series)) {
        let mut old = std::mem::take(&mut row.extra);
        let mut take = |name: &String| {
            let place = old.iter().position(|(n, _)| n == name);
            place.map(|p| old.swap_remove(p).1).unwrap_or_default()
        };
        row.extra = columns.iter().map(|name| (name.clone(), take(name))).collect();
    }
}

/// The series table of a folder, whatever its capitals; what has this name and cannot be read is told when it is read.
fn own_table(folder: &Path) -> Option<PathBuf> {
    let exact = folder.join(SERIES_FILE);
    if exact.symlink_metadata().is_ok() {
        return Some(exact);
    }
    let entries = std::fs::read_dir(folder).ok()?.flatten();
    entries.filter(|e| e.file_name().eq_ignore_ascii_case(SERIES_FILE)).map(|e| e.path()).min()
}

fn job(path: PathBuf, image: String, specimen: String) -> PictureJob {
    // One spelling of accented names, as in a table.
    let specimen = specimen.nfc().collect();
    let series = SeriesRow { image, specimen, counted: true, ..SeriesRow::default() };
    PictureJob { path, series, ..PictureJob::default() }
}

/// A name that no earlier input has: as it is, behind the name of its input, or numbered.
fn free_name(taken: &BTreeSet<String>, prefix: &str, image: &str) -> String {
    if !taken.contains(image) {
        return image.into();
    }
    let prefixed = format!("{prefix}/{image}");
    let numbered = (2..).map(|n| format!("{prefix}_{n}/{image}"));
    // The range is endless, so that a free name is always found.
    std::iter::once(prefixed).chain(numbered).find(|name| !taken.contains(name)).unwrap_or_default()
}

fn from_table(table: &Path, found: &mut Inputs) -> Result<(), SeriesError> {
    let series = read_series(table)?;
    let folder = table.parent().unwrap_or(Path::new(""));
    found.problems.extend(series.problems);
    found.notes.extend(series.notes);
    let mut calibrations = Calibrations { path: folder.join(CALIBRATIONS_FILE), list: None };
    for mut row in series.rows {
        let refused = calibrations.apply(&mut row).err();
        let warnings =
            refused.map(|r| Warning::new(Flag::CalibrationUnknown, format!("no scale from its calibration: {r}")));
        found.jobs.push(PictureJob {
            path: existing_spelling(folder, &row.series.image),
            series: with_free_columns(row.series),
            scale: row.scale,
            listed: Some((text(table), row.row)),
            warnings: warnings.into_iter().collect(),
        });
    }
    Ok(())
}

/// Passed-through columns that have the name of a result column get `series_` in front, once more where that is taken.
fn with_free_columns(mut row: SeriesRow) -> SeriesRow {
    let mut taken: BTreeSet<String> = row.extra.iter().map(|(name, _)| name.clone()).collect();
    for (name, _) in row.extra.iter_mut().filter(|(name, _)| is_result_column(name)) {
        while !taken.insert(name.clone()) {
            name.insert_str(0, "series_");
        }
    }
    row
}

/// The lab's calibrations beside a series table, read when a row first asks for one.
struct Calibrations {
    path: PathBuf,
    list: Option<Result<CalibrationList, String>>,
}

impl Calibrations {
    /// Gives a row the scale of the calibration it names (column `calibration`), unless it has one of its own.
    fn apply(&mut self, row: &mut ListedPicture) -> Result<(), String> {
        let named = row.series.extra.iter().find(|(column, _)| column.eq_ignore_ascii_case("calibration"));
        let Some(name) = named.map(|(_, name)| name.trim().to_owned()).filter(|n| !n.is_empty()) else { return Ok(()) };
        if row.scale.um_per_px.is_some() {
            return Ok(());
        }
        let path = &self.path;
        let list = self.list.get_or_insert_with(|| CalibrationList::read(path).map_err(|e| e.to_string()));
        let scale = list.as_ref().map_err(Clone::clone)?.scale(&name).map_err(|e| e.to_string())?;
        row.scale = GivenScale {
            um_per_px: Some(scale.um_per_px()),
            u_um_per_px: scale.relative_u.map(|u| u * scale.um_per_px()),
            calibrated: true,
        };
        Ok(())
    }
}

/// Accented file names have two spellings in Unicode; the table may use the other one than the disk.
fn existing_spelling(folder: &Path, image: &str) -> PathBuf {
    let as_written = folder.join(image);
    if as_written.exists() {
        return as_written;
    }
    let composed = folder.join(image.nfc().collect::<String>());
    let decomposed = folder.join(image.nfd().collect::<String>());
    [composed, decomposed].into_iter().find(|p| p.exists()).unwrap_or(as_written)
}

fn from_folder(folder: &Path, skip: &Path, found: &mut Inputs) {
    let skip = skip.canonicalize().ok();
    let is_wanted = |entry: &walkdir::DirEntry| {
        let hidden = 0 < entry.depth() && entry.file_name().to_string_lossy().starts_with('.');
        let results = entry.file_type().is_dir()
            && (folder::is_ours(entry.path()) || skip.is_some() && entry.path().canonicalize().ok() == skip);
        !hidden && !results
    };
    let walk = walkdir::WalkDir::new(folder).follow_links(true).sort_by_file_name();
    for entry in walk.into_iter().filter_entry(is_wanted) {
        match entry {
            Ok(entry) if entry.file_type().is_file() && is_picture(entry.path()) => {
                let relative = entry.path().strip_prefix(folder).unwrap_or(entry.path());
                let parent = relative.parent().filter(|p| !p.as_os_str().is_empty());
                let specimen = parent.map_or_else(|| stem(relative), file_name);
                found.jobs.push(job(entry.path().to_owned(), text(relative), specimen));
            }
            Ok(_) => {}
            Err(error) => {
                let place = error.path().map_or_else(|| text(folder), text);
                match (error.path(), error.io_error()) {
                    // What lies in there is not known, so it is missing from the results like a picture that cannot be read.
                    (Some(path), Some(_)) => found.jobs.push(unreadable(path, folder)),
                    _ => found.notes.push(format!("{place}: left out: a loop of links")),
                }
            }
        }
    }
}

fn unreadable(path: &Path, folder: &Path) -> PictureJob {
    let relative = path.strip_prefix(folder).ok().filter(|p| !p.as_os_str().is_empty());
    job(path.to_owned(), relative.map_or_else(|| file_name(path), text), file_name(path))
}

fn is_picture(path: &Path) -> bool {
    let extension = path.extension().map(|e| e.to_string_lossy().to_ascii_lowercase());
    if extension.is_some_and(|e| EXTENSIONS.contains(&e.as_str())) {
        return true;
    }
    if !path.is_file() {
        return false;
    }
    let mut start = [0; 16];
    let read = std::fs::File::open(path).and_then(|mut file| file.read(&mut start));
    read.is_ok_and(|n| format_of(&start[..n]).is_some())
}

/// Whether a file given by name is a series table and no picture.
fn is_table(path: &Path) -> bool {
    path.extension().is_some_and(|e| e.eq_ignore_ascii_case("csv") || e.eq_ignore_ascii_case("tsv"))
}

fn file_name(path: &Path) -> String {
    path.file_name().map_or_else(|| text(path), |n| text(Path::new(n)))
}

fn stem(path: &Path) -> String {
    path.file_stem().map_or_else(|| text(path), |n| text(Path::new(n)))
}

fn label_of(input: &Path) -> String {
    input.canonicalize().map_or_else(|_| file_name(input), |p| file_name(&p))
}
