//! A set of files exchanged together: all of the new ones are there, or all of the old ones, wherever the power goes.
//!
//! Every new file lies whole and synced under a temporary name before anything changes. Then a journal that names them all
//! appears in one step: from here on the exchange counts as made. Whoever finds the journal (this process, or the next one
//! after a crash) moves the files to their places, removes what has to go and takes the journal away ([`complete`]).

use super::{TEMPORARY, folder_of, sync_folder, write_whole};
use serde::{Deserialize, Serialize};
use std::io;
use std::path::{Component, Path, PathBuf};

const SCHEMA: &str = "breakface-exchange/1";

/// What is still to be done; paths are relative to the folder of the journal.
#[derive(Debug, Serialize, Deserialize)]
struct Journal {
    schema: String,
    /// (temporary name, name in the end).
    put: Vec<(String, String)>,
    /// Files that go.
    gone: Vec<String>,
}

/// Files that wait to change places together. Dropped before [`Exchange::commit`], nothing has changed.
#[derive(Debug, Default)]
pub struct Exchange {
    staged: Vec<(tempfile::NamedTempFile, PathBuf)>,
    gone: Vec<PathBuf>,
}

impl Exchange {
    /// Adds a file, written whole and synced, with its place.
    pub fn put(&mut self, file: tempfile::NamedTempFile, place: PathBuf) {
        self.staged.push((file, place));
    }

    /// Adds a file that goes.
    pub fn remove(&mut self, place: PathBuf) {
        self.gone.push(place);
    }

    /// Exchanges the files. All of them lie in or below the folder of the journal.
    ///
    /// # Errors
    /// When the system refuses. Before the journal is written nothing has changed; afterwards the next [`complete`]
    /// goes on.
    pub fn commit(self, journal: &Path) -> io::Result<()> {
        let root = folder_of(journal);
        let name = |path: &Path| -> io::Result<String> {
            let inside = path.strip_prefix(root).unwrap_or(path);
            inside.to_str().map(str::to_owned).ok_or_else(|| wrong("a name that is no UTF-8"))
        };
        if let Some((_, place)) = self.staged.iter().find(|(_, place)| place.is_dir()) {
            return Err(wrong(&format!("{} is a folder", place.display())));
        }
        let gone = self.gone.iter().map(|p| name(p)).collect::<io::Result<Vec<_>>>()?;
        let mut kept = Vec::new();
        let mut put = Vec::new();
        let journal_written = (|| {
            for (file, place) in self.staged {
                let (_, temporary) = file.keep().map_err(|e| e.error)?;
                kept.push(temporary.clone());
                let place_name = name(&place)?;
                // It lies beside its place; the system may spell the folder in another way.
                let beside = Path::new(&place_name).with_file_name(temporary.file_name().unwrap_or_default());
                put.push((name(&beside)?, place_name));
                sync_folder(folder_of(&place));
            }
            let text = serde_json::to_vec(&Journal { schema: SCHEMA.into(), put, gone })?;
            write_whole(journal, &text)
        })();
        if let Err(error) = journal_written {
            kept.iter().for_each(|path| drop(std::fs::remove_file(path)));
            return Err(error);
        }
        complete(journal).map(drop)
    }
}

/// Goes on with an exchange that was cut off; whether there was one. An empty journal, as versions before this one left
/// it, says nothing: then the files must be made anew.
///
/// # Errors
/// When the journal is damaged or the system refuses.
pub fn complete(journal: &Path) -> io::Result<bool> {
    let text = match super::read_regular(journal) {
        Err(e) if e.kind() == io::ErrorKind::NotFound => return Ok(false),
        other => other?,
    };
    let Ok(Journal { schema, put, gone }) = serde_json::from_slice(&text) else {
        return Err(wrong("it does not say what is to be done"));
    };
    if schema != SCHEMA {
        return Err(wrong("another version of this program has written it"));
    }
    let root = folder_of(journal);
    for (temporary, place) in &put {
        let (from, to) = (inside(root, temporary)?, inside(root, place)?);
        let ours = from.file_name().is_some_and(|n| n.to_string_lossy().starts_with(TEMPORARY));
        if !ours {
            return Err(wrong("it names a file that is not ours"));
        }
        match std::fs::rename(&from, &to) {
            // Moved before the cut.
            Err(e) if e.kind() == io::ErrorKind::NotFound && to.is_file() => {}
            other => other?,
        }
        sync_folder(folder_of(&to));
    }
    for name in &gone {
        match std::fs::remove_file(inside(root, name)?) {
            Err(e) if e.kind() != io::ErrorKind::NotFound => return Err(e),
            _ => {}
        }
    }
    sync_folder(root);
    std::fs::remove_file(journal)?;
    Ok(true)
}

