//! The folder of results: whose it is, one run at a time, what an earlier run left there, names within it.

use super::error::RunError;
use super::path_text::text;
use super::stale;
use crate::files::{self, Exchange};
use crate::results::{HALF_PLACED, LOCK_FILE, OVERLAY_FOLDER, overlay_path};
use crate::table::{Staged, TEMPORARY};
use std::fs::{File, OpenOptions, TryLockError};
use std::io::{Read, Seek, Write};
use std::path::{Path, PathBuf};

/// The lock of the review page; its files are left alone while it is open.
const REVIEW_LOCK_FILE: &str = ".review.lock";
/// Folder within the results that keeps the tables as the model made them, once hand labels are in place.
pub const BEFORE_REVIEW: &str = "before_review";
/// The table of both figures of a review.
pub(super) const BOTH: &str = "review.csv";
/// Folder of kept results.
pub(super) const CACHE_FOLDER: &str = ".cache";

/// How a run stands, as its lock file says.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum RunState {
    /// At work; found by a later run, it was cut off.
    Running,
    /// Stopped on request before its end.
    Stopped,
    /// All tables are in place.
    Finished,
}

impl RunState {
    fn word(self) -> &'static str {
        match self {
            Self::Running => "running\n",
            Self::Stopped => "stopped\n",
            Self::Finished => "finished\n",
        }
    }
}

/// Why the results in a folder are not all there, by its lock file; `None` = they are, as far as that file knows.
pub(super) fn unfinished(folder: &Path) -> Option<&'static str> {
    // Without the file (a copy without hidden files) the tables must speak for themselves.
    let mut lock = File::open(folder.join(LOCK_FILE)).ok()?;
    if matches!(lock.try_lock_shared(), Err(TryLockError::WouldBlock)) {
        return Some("a run is still writing there");
    }
    let mut word = String::new();
    lock.read_to_string(&mut word).ok()?;
    [RunState::Running, RunState::Stopped]
        .into_iter()
        .find(|s| s.word() == word)
        .map(|_| "its run did not reach its end")
}

/// Whether a folder holds results of this program.
pub(super) fn is_ours(folder: &Path) -> bool {
    folder.join(LOCK_FILE).is_file()
}

/// A folder of results while a run writes into it.
pub(super) struct ResultFolder {
    path: PathBuf,
    /// Held for as long as the run lasts; the system releases it however the run ends.
    lock: File,
    /// Whether it held results of this program before.
    ours: bool,
    /// One line about what an earlier run left; empty when there is nothing to say.
    pub found: String,
}

impl ResultFolder {
    /// Makes or takes over a folder; with `force` also one with files of somebody else, which stay unless they have
    /// the name of a result.
    pub(super) fn open(path: &Path, force: bool) -> Result<Self, RunError> {
        let folder = text(path);
        let wrong = |e: std::io::Error| RunError::Unwritable { folder: folder.clone(), reason: e.to_string() };
        std::fs::create_dir_all(path).map_err(wrong)?;
        let empty = std::fs::read_dir(path).map_err(wrong)?.next().is_none();
        let ours = is_ours(path);
        if !empty && !force && !ours {
            return Err(RunError::NotOurs { folder });
        }
        let lock = locked(path)?;
        for part in [CACHE_FOLDER, OVERLAY_FOLDER] {
            files::make_folders(path, &path.join(part).join("file")).map_err(wrong)?;
        }
        // Tables that a killed run has finished belong to it: they are put in place before anything else.
        let _ = files::complete(&path.join(HALF_PLACED));
        let mut opened = Self { path: path.into(), lock, ours, found: String::new() };
        opened.found = opened.recover(&folder);
        opened.write_state(RunState::Running).map_err(wrong)?;
        Ok(opened)
    }

    /// Takes a folder to score its saved tables again; how its run ended stays as it is.
    pub(super) fn open_for_scores(path: &Path) -> Result<Self, RunError> {
        let lock = locked(path)?;
        let _ = files::complete(&path.join(HALF_PLACED));
        Ok(Self { path: path.into(), lock, ours: true, found: String::new() })
    }

    /// Writes down how the run stands.
    fn write_state(&mut self, state: RunState) -> std::io::Result<()> {
        self.lock.set_len(0)?;
        self.lock.rewind()?;
        self.lock.write_all(state.word().as_bytes())?;
        self.lock.sync_all()
    }

    /// Writes down that the run has ended, and how.
    pub(super) fn close(mut self, state: RunState) -> Result<(), RunError> {
        let folder = text(&self.path);
        self.write_state(state).map_err(|e| RunError::Unwritable { folder, reason: e.to_string() })
    }

