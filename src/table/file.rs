//! Tables as CSV files: RFC 4180, UTF-8, header row, written in one piece or not at all.

use super::cell::{Column, Record, guard_formula, unguard_formula};
use super::{TableError, TableRow};
use std::io::Write;
use std::path::{Path, PathBuf};

/// The columns of a table with the extra columns of its rows at the end, in the order in which they first appear.
pub fn all_columns<T: TableRow>(rows: &[T]) -> Vec<Column> {
    let mut columns = T::columns();
    for row in rows {
        for (name, _) in row.extra() {
            if !columns.iter().any(|c| c.name == *name) {
                columns.push(Column::text(name, "Passed through from the series table."));
            }
        }
    }
    columns
}

/// The fields of a row in the order of [`all_columns`].
fn fields<T: TableRow>(row: &T, columns: &[Column], own: usize) -> Vec<String> {
    let mut fields: Vec<String> = row.cells().iter().map(super::Cell::to_field).collect();
    for column in &columns[own..] {
        let text = row.extra().iter().find(|(name, _)| *name == column.name).map(|(_, text)| text.clone());
        fields.push(super::Cell::text(text).to_field());
    }
    fields
}

/// The table as CSV bytes.
pub fn to_csv<T: TableRow>(rows: &[T]) -> Vec<u8> {
    let columns = all_columns(rows);
    let own = T::columns().len();
    let mut writer = csv::WriterBuilder::new().terminator(csv::Terminator::CRLF).from_writer(Vec::new());
    // Writing to memory cannot fail, and all records have the length of the header.
    let _ = writer.write_record(columns.iter().map(|c| guard_formula(&c.name)));
    for row in rows {
        let _ = writer.write_record(fields(row, &columns, own));
    }
    writer.into_inner().unwrap_or_default()
}

/// Writes a table as CSV, in one piece or not at all.
///
/// # Errors
/// When the file cannot be written.
pub fn write_csv<T: TableRow>(path: &Path, rows: &[T]) -> Result<(), TableError> {
    write_atomic(path, &to_csv(rows))
}

/// How the names of files begin that are being written; one that is left behind belongs to a run that was cut off.
pub const TEMPORARY: &str = ".breakface-new-";

/// Writes bytes to a file in one piece or not at all: a temporary file beside it, synced, then renamed.
///
/// # Errors
/// When the folder does not exist, is read-only or full.
pub fn write_atomic(path: &Path, bytes: &[u8]) -> Result<(), TableError> {
    Staged::new(path, bytes)?.put()
}

/// A file that is written and synced under a temporary name, to be put in its place later; dropped, it is gone.
#[derive(Debug)]
pub struct Staged {
    file: tempfile::NamedTempFile,
    path: PathBuf,
}

impl Staged {
    /// Writes the bytes beside their place.
    ///
    /// # Errors
    /// When the folder does not exist, is read-only or full.
    pub fn new(path: &Path, bytes: &[u8]) -> Result<Self, TableError> {
        let wrong = |e: std::io::Error| unwritable(path, &e);
        let folder = path.parent().filter(|p| !p.as_os_str().is_empty()).unwrap_or(Path::new("."));
        let mut file = tempfile::Builder::new().prefix(TEMPORARY).tempfile_in(folder).map_err(wrong)?;
        file.write_all(bytes).map_err(wrong)?;
        make_readable(file.as_file()).map_err(wrong)?;
        file.as_file().sync_all().map_err(wrong)?;
        Ok(Self { file, path: path.into() })
    }

    /// Puts the file in its place, over one that is there.
    ///
    /// # Errors
    /// When the system refuses; then what was there stays.
    pub fn put(self) -> Result<(), TableError> {
        self.file.persist(&self.path).map(drop).map_err(|e| unwritable(&self.path, &e.error))
    }
}

fn unwritable(path: &Path, error: &std::io::Error) -> TableError {
    // The name of the temporary file, which some systems add in their own words, helps nobody.
    let reason =
        error.get_ref().and_then(std::error::Error::source).map_or_else(|| error.to_string(), ToString::to_string);
    TableError::Unwritable { path: path.display().to_string(), reason }
}

/// Temporary files are private by default; results are for everybody who may read the folder.
#[cfg(unix)]
fn make_readable(file: &std::fs::File) -> std::io::Result<()> {
    use std::os::unix::fs::PermissionsExt;
    file.set_permissions(std::fs::Permissions::from_mode(0o644))
}

#[cfg(not(unix))]
fn make_readable(_file: &std::fs::File) -> std::io::Result<()> {
    Ok(())
}

/// Reads a table written by [`write_csv`]; columns that are not known are kept as extra ones.
///
/// # Errors
/// When the file cannot be read, is not CSV, lacks a column, or holds a cell of the wrong kind.
pub fn read_csv<T: TableRow>(path: &Path) -> Result<Vec<T>, TableError> {
    let table = path.display().to_string();
    let bytes =
        std::fs::read(path).map_err(|e| TableError::Unreadable { table: table.clone(), reason: e.to_string() })?;
    from_csv(&table, &bytes)
}

/// Reads a table from CSV bytes; `table` names it in messages.
///
/// # Errors
/// As [`read_csv`].
pub fn from_csv<T: TableRow>(table: &str, bytes: &[u8]) -> Result<Vec<T>, TableError> {
    let malformed = |e: csv::Error| TableError::Malformed {
        table: table.into(),
        row: e.position().map_or(1, csv::Position::line),
        reason: plain_reason(&e),
    };
    let bytes = bytes.strip_prefix(b"\xef\xbb\xbf").unwrap_or(bytes);
    let mut reader = csv::ReaderBuilder::new().from_reader(bytes);
    let header: Vec<String> =
        reader.headers().map_err(malformed)?.iter().map(|h| unguard_formula(h).to_owned()).collect();
    let mut rows = Vec::new();
    for fields in reader.records() {
        let fields = fields.map_err(malformed)?;
        let row = fields.position().map_or(0, csv::Position::line);
        rows.push(T::from_record(&Record { table, row, header: &header, fields: &fields })?);
    }
    Ok(rows)
}

/// What is wrong with a CSV file, in plain words.
pub(crate) fn plain_reason(error: &csv::Error) -> String {
    match error.kind() {
        csv::ErrorKind::UnequalLengths { expected_len, len, .. } => {
            format!("expected {expected_len} fields as in the header, found {len}")
        }
        csv::ErrorKind::Utf8 { .. } => "expected UTF-8 text; save the table as CSV UTF-8".into(),
        csv::ErrorKind::Io(e) => e.to_string(),
        _ => "expected comma-separated fields".into(),
    }
}
