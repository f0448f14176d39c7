//! Parts of a run -> the whole: their tables joined, once it is certain that every picture is there exactly once and was
//! worked on in the same way; then break faces and knots. The tables are those of one run over everything, byte for byte.

use super::folder::{self, CACHE_FOLDER, ResultFolder, RunError, Stand};
use super::inputs::text;
use super::row::table_order;
use super::scores::{Scores, model_figures, picture_of};
use super::{Outcome, sites, tables};
use crate::face::{End, Ends, Picture};
use crate::results::{InputUsed, OVERLAY_FOLDER, Results, ResultsError, RunFile, ShardUsed, StageSeconds};
use crate::table::{EndRow, ImageRow, Rows, Status, TableRow, open_csv, tidy};
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
    /// Columns of `ends.csv` that were passed through from the series table.
    extra: Vec<(String, String)>,
    run: RunFile,
    shard: ShardUsed,
}

/// File of a part whose rows are read twice, and never held.
const ENDS_FILE: &str = "ends.csv";

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
    let out = ResultFolder::open(options.out, options.force)?;
    if options.pictures {
        for part in &parts {
            bring_along(&part.folder, options.out)?;
        }
    }
    let whole = RunFile {
        inputs: Vec::new(),
        shard: None,
        threads: 0,
        wall_s: 0.0,
        stage_s: StageSeconds::default(),
        ..first.run.clone()
    };
    let sources = parts.iter().map(|part| Ok((part.folder.clone(), EndsOf::open(part)?)));
    let mut sources = sources.collect::<Result<Vec<(PathBuf, EndsOf)>, MergeError>>()?;
    let extra: Vec<Vec<(String, String)>> =
        parts.iter().filter(|p| !p.ends.is_empty()).map(|p| p.extra.clone()).collect();
    let joined = joined(parts, whole, model);
    let Joined { outcome, run: mut run_file, images, ends } = joined;
    run_file.wall_s = tidy(run_file.wall_s + start.elapsed().as_secs_f64());
    let layout = tables::Layout {
        pictures: images.iter().map(|(_, image)| image.series.extra.as_slice()).collect(),
        ends: extra.iter().map(Vec::as_slice).collect(),
    };
    let rows = images.iter().map(|(part, image)| {
        let (folder, source) = &mut sources[*part];
        let counted = match image.status {
            Status::Done => ends.get(&image.series.image).map_or(&[][..], Vec::as_slice),
            Status::Failed => &[],
        };
        let rows = source.next_of(&image.series.image, counted).map_err(|reason| no_part(folder, reason))?;
        Ok::<_, MergeError>((image.clone(), rows))
    });
    tables::put(&out, layout, rows, &outcome.scores, &run_file, options.parquet)?;
    out.close(Stand::Finished)?;
    Ok(outcome)
}

/// The ends of a part, read a second time, in step with its pictures.
struct EndsOf(Rows<BufReader<File>, EndRow>);

impl EndsOf {
    fn open(part: &Read) -> Result<Self, MergeError> {
        Ok(Self(open_csv(&part.folder.join(ENDS_FILE)).map_err(ResultsError::from)?))
    }

