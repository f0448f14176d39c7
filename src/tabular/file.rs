//! Tables as CSV files: RFC 4180, UTF-8, header row, written in one piece or not at all.

use super::{Column, Header, LineNumbers, Record, TableError, TableRow, check_quotes, guard_formula, unguard_formula};
use crate::files::Exchange;
use std::fs::File;
use std::io::{BufRead, BufReader, Write};
use std::marker::PhantomData;
use std::path::{Path, PathBuf};

/// The columns of a table with the extra columns of its rows at the end, in the order in which they first appear.
pub fn all_columns<T: TableRow>(rows: &[T]) -> Vec<Column> {
    with_extra::<T>(rows.iter().map(TableRow::extra))
}

/// The columns of a table with further ones at the end, in the order in which they first appear.
pub(super) fn with_extra<'a, T: TableRow>(extra: impl IntoIterator<Item = &'a [(String, String)]>) -> Vec<Column> {
    let mut columns = T::columns();
    for (name, _) in extra.into_iter().flatten() {
        if !columns.iter().any(|c| c.name == *name) {
            columns.push(Column::text(name, "Passed through from the series table."));
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
    let mut writer = csv_writer(Vec::new());
    // Writing to memory cannot fail, and all records have the length of the header.
    const CANNOT_FAIL: &str = "records of one length are written to memory";
    writer.write_record(columns.iter().map(|c| guard_formula(&c.name))).expect(CANNOT_FAIL);
    rows.iter().for_each(|row| writer.write_record(fields(row, &columns, own)).expect(CANNOT_FAIL));
    writer.into_inner().expect(CANNOT_FAIL)
}

/// Writes a table as CSV, in one piece or not at all.
///
/// # Errors
/// When the file cannot be written.
pub fn write_csv<T: TableRow>(path: &Path, rows: &[T]) -> Result<(), TableError> {
    write_atomic(path, &to_csv(rows))
}

pub use crate::files::TEMPORARY;

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
        let mut file = begin(path)?;
        file.write_all(bytes).map_err(|e| unwritable(path, &e))?;
        Self::written(file, path)
    }

    /// Where it belongs.
    pub fn place(&self) -> &Path {
        &self.path
    }

    /// Digest of what it holds (BLAKE3, hexadecimal).
    ///
    /// # Errors
    /// When it cannot be read back.
    pub fn digest(&self) -> Result<String, TableError> {
        digest_of_file(self.file.path())
    }

    /// The file once everything is written to it.
    pub(super) fn written(file: tempfile::NamedTempFile, path: &Path) -> Result<Self, TableError> {
        let wrong = |e: std::io::Error| unwritable(path, &e);
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

    /// Adds the file to others that change places together.
    pub fn join(self, exchange: &mut Exchange) {
        exchange.put(self.file, self.path);
    }
}

/// A temporary file beside the place of another.
pub(super) fn begin(path: &Path) -> Result<tempfile::NamedTempFile, TableError> {
    crate::files::temporary_beside(path).map_err(|e| unwritable(path, &e))
}

pub(super) fn unwritable(path: &Path, error: &std::io::Error) -> TableError {
    // The name of the temporary file, which some systems add in their own words, helps nobody.
    let reason =
        error.get_ref().and_then(std::error::Error::source).map_or_else(|| error.to_string(), ToString::to_string);
    TableError::Unwritable { path: path.display().to_string(), reason }
}

/// Reads a table written by [`write_csv`]; columns that are not known are kept as extra ones.
///
/// # Errors
/// When the file cannot be read, is not CSV, lacks a column, or holds a cell of the wrong kind.
pub fn read_csv<T: TableRow>(path: &Path) -> Result<Vec<T>, TableError> {
    let table = path.display().to_string();
    let bytes = crate::files::read_regular(path)
        .map_err(|e| TableError::Unreadable { table: table.clone(), reason: e.to_string() })?;
    from_csv(&table, &bytes)
}

/// Reads a table from CSV bytes; `table` names it in messages.
///
/// # Errors
/// As [`read_csv`].
pub fn from_csv<T: TableRow>(table: &str, bytes: &[u8]) -> Result<Vec<T>, TableError> {
    // Text that is not UTF-8 is refused by the reader, which names the row.
    if let Ok(text) = std::str::from_utf8(bytes) {
        let stray = check_quotes(text.trim_start_matches('\u{feff}'), b',');
        stray.map_err(|e| TableError::Malformed { table: table.into(), row: e.line, reason: e.reason })?;
    }
    rows_of(table, bytes)?.collect()
}

/// The rows of a table, one after another as they are read.
pub struct Rows<R, T> {
    table: String,
    header: Header,
    lines: LineNumbers,
    records: csv::StringRecordsIntoIter<R>,
    row: PhantomData<T>,
}

impl<R, T> Rows<R, T> {
    /// Its columns.
    pub fn header(&self) -> &Header {
        &self.header
    }
}

/// Digest of a table file (BLAKE3, hexadecimal); nothing of it is held.
///
/// # Errors
/// When it cannot be read.
pub fn digest_of_file(path: &Path) -> Result<String, TableError> {
    let wrong = |e: std::io::Error| TableError::Unreadable { table: path.display().to_string(), reason: e.to_string() };
    let mut hasher = blake3::Hasher::new();
    std::io::copy(&mut File::open(path).map_err(wrong)?, &mut hasher).map_err(wrong)?;
    Ok(hasher.finalize().to_hex().to_string())
}

/// Begins to read a table file row by row.
///
/// # Errors
/// When the file cannot be opened or has no header that is CSV.
pub fn open_csv<T: TableRow>(path: &Path) -> Result<Rows<BufReader<File>, T>, TableError> {
    let table = path.display().to_string();
    let unreadable = |e: std::io::Error| TableError::Unreadable { table: table.clone(), reason: e.to_string() };
    rows_of(&table, BufReader::new(crate::files::open_regular(path).map_err(unreadable)?))
}

fn rows_of<R: BufRead, T: TableRow>(table: &str, mut reader: R) -> Result<Rows<R, T>, TableError> {
    // What cannot be read here is said by the first record.
    if reader.fill_buf().is_ok_and(|start| start.starts_with(b"\xef\xbb\xbf")) {
        reader.consume(3);
    }
    let mut reader = csv::ReaderBuilder::new().from_reader(reader);
    let names = reader.headers().map_err(|e| malformed(table, LineNumbers::default(), &e))?.clone();
    let lines = LineNumbers::after_header(&reader, &names);
    let header = T::header(table, names.iter().map(unguard_formula).collect())?;
    Ok(Rows { table: table.into(), header, lines, records: reader.into_records(), row: PhantomData })
}

fn malformed(table: &str, lines: LineNumbers, error: &csv::Error) -> TableError {
    let row = lines.line(error.position());
    TableError::Malformed { table: table.into(), row, reason: plain_reason(error) }
}

impl<R: BufRead, T: TableRow> Iterator for Rows<R, T> {
    type Item = Result<T, TableError>;

    fn next(&mut self) -> Option<Self::Item> {
        Some(match self.records.next()? {
            Err(e) => Err(malformed(&self.table, self.lines, &e)),
            Ok(fields) => {
                let row = self.lines.line(fields.position());
                T::from_record(&Record { table: &self.table, row, header: &self.header, fields: &fields })
            }
        })
    }
}

/// A table while it is written row by row; nothing of it is held.
pub struct CsvFile<T> {
    path: PathBuf,
    columns: Vec<Column>,
    own: usize,
    writer: csv::Writer<tempfile::NamedTempFile>,
    row: PhantomData<T>,
}

impl<T: TableRow> CsvFile<T> {
    /// Begins a table beside its place, with the columns of its kind and further ones at the end.
    ///
    /// # Errors
    /// When the folder does not exist, is read-only or full.
    pub fn begin<'a>(path: &Path, extra: impl IntoIterator<Item = &'a [(String, String)]>) -> Result<Self, TableError> {
        let columns = with_extra::<T>(extra);
        let mut writer = csv_writer(begin(path)?);
        let header = writer.write_record(columns.iter().map(|c| guard_formula(&c.name)));
        header.map_err(|e| unwritten(path, e))?;
        Ok(Self { path: path.into(), columns, own: T::columns().len(), writer, row: PhantomData })
    }

    /// Writes a row.
    ///
    /// # Errors
    /// When the disk is full.
    pub fn push(&mut self, row: &T) -> Result<(), TableError> {
        let written = self.writer.write_record(fields(row, &self.columns, self.own));
        written.map_err(|e| unwritten(&self.path, e))
    }

    /// The finished file, to be put in its place.
    ///
    /// # Errors
    /// When the disk is full.
    pub fn finish(self) -> Result<Staged, TableError> {
        let file = self.writer.into_inner().map_err(|e| unwritable(&self.path, e.error()))?;
        Staged::written(file, &self.path)
    }
}

