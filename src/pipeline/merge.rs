//! Parts of a run -> the whole: their tables joined, once it is certain that every picture is there exactly once and was
//! worked on in the same way; then break faces and knots. The tables are those of one run over everything, byte for byte.

use super::error::RunError;
use super::finish::{Finished, Outcome, RowSource, finish};
use super::folder::{self, CACHE_FOLDER, ResultFolder};
use super::hand::LABELS_FILE;
use super::path_text::text;
use super::shard::Shard;
use super::{replace, sites};
use crate::face::{End, Ends};
use crate::files::make_folders;
use crate::labels::{LabelLog, LabelRow, LabelsError, read_labels, row_line};
use crate::results::{InputUsed, OVERLAY_FOLDER, RUN_FILE, Results, ResultsError, RunFile, ShardUsed};
use crate::table::{EndRow, ImageRow, Rows, Status, TableError, TableRow, digest_of_file, open_csv, tidy};
use crate::tree::Model;
use std::collections::{BTreeMap, BTreeSet};
use std::fs::File;
use std::io::BufReader;
use std::path::{Path, PathBuf};
use std::time::Instant;

/// How parts are joined.
#[derive(Debug, Clone, Copy)]
pub struct MergeOptions<'a> {
    /// Folder for the joined results.
    pub out: &'a Path,
    /// Take a folder with other files in it.
    pub force: bool,
    /// Write over results that hold pictures which the parts do not have.
    pub replace: bool,
    /// Bring the overlays and kept results along (as links where both lie on one file system, else as copies).
    pub pictures: bool,
    /// Write the tables as Parquet too (when the library was built with it).
    pub parquet: bool,
}

