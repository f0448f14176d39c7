//! Path -> bytes of a picture file: only regular files, only as many bytes as a picture can have.

use super::ReadError;
use crate::settings::ReadSettings;
use std::fs::File;
use std::io::Read;
use std::path::Path;

/// Reads a picture file whole.
///
/// # Errors
/// When it cannot be opened, is no regular file (a device or a pipe may never end), or is longer than `read.max_file_mb`; a
/// file that grows while it is read is held to the same limit.
pub fn picture_bytes(path: &Path, settings: &ReadSettings) -> Result<Vec<u8>, ReadError> {
    let file = path.display().to_string();
    let unreadable = |e: std::io::Error| ReadError::Unreadable { file: file.clone(), reason: plain_io(&e) };
    // Looked at before it is opened: opening a pipe waits for somebody to write into it.
    let kind = std::fs::metadata(path).map_err(unreadable)?;
    if !kind.is_file() {
        return Err(ReadError::NotAFile { file });
    }
    let most = settings.max_file_mb.saturating_mul(1024 * 1024);
    let too_long = || ReadError::FileTooLong { file: file.clone(), most_mb: settings.max_file_mb };
    if most < kind.len() {
        return Err(too_long());
    }
    let mut bytes = Vec::new();
    let opened = File::open(path).map_err(unreadable)?;
    opened.take(most.saturating_add(1)).read_to_end(&mut bytes).map_err(unreadable)?;
    if most < bytes.len() as u64 { Err(too_long()) } else { Ok(bytes) }
}

/// Why a file that somebody writes to meanwhile is not taken.
pub(crate) const CHANGED_WHILE_READ: &str =
    "changed while it was read; give the same command again when nobody writes to it";

/// The bytes of a picture file that nobody wrote to meanwhile.
///
/// # Errors
/// As [`picture_bytes`], and when it changed while it was read.
pub(crate) fn steady_bytes(path: &Path, settings: &ReadSettings) -> Result<Vec<u8>, ReadError> {
    let unreadable = |reason: String| ReadError::Unreadable { file: path.display().to_string(), reason };
    let look = || std::fs::metadata(path).map(|m| (m.len(), m.modified().ok())).map_err(|e| unreadable(plain_io(&e)));
    let before = look()?;
    let bytes = picture_bytes(path, settings)?;
    // Times are compared for equality only, so that a clock that jumps does no harm.
    if look()? != before || bytes.len() as u64 != before.0 {
        return Err(unreadable(CHANGED_WHILE_READ.into()));
    }
    Ok(bytes)
}

pub(crate) fn plain_io(error: &std::io::Error) -> String {
    match error.kind() {
        std::io::ErrorKind::NotFound => "there is no such file".into(),
        std::io::ErrorKind::PermissionDenied => "no right to read it".into(),
        std::io::ErrorKind::IsADirectory => "it is a folder".into(),
        _ => error.to_string(),
    }
}
