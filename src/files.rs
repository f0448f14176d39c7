//! Files of this program: written in one piece or not at all, never through a link that somebody put in their place.

mod exchange;

pub use exchange::{Exchange, complete};

use std::fs::{File, OpenOptions};
use std::io::{self, Read, Write};
use std::path::{Path, PathBuf};

/// How the names of files begin that are being written; one that is left behind belongs to a run that was cut off.
pub const TEMPORARY: &str = ".breakface-new-";

/// A temporary file beside the place of another, with the rights that any new file of this user has (umask).
///
/// # Errors
/// When the folder does not exist, is read-only or full.
pub fn temporary_beside(path: &Path) -> io::Result<tempfile::NamedTempFile> {
    let mut builder = tempfile::Builder::new();
    builder.prefix(TEMPORARY);
    #[cfg(unix)]
    {
        use std::os::unix::fs::PermissionsExt;
        builder.permissions(std::fs::Permissions::from_mode(0o666));
    }
    builder.tempfile_in(folder_of(path))
}

/// Writes bytes to a file in one piece or not at all: a temporary file beside it, synced, then renamed.
///
/// # Errors
/// When the folder does not exist, is read-only or full.
pub fn write_whole(path: &Path, bytes: &[u8]) -> io::Result<()> {
    let mut file = temporary_beside(path)?;
    file.write_all(bytes)?;
    file.as_file().sync_all()?;
    file.persist(path).map_err(|e| e.error)?;
    sync_folder(folder_of(path));
    Ok(())
}

/// Most bytes of a file that is read whole: more than any table or model has.
const MOST_BYTES: u64 = 4 << 30;

/// Opens a file to be read: a regular one, since a pipe or a device may never begin or end.
///
/// # Errors
/// When it cannot be opened, or is no regular file; the message says so.
pub fn open_regular(path: &Path) -> io::Result<File> {
    // Looked at before it is opened: opening a pipe waits for somebody to write into it.
    match std::fs::metadata(path)?.is_file() {
        true => File::open(path),
        false => Err(refused("it is no regular file (a folder, a pipe or a device)")),
    }
}

/// Reads a regular file whole.
///
/// # Errors
/// As [`open_regular`], and when it is longer than any table or model.
pub fn read_regular(path: &Path) -> io::Result<Vec<u8>> {
    let mut bytes = Vec::new();
    open_regular(path)?.take(MOST_BYTES + 1).read_to_end(&mut bytes)?;
    match bytes.len() as u64 <= MOST_BYTES {
        true => Ok(bytes),
        false => Err(refused("it is longer than 4 GB")),
    }
}

/// Reads a regular file whole as text.
///
/// # Errors
/// As [`read_regular`], and when it is not UTF-8.
pub fn read_text(path: &Path) -> io::Result<String> {
    String::from_utf8(read_regular(path)?).map_err(|_| refused("expected UTF-8 text"))
}

/// Opens a file of ours in a folder that others may write to: a regular file, not a link to somewhere else.
///
/// # Errors
/// When it cannot be opened, or is a link or no regular file; the message says so.
pub fn open_own(path: &Path, options: &mut OpenOptions) -> io::Result<File> {
    #[cfg(unix)]
    {
        use std::os::unix::fs::OpenOptionsExt;
        // Without waiting: a pipe in the place of a file would wait for its other end.
        options.custom_flags(libc::O_NOFOLLOW | libc::O_NONBLOCK);
    }
    if is_link(path) {
        return Err(refused("it is a link to another place; remove it"));
    }
    let file = options.open(path)?;
    match file.metadata()?.is_file() {
        true => Ok(file),
        false => Err(refused("it is no regular file; remove it")),
    }
}

/// Makes the folders between `root` and a file below it, and refuses links among them.
///
/// # Errors
/// When a folder cannot be made, or is a link.
pub fn make_folders(root: &Path, file: &Path) -> io::Result<()> {
    let below = file.strip_prefix(root).unwrap_or(file);
    let mut folder = root.to_owned();
    for part in below.parent().into_iter().flat_map(Path::components) {
        folder.push(part);
        if is_link(&folder) {
            return Err(refused(&format!("{} is a link to another place; remove it", folder.display())));
        }
    }
    std::fs::create_dir_all(&folder)
}

/// The folder that a file lies in.
pub fn folder_of(path: &Path) -> &Path {
    path.parent().filter(|p| !p.as_os_str().is_empty()).unwrap_or(Path::new("."))
}

/// Makes new names durable; not every system can sync a folder, and without it only the newest names may be lost.
pub fn sync_folder(path: &Path) {
    if let Ok(folder) = File::open(path) {
        let _ = folder.sync_all();
    }
}

/// The first name that is free: `stem-1.extension`, `stem-2.extension` and so on.
pub fn numbered(path: &Path) -> PathBuf {
    let stem = path.file_stem().unwrap_or_default().to_string_lossy().into_owned();
    let extension = path.extension().map(|e| format!(".{}", e.to_string_lossy())).unwrap_or_default();
    let name = |n: u32| path.with_file_name(format!("{stem}-{n}{extension}"));
    (1..u32::MAX).map(name).find(|p| p.symlink_metadata().is_err()).unwrap_or_else(|| name(u32::MAX))
}

fn is_link(path: &Path) -> bool {
    path.symlink_metadata().is_ok_and(|m| m.file_type().is_symlink())
}

fn refused(reason: &str) -> io::Error {
    io::Error::other(reason.to_owned())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_backup_takes_the_first_free_number() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("labels-as-found.csv");
        assert_eq!(numbered(&path), folder.path().join("labels-as-found-1.csv"));
        std::fs::write(numbered(&path), "").unwrap();
        assert_eq!(numbered(&path), folder.path().join("labels-as-found-2.csv"));
    }

    #[cfg(unix)]
    #[test]
    fn links_and_pipes_are_not_opened() {
        let folder = tempfile::tempdir().unwrap();
        let place = |name: &str| folder.path().join(name);
        std::fs::write(place("target"), "mine").unwrap();
        std::os::unix::fs::symlink(place("target"), place("link")).unwrap();
        std::os::unix::fs::symlink(place("nowhere"), place("dangling")).unwrap();
        std::os::unix::fs::symlink(folder.path(), place("overlays")).unwrap();
        let mut options = OpenOptions::new();
        options.write(true).create(true);
        for name in ["link", "dangling"] {
            let error = open_own(&place(name), &mut options).unwrap_err();
            assert!(error.to_string().contains("link"), "{error}");
        }
        assert!(!place("nowhere").exists());
        assert!(open_own(&place("fresh"), &mut options).is_ok());
        assert!(make_folders(folder.path(), &place("overlays/a.png")).is_err());
        assert!(make_folders(folder.path(), &place("pictures/b/a.png")).is_ok());
        assert!(place("pictures/b").is_dir());
    }
}