    /// Clears away half-written files of an earlier run, and says in one line how it ended.
    fn recover(&mut self, folder: &str) -> String {
        let mut word = String::new();
        // A lock file that cannot be read says nothing; then the run begins like any other.
        let _ = self.lock.read_to_string(&mut word);
        let halves = self.remove_halves();
        let tables = if self.path.join(HALF_PLACED).exists() { "; its tables were not all in place" } else { "" };
        let halves = match halves {
            0 => String::new(),
            1 => "; 1 half-written file was removed".into(),
            n => format!("; {n} half-written files were removed"),
        };
        match word.as_str() {
            w if w == RunState::Running.word() => format!(
                "{folder}: an earlier run was cut off before its end{tables}{halves}; pictures that it finished are kept"
            ),
            w if w == RunState::Stopped.word() => {
                format!("{folder}: an earlier run was stopped before its end; pictures that it finished are kept")
            }
            _ => String::new(),
        }
    }

    /// Removes files that were never finished; how many there were.
    fn remove_halves(&self) -> usize {
        let review = File::open(self.path.join(REVIEW_LOCK_FILE));
        let in_review = review.is_ok_and(|lock| matches!(lock.try_lock(), Err(TryLockError::WouldBlock)));
        let below = |part: &str| walkdir::WalkDir::new(self.path.join(part)).into_iter();
        let top = walkdir::WalkDir::new(&self.path).max_depth(usize::from(!in_review)).into_iter();
        let parts = [CACHE_FOLDER, OVERLAY_FOLDER, BEFORE_REVIEW].into_iter().flat_map(below);
        let halves = top
            .chain(parts)
            .flatten()
            .filter(|entry| entry.file_type().is_file() && entry.file_name().to_string_lossy().starts_with(TEMPORARY));
        halves.filter(|entry| std::fs::remove_file(entry.path()).is_ok()).count()
    }

    /// Puts tables in place together ([`Exchange`]). `gone` names tables that no longer belong here.
    pub(super) fn put(&self, tables: Vec<Staged>, gone: &[String]) -> Result<(), RunError> {
        let folder = text(&self.path);
        let wrong = |e: std::io::Error| RunError::Unwritable { folder: folder.clone(), reason: e.to_string() };
        let mut exchange = Exchange::default();
        tables.into_iter().for_each(|table| table.join(&mut exchange));
        gone.iter().filter(|_| self.ours).for_each(|name| exchange.remove(self.path.join(name)));
        exchange.commit(&self.path.join(HALF_PLACED)).map_err(wrong)
    }

    /// Takes away the overlays of an earlier run but those of these pictures.
    pub(super) fn keep_overlays<'a>(&self, of: impl Iterator<Item = &'a str>) -> Result<(), RunError> {
        if self.ours { stale::remove_overlays(&self.path, of) } else { Ok(()) }
    }

    pub(super) fn file(&self, name: &str) -> PathBuf {
        self.path.join(name)
    }

    pub(super) fn cached(&self, key: &str) -> PathBuf {
        cached(&self.path, key)
    }

    pub(super) fn overlay(&self, image: &str) -> PathBuf {
        overlay_path(&self.path, image)
    }
}

/// The lock of a folder of results, held.
fn locked(path: &Path) -> Result<File, RunError> {
    let folder = text(path);
    let wrong =
        |e: std::io::Error| RunError::Unwritable { folder: folder.clone(), reason: format!("{LOCK_FILE}: {e}") };
    let mut options = OpenOptions::new();
    options.create(true).truncate(false).read(true).write(true);
    let lock = files::open_own(&path.join(LOCK_FILE), &mut options).map_err(wrong)?;
    match lock.try_lock() {
        Ok(()) => Ok(lock),
        Err(TryLockError::WouldBlock) => Err(RunError::Busy { folder }),
        Err(TryLockError::Error(e)) => Err(wrong(e)),
    }
}

/// Where the kept result with this key is in a folder of results.
pub(super) fn cached(folder: &Path, key: &str) -> PathBuf {
    folder.join(CACHE_FOLDER).join(format!("{key}.json"))
}

/// Files that are there only while hand labels are in place.
pub(super) fn files_of_a_review() -> impl Iterator<Item = String> {
    let tables = ["ends", "images", "specimens", "sides", "carriers", "knots", "pairs"];
    tables.into_iter().map(|t| format!("{BEFORE_REVIEW}/{t}.csv")).chain([BOTH.to_owned()])
}