    /// The rows of the next picture, with what was found out about each.
    fn next_of(&mut self, image: &str, known: &[End]) -> Result<Vec<EndRow>, String> {
        let changed = || format!("{ENDS_FILE} changed while it was read; merge again");
        let rows = self.0.by_ref().take(known.len());
        let mut rows = rows.collect::<Result<Vec<EndRow>, _>>().map_err(|e| e.to_string())?;
        if rows.len() != known.len() || rows.iter().any(|row| row.image != image) {
            return Err(changed());
        }
        rows.iter_mut().zip(known).for_each(|(row, end)| row.counted = end.counted);
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
    let (ends, extra) = ends_of(folder)?;
    Ok(Read { folder: folder.into(), images, ends, extra, run, shard })
}

/// What scoring needs of the ends of a part, and which columns were passed through.
fn ends_of(folder: &Path) -> Result<(Ends, Vec<(String, String)>), MergeError> {
    let rows = open_csv::<EndRow>(&folder.join(ENDS_FILE)).map_err(ResultsError::from)?;
    let own = EndRow::columns();
    let passed = rows.header().iter().filter(|name| !own.iter().any(|c| c.name == **name));
    let extra = passed.map(|name| (name.clone(), String::new())).collect();
    let mut ends = Ends::new();
    let mut last = String::new();
    for row in rows {
        let row = row.map_err(ResultsError::from)?;
        if row.image < last {
            return Err(no_part(
                folder,
                format!("{ENDS_FILE} is not in the order of its pictures; run this part again"),
            ));
        }
        if row.image != last {
            last.clone_from(&row.image);
        }
        ends.entry(row.image.clone()).or_default().push(End::from(&row));
    }
    Ok((ends, extra))
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
    if part.extra.iter().any(|(name, _)| name == "label_hand") {
        return Err(no_part(&part.folder, "holds hand labels; merge parts as they were run, and review the whole"));
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

fn copy_of(part: &Read, image: &ImageRow) -> PathBuf {
    sites::copy_path(&part.folder, &part.shard.tools, &image.content_hash)
}

/// The pictures of all parts in the order of one run, each with the position of its part, and what that run would say of
/// itself.
struct Joined {
    outcome: Outcome,
    run: RunFile,
    images: Vec<(usize, ImageRow)>,
    ends: Ends,
}

fn joined(parts: Vec<Read>, mut whole: RunFile, model: &Model) -> Joined {
    let mut outcome = Outcome::default();
    let mut copies: BTreeMap<String, PathBuf> = BTreeMap::new();
    let mut inputs: Vec<InputUsed> = Vec::new();
    let mut notes: Vec<String> = Vec::new();
    let mut images: Vec<(usize, ImageRow)> = Vec::new();
    let mut ends = Ends::new();
    for (number, part) in parts.into_iter().enumerate() {
        for image in part.images.iter().filter(|i| i.status == Status::Done) {
            copies.insert(image.content_hash.clone(), copy_of(&part, image));
        }
        for note in part.shard.notes {
            if !notes.contains(&note) {
                notes.push(note);
            }
        }
        ends.extend(part.ends);
        images.extend(part.images.into_iter().map(|image| (number, image)));
        inputs.extend(part.run.inputs);
        whole.threads = whole.threads.max(part.run.threads);
        whole.wall_s += part.run.wall_s;
        whole.stage_s.add(&part.run.stage_s);
        if whole.ended < part.run.ended {
            whole.ended = part.run.ended;
        }
    }
    inputs.sort_by(|a, b| a.image.cmp(&b.image));
    images.sort_by(|(_, a), (_, b)| {
        table_order(&(&a.series.image, a.status, &a.error), &(&b.series.image, b.status, &b.error))
    });
    outcome.n_images = images.len();
    outcome.n_ends = ends.values().map(Vec::len).sum();
    let n_failed = images.iter().filter(|(_, i)| i.status == Status::Failed).count();
    outcome.n_bad_rows = images.len() - inputs.len();
    outcome.n_failed = n_failed - outcome.n_bad_rows;
    whole.inputs = inputs;
    let settings = &whole.settings.face;
    let done = || images.iter().map(|(_, image)| image).filter(|i| i.status == Status::Done);
    // Ends count when their picture does, until it is known which are seen twice.
    for image in done() {
        let of = ends.get_mut(&image.series.image).into_iter().flatten();
        of.for_each(|e| e.counted = image.series.count);
    }
    let pictures: Vec<Picture> = done().map(picture_of).collect();
    let copies: Vec<PathBuf> = done().map(|i| copies.get(&i.content_hash).cloned().unwrap_or_default()).collect();
    let same = sites::count_once(&mut ends, &pictures, &copies, &settings.site);
    outcome.scores = Scores::from_ends(&ends, &pictures, model_figures(model).as_ref(), settings);
    let said = done().map(|image| tables::Said {
        image: &image.series.image,
        scaled: image.um_per_px.is_some(),
        warnings: &image.warnings,
    });
    outcome.warnings = tables::run_warnings(&notes, said, &outcome.scores);
    outcome.warnings.extend(same);
    whole.warnings.clone_from(&outcome.warnings);
    Joined { outcome, run: whole, images, ends }
}

/// Links or copies the overlays and kept results of a part into the joined folder.
fn bring_along(from: &Path, to: &Path) -> Result<(), RunError> {
    for part in [OVERLAY_FOLDER, CACHE_FOLDER] {
        let root = from.join(part);
        for entry in walkdir::WalkDir::new(&root).into_iter().flatten().filter(|e| e.file_type().is_file()) {
            let Ok(relative) = entry.path().strip_prefix(&root) else { continue };
            let place = to.join(part).join(relative);
            let done = place.parent().map_or(Ok(()), std::fs::create_dir_all).and_then(|()| link(entry.path(), &place));
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