/// A path below the folder; a journal that leads elsewhere is none of ours.
fn inside(root: &Path, name: &str) -> io::Result<PathBuf> {
    let path = Path::new(name);
    let plain = path.components().all(|part| matches!(part, Component::Normal(_)));
    let mut folder = root.to_owned();
    for part in path.parent().into_iter().flat_map(Path::components) {
        folder.push(part);
        if super::is_link(&folder) {
            return Err(wrong(&format!("{} is a link", folder.display())));
        }
    }
    if plain { Ok(root.join(path)) } else { Err(wrong("it leads out of its folder")) }
}

fn wrong(reason: &str) -> io::Error {
    io::Error::new(io::ErrorKind::InvalidData, reason.to_owned())
}

#[cfg(test)]
mod tests {
    use super::super::temporary_beside;
    use super::*;
    use std::io::Write;

    fn staged(path: &Path, text: &str) -> tempfile::NamedTempFile {
        let mut file = temporary_beside(path).unwrap();
        file.write_all(text.as_bytes()).unwrap();
        file
    }

    /// The exchange is cut off at every step that it has: the set is never mixed once somebody has looked after it.
    #[test]
    fn a_set_is_old_or_new_wherever_it_is_cut() {
        for cut in 0..=3 {
            let folder = tempfile::tempdir().unwrap();
            let place = |name: &str| folder.path().join(name);
            let journal = place(".journal");
            for name in ["a", "b", "c"] {
                std::fs::write(place(name), "old").unwrap();
            }
            let kept: Vec<(String, String)> = ["a", "b"]
                .iter()
                .map(|name| {
                    let (_, path) = staged(&place(name), "new").keep().unwrap();
                    (path.file_name().unwrap().to_str().unwrap().to_owned(), (*name).to_owned())
                })
                .collect();
            let text = Journal { schema: SCHEMA.into(), put: kept.clone(), gone: vec!["c".into()] };
            write_whole(&journal, &serde_json::to_vec(&text).unwrap()).unwrap();
            for (from, to) in kept.iter().take(cut.min(2)) {
                std::fs::rename(place(from), place(to)).unwrap();
            }
            if cut == 3 {
                std::fs::remove_file(place("c")).unwrap();
            }
            assert!(complete(&journal).unwrap());
            let read = |name: &str| std::fs::read_to_string(place(name)).ok();
            assert_eq!((read("a"), read("b"), read("c")), (Some("new".into()), Some("new".into()), None));
            assert_eq!(std::fs::read_dir(folder.path()).unwrap().count(), 2);
            assert!(!complete(&journal).unwrap());
        }
    }

    #[test]
    fn what_cannot_be_exchanged_changes_nothing() {
        let folder = tempfile::tempdir().unwrap();
        let place = |name: &str| folder.path().join(name);
        std::fs::write(place("a"), "old").unwrap();
        std::fs::create_dir(place("b")).unwrap();
        let mut exchange = Exchange::default();
        exchange.put(staged(&place("a"), "new"), place("a"));
        exchange.put(staged(&place("b"), "new"), place("b"));
        assert!(exchange.commit(&place(".journal")).is_err());
        assert_eq!(std::fs::read_to_string(place("a")).unwrap(), "old");
        assert_eq!(std::fs::read_dir(folder.path()).unwrap().count(), 2);
    }

    #[test]
    fn a_journal_leads_nowhere_else() {
        let folder = tempfile::tempdir().unwrap();
        let journal = folder.path().join(".journal");
        for (from, to) in [("../x", "a"), (".breakface-new-1", "../a"), ("mine", "a")] {
            let text = Journal { schema: SCHEMA.into(), put: vec![(from.into(), to.into())], gone: Vec::new() };
            std::fs::write(&journal, serde_json::to_vec(&text).unwrap()).unwrap();
            std::fs::write(folder.path().join("mine"), "mine").unwrap();
            assert!(complete(&journal).is_err());
            assert!(!folder.path().join("a").exists());
        }
    }
}