/// Why parts cannot be joined.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum MergeError {
    /// A folder holds no results, or damaged ones.
    #[error(transparent)]
    Results(#[from] ResultsError),
    /// The joined results cannot be written.
    #[error(transparent)]
    Run(#[from] RunError),
    /// Hand labels of a part cannot be read, or not be brought along.
    #[error(transparent)]
    Labels(#[from] LabelsError),
    /// A folder does not hold a finished part.
    #[error("{folder}: {reason}")]
    NoPart {
        /// Folder.
        folder: String,
        /// What is wrong and what to do.
        reason: String,
    },
    /// Two parts were not made in the same way.
    #[error("{folder}: its {what} differs from that of {other}; run it again like the others")]
    Unlike {
        /// Folder.
        folder: String,
        /// Folder of the part that it is compared with.
        other: String,
        /// What differs.
        what: &'static str,
    },
    /// One part is there twice.
    #[error("{folder}: is part {index}, and so is {other}; give each part once")]
    Twice {
        /// Folder.
        folder: String,
        /// Number of the part.
        index: u32,
        /// The other folder.
        other: String,
    },
    /// Parts are missing.
    #[error("part {missing} of {of} is missing; give the folders of all parts, or run the missing ones")]
    Missing {
        /// Numbers of the missing parts.
        missing: String,
        /// Parts of the whole.
        of: u32,
    },
    /// The model that labelled is not the one given.
    #[error("the parts were labelled by {name}, which is not the model given; give that model's file")]
    OtherModel {
        /// Name of the model.
        name: String,
    },
}

/// One part as read: its pictures, and of its ends what scoring needs.
struct Read {
    folder: PathBuf,
    images: Vec<ImageRow>,
    ends: Ends,
    run: RunFile,
    shard: ShardUsed,
}

/// Joins the results of all parts of one run. `model` is the model that labelled them.
///
/// # Errors
/// When a part is missing, given twice, not finished, changed after its run, or made in another way than the others, or
/// when the joined results cannot be written.
pub fn merge(folders: &[PathBuf], model: &Model, options: &MergeOptions<'_>) -> Result<Outcome, MergeError> {
    let start = Instant::now();
    let parts = folders.iter().map(|f| read(f)).collect::<Result<Vec<Read>, _>>()?;
    let Some(first) = parts.first() else { return Err(MergeError::Missing { missing: "1".into(), of: 1 }) };
    all_parts(&parts)?;
    parts.iter().try_for_each(|part| same_way(part, first))?;
    if first.run.model.digest != model.digest() {
        return Err(MergeError::OtherModel { name: first.run.model.name.clone() });
    }
    parts.iter().try_for_each(own_pictures)?;
    each_once(&parts)?;
    parts.iter().try_for_each(as_written)?;
    let hashes: BTreeMap<&str, &str> =
        parts.iter().flat_map(|p| &p.run.inputs).map(|i| (i.image.as_str(), i.hash.as_str())).collect();
    let goes = |used: &InputUsed| hashes.get(used.image.as_str()).is_none_or(|hash| *hash != used.hash);
    if !options.replace
        && let Some(what) = replace::would_go(options.out, &goes)
    {
        return Err(RunError::WouldReplace { folder: text(options.out), what }.into());
    }
    let labels = labels_of(folders)?;
    let out = ResultFolder::open(options.out, options.force)?;
    bring_labels(labels, options.out)?;
    if options.pictures {
        for part in &parts {
            bring_along(&part.folder, options.out)?;
        }
    }
    let settings = first.run.settings().0.face;
    let ends_of = parts.iter().map(|part| Ok((part.folder.clone(), open_csv(&part.folder.join(EndRow::csv_name()))?)));
    let ends_of = ends_of.collect::<Result<Vec<_>, TableError>>().map_err(ResultsError::from)?;
    let mut rows = PartRows { tools: first.shard.tools.clone(), ends_of };
    let (images, ends, notes, mut run_file) = joined(parts);
    run_file.wall_s = tidy(run_file.wall_s + start.elapsed().as_secs_f64());
    let (parquet, overlays) = (options.parquet, options.pictures);
    finish(out, Finished { images, ends, notes, run_file, model, settings: &settings, parquet, overlays }, &mut rows)
}

/// Hand labels of the parts that are not in their tables yet.
fn labels_of(folders: &[PathBuf]) -> Result<Vec<LabelRow>, LabelsError> {
    let files = folders.iter().map(|f| f.join(LABELS_FILE)).filter(|f| f.is_file());
    Ok(files.map(|f| read_labels(&f)).collect::<Result<Vec<_>, _>>()?.concat())
}

/// Appends the rows that the joined folder does not have yet; they are laid over its tables like any other hand labels.
fn bring_labels(rows: Vec<LabelRow>, out: &Path) -> Result<(), LabelsError> {
    if rows.is_empty() {
        return Ok(());
    }
    let mut log = LabelLog::open(&out.join(LABELS_FILE))?;
    // As they are written: places are rounded.
    let mut known: BTreeSet<Vec<u8>> = log.rows().iter().map(row_line).collect();
    for row in rows {
        if known.insert(row_line(&row)) {
            log.append(row)?;
        }
    }
    Ok(())
}

/// The ends of the parts, read a second time, each in step with its pictures.
struct PartRows {
    tools: String,
    ends_of: Vec<(PathBuf, Rows<BufReader<File>, EndRow>)>,
}

impl RowSource for PartRows {
    type Error = MergeError;

    fn copy(&self, source: usize, image: &ImageRow) -> PathBuf {
        sites::copy_path(&self.ends_of[source].0, &self.tools, &image.content_hash)
    }

    fn ends(&mut self, source: usize, image: &ImageRow, known: &[End]) -> Result<Vec<EndRow>, MergeError> {
        let (folder, rows) = &mut self.ends_of[source];
        let rows = rows.by_ref().take(known.len()).collect::<Result<Vec<EndRow>, _>>().map_err(ResultsError::from)?;
        if rows.len() != known.len() || rows.iter().any(|row| row.image != image.series.image) {
            return Err(no_part(folder, format!("{} changed while it was read; merge again", EndRow::csv_name())));
        }
        Ok(rows)
    }
}

fn no_part(folder: &Path, reason: impl Into<String>) -> MergeError {
    MergeError::NoPart { folder: text(folder), reason: reason.into() }
}

fn read(folder: &Path) -> Result<Read, MergeError> {
    if let Some(reason) = folder::unfinished(folder) {
        return Err(no_part(folder, format!("{reason}; give its command again and merge afterwards")));
    }
    let Results { images, run, .. } = Results::load_without_ends(folder)?;
    let run = run.ok_or_else(|| no_part(folder, "run.json is missing; run this part again"))?;
    let Some(shard) = run.shard.clone() else {
        return Err(no_part(folder, "holds a whole run, no part of one; parts are made with a shard I/N"));
    };
    if run.version != env!("CARGO_PKG_VERSION") {
        let versions = format!("was made by version {}, this is {}", run.version, env!("CARGO_PKG_VERSION"));
        return Err(no_part(folder, format!("{versions}; merge with the version that made the parts")));
    }
    if !(1..=shard.of).contains(&shard.index) || Shard::MOST_PARTS < shard.of {
        let part = format!("says that it is part {} of {}", shard.index, shard.of);
        return Err(no_part(folder, format!("{RUN_FILE} {part}, which cannot be; run this part again")));
    }
    let ends = ends_of(folder)?;
    Ok(Read { folder: folder.into(), images, ends, run, shard })
}

/// What scoring needs of the ends of a part.
fn ends_of(folder: &Path) -> Result<Ends, MergeError> {
    let mut ends = Ends::new();
    let mut last = String::new();
    for row in open_csv::<EndRow>(&folder.join(EndRow::csv_name())).map_err(ResultsError::from)? {
        let row = row.map_err(ResultsError::from)?;
        if row.image < last {
            let table = EndRow::csv_name();
            return Err(no_part(folder, format!("{table} is not in the order of its pictures; run this part again")));
        }
        if row.label_hand.is_some() {
            return Err(no_part(folder, "holds hand labels; merge parts as they were run, and review the whole"));
        }
        if row.image != last {
            last.clone_from(&row.image);
        }
        ends.entry(row.image.clone()).or_default().push(End::from(&row));
    }
    Ok(ends)
}

/// Every part is there, once.
fn all_parts(parts: &[Read]) -> Result<(), MergeError> {
    let mut seen: BTreeMap<u32, &Read> = BTreeMap::new();
    for part in parts {
        if let Some(other) = seen.insert(part.shard.index, part) {
            let (folder, other) = (text(&part.folder), text(&other.folder));
            return Err(MergeError::Twice { folder, index: part.shard.index, other });
        }
    }
    let of = parts.first().map_or(1, |p| p.shard.of);
    let missing: Vec<String> = (1..=of).filter(|i| !seen.contains_key(i)).map(|i| i.to_string()).collect();
    match missing.is_empty() {
        true => Ok(()),
        false => Err(MergeError::Missing { missing: missing.join(", "), of }),
    }
}

fn same_way(part: &Read, first: &Read) -> Result<(), MergeError> {
    let (a, b) = (&part.run, &first.run);
    let differs = [
        (part.shard.of != first.shard.of, "number of parts"),
        (a.settings != b.settings, "settings"),
        (a.model != b.model, "model"),
        (a.detector != b.detector, "detector"),
        (a.um_per_px != b.um_per_px, "scale for all pictures"),
        (part.shard.tools != first.shard.tools, "version or feature table"),
        (part.shard.pictures != first.shard.pictures, "number of pictures in the whole"),
        (part.shard.listing != first.shard.listing, "list of pictures or series table"),
    ];
    match differs.into_iter().find(|(differs, _)| *differs) {
        Some((_, what)) => Err(MergeError::Unlike { folder: text(&part.folder), other: text(&first.folder), what }),
        None => Ok(()),
    }
}

/// The tables of a part hold its pictures, each once, as they were when it ran.
fn own_pictures(part: &Read) -> Result<(), MergeError> {
    let wrong = |reason: String| Err(no_part(&part.folder, format!("{reason}; run this part again")));
    let (pictures, of, index) = (part.shard.pictures, part.shard.of as usize, part.shard.index as usize);
    let expected = (pictures + of - index) / of;
    if part.run.inputs.len() != expected {
        return wrong(format!("lists {} pictures, expected {expected}", part.run.inputs.len()));
    }
    let inputs: BTreeMap<&str, &str> = part.run.inputs.iter().map(|i| (i.image.as_str(), i.hash.as_str())).collect();
    if inputs.len() != expected {
        return wrong("lists a picture twice".into());
    }
    if let Some(stray) = part.ends.keys().find(|image| !inputs.contains_key(image.as_str())) {
        return wrong(format!("ends.csv has ends of {stray}, which is not among its pictures"));
    }
    let mut seen = BTreeSet::new();
    for image in &part.images {
        let name = image.series.image.as_str();
        let hash = inputs.get(name);
        match image.status {
            Status::Failed if hash.is_none_or(|h| *h != image.content_hash) => {}
            Status::Failed => drop(seen.insert(name)),
            Status::Done if hash.is_none_or(|h| *h != image.content_hash) || !seen.insert(name) => {
                return wrong(format!("images.csv and run.json do not agree about {name}"));
            }
            Status::Done if image.n_found != Some(part.ends.get(name).map_or(0, Vec::len) as u64) => {
                return wrong(format!("ends.csv does not hold the ends that were found in {name}"));
            }
            Status::Done if !copy_of(part, image).is_file() => {
                return wrong(format!("the small copy of {name} is missing"));
            }
            Status::Done => {}
        }
    }
    match inputs.keys().find(|name| !seen.contains(**name)) {
        Some(name) => wrong(format!("images.csv has no row for {name}")),
        None => Ok(()),
    }
}

/// No picture is in two parts.
fn each_once(parts: &[Read]) -> Result<(), MergeError> {
    let mut seen: BTreeMap<&str, &Read> = BTreeMap::new();
    for (part, used) in parts.iter().flat_map(|part| part.run.inputs.iter().map(move |used| (part, used))) {
        if let Some(other) = seen.insert(&used.image, part) {
            let also = format!("{} is in {} too; run the parts again", used.image, text(&other.folder));
            return Err(no_part(&part.folder, also));
        }
    }
    Ok(())
}

/// The tables of a part are those that its run wrote, cell by cell.
fn as_written(part: &Read) -> Result<(), MergeError> {
    for (name, written) in &part.run.digests {
        let found = digest_of_file(&part.folder.join(name)).map_err(ResultsError::from)?;
        if found != *written {
            return Err(no_part(&part.folder, format!("{name} was changed after its run; run this part again")));
        }
    }
    Ok(())
}

fn copy_of(part: &Read, image: &ImageRow) -> PathBuf {
    sites::copy_path(&part.folder, &part.shard.tools, &image.content_hash)
}

/// The pictures of all parts, each with the position of its part, their ends, how their inputs were understood, and what one
/// run would say of itself.
fn joined(parts: Vec<Read>) -> (Vec<(usize, ImageRow)>, Ends, Vec<String>, RunFile) {
    let (mut images, mut ends, mut notes) = (Vec::new(), Ends::new(), Vec::new());
    let mut whole: Option<RunFile> = None;
    for (number, part) in parts.into_iter().enumerate() {
        for note in part.shard.notes {
            if !notes.contains(&note) {
                notes.push(note);
            }
        }
        ends.extend(part.ends);
        images.extend(part.images.into_iter().map(|image| (number, image)));
        whole = Some(match whole {
            None => part.run,
            Some(whole) => together(whole, part.run),
        });
    }
    let mut whole = whole.unwrap_or_default();
    whole.shard = None;
    whole.digests.clear();
    whole.inputs.sort_by(|a, b| a.image.cmp(&b.image));
    (images, ends, notes, whole)
}

/// What one run would say instead of two parts of it.
fn together(mut whole: RunFile, part: RunFile) -> RunFile {
    whole.inputs.extend(part.inputs);
    whole.threads = whole.threads.max(part.threads);
    whole.wall_s += part.wall_s;
    whole.stage_s.add(&part.stage_s);
    whole.ended = whole.ended.max(part.ended);
    whole
}

/// Links or copies the overlays and kept results of a part into the joined folder.
fn bring_along(from: &Path, to: &Path) -> Result<(), RunError> {
    let not_ours = |e: std::io::Error| RunError::Unwritable { folder: text(to), reason: e.to_string() };
    for part in [OVERLAY_FOLDER, CACHE_FOLDER] {
        let root = from.join(part);
        for entry in walkdir::WalkDir::new(&root).into_iter().flatten().filter(|e| e.file_type().is_file()) {
            let Ok(relative) = entry.path().strip_prefix(&root) else { continue };
            let place = to.join(part).join(relative);
            make_folders(to, &place).map_err(not_ours)?;
            let done = link(entry.path(), &place);
            done.map_err(|e| RunError::Unwritable { folder: text(&place), reason: e.to_string() })?;
        }
    }
    Ok(())
}

/// A link costs no space; another file system gets a copy.
fn link(from: &Path, to: &Path) -> std::io::Result<()> {
    match std::fs::remove_file(to) {
        Err(e) if e.kind() != std::io::ErrorKind::NotFound => return Err(e),
        _ => {}
    }
    std::fs::hard_link(from, to).or_else(|_| std::fs::copy(from, to).map(drop))
}