fn unwritten(path: &Path, error: csv::Error) -> TableError {
    let reason = error.to_string();
    match error.into_kind() {
        csv::ErrorKind::Io(e) => unwritable(path, &e),
        _ => TableError::Unwritable { path: path.display().to_string(), reason },
    }
}

fn csv_writer<W: Write>(to: W) -> csv::Writer<W> {
    csv::WriterBuilder::new().terminator(csv::Terminator::CRLF).from_writer(to)
}

/// What is wrong with a CSV file, in plain words.
fn plain_reason(error: &csv::Error) -> String {
    match error.kind() {
        csv::ErrorKind::UnequalLengths { expected_len, len, .. } => {
            format!("expected {expected_len} fields as in the header, found {len}")
        }
        csv::ErrorKind::Utf8 { .. } => "expected UTF-8 text; save the table as CSV UTF-8".into(),
        csv::ErrorKind::Io(e) => e.to_string(),
        _ => "expected comma-separated fields".into(),
    }
}

/// Rows as the fields of their columns: the form in which they are kept within other files.
#[derive(Debug, Clone, PartialEq, Eq, serde::Serialize, serde::Deserialize)]
pub struct Fields {
    columns: Vec<String>,
    rows: Vec<Vec<String>>,
}

impl Fields {
    /// The fields of these rows.
    pub fn of<T: TableRow>(rows: &[T]) -> Self {
        let columns = all_columns(rows);
        let own = T::columns().len();
        Self {
            rows: rows.iter().map(|row| fields(row, &columns, own)).collect(),
            columns: columns.into_iter().map(|c| c.name).collect(),
        }
    }

    /// The rows of these fields.
    ///
    /// # Errors
    /// When a column is missing or a field is of the wrong kind.
    pub fn rows<T: TableRow>(&self) -> Result<Vec<T>, TableError> {
        let header = T::header("", self.columns.clone())?;
        let row_of = |(row, fields): (u64, &Vec<String>)| {
            let fields = csv::StringRecord::from(fields.as_slice());
            T::from_record(&Record { table: "", row, header: &header, fields: &fields })
        };
        (1..).zip(&self.rows).map(row_of).collect()
    }
}
