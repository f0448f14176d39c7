//! The same rows as Parquet: one typed column each, with unit and meaning in the metadata of its field.

use super::{Cell, CellKind, Column, Staged, TableError, TableRow, all_columns, write_atomic};
use arrow_array::{ArrayRef, BooleanArray, Float64Array, RecordBatch, StringArray, UInt64Array};
use arrow_schema::{DataType, Field, Schema};
use parquet::arrow::ArrowWriter;
use parquet::basic::Compression;
use parquet::errors::ParquetError;
use parquet::file::properties::WriterProperties;
use std::collections::HashMap;
use std::io::Write;
use std::marker::PhantomData;
use std::path::{Path, PathBuf};
use std::sync::Arc;

/// Writes a table as Parquet, in one piece or not at all. A missing value is null.
///
/// # Errors
/// When the file cannot be written.
pub fn write_parquet<T: TableRow>(path: &Path, rows: &[T]) -> Result<(), TableError> {
    write_atomic(path, &to_parquet(path, rows)?)
}

/// The table as Parquet bytes; `path` is for messages.
///
/// # Errors
/// When the rows have no Parquet form, which is a fault of the program.
pub fn to_parquet<T: TableRow>(path: &Path, rows: &[T]) -> Result<Vec<u8>, TableError> {
    encoded(rows).map_err(|e| fault(path, &e))
}

fn encoded<T: TableRow>(rows: &[T]) -> Result<Vec<u8>, ParquetError> {
    let mut table = Encoder::new(Vec::new(), all_columns(rows), T::columns().len())?;
    rows.iter().try_for_each(|row| table.push(row))?;
    table.finish()
}

/// Rows that are turned into columns together.
const BATCH: usize = 4096;
/// Rows whose columns are held until they are written together.
const GROUP: usize = 16 * BATCH;

struct Encoder<W: Write + Send> {
    columns: Vec<Column>,
    own: usize,
    schema: Arc<Schema>,
    writer: ArrowWriter<W>,
    waiting: Vec<Vec<Cell>>,
}

impl<W: Write + Send> Encoder<W> {
    fn new(to: W, columns: Vec<Column>, own: usize) -> Result<Self, ParquetError> {
        let schema = Arc::new(Schema::new(columns.iter().map(field).collect::<Vec<_>>()));
        let properties = WriterProperties::builder()
            .set_compression(Compression::SNAPPY)
            .set_max_row_group_row_count(Some(GROUP))
            .set_created_by(concat!("breakface ", env!("CARGO_PKG_VERSION")).into())
            .build();
        let writer = ArrowWriter::try_new(to, Arc::clone(&schema), Some(properties))?;
        Ok(Self { columns, own, schema, writer, waiting: Vec::new() })
    }

    fn push<T: TableRow>(&mut self, row: &T) -> Result<(), ParquetError> {
        self.waiting.push(with_extra(row, &self.columns[self.own..]));
        if BATCH <= self.waiting.len() { self.write() } else { Ok(()) }
    }

    fn write(&mut self) -> Result<(), ParquetError> {
        let cells = std::mem::take(&mut self.waiting);
        let columns = self.columns.iter().enumerate();
        let arrays = columns.map(|(i, c)| array(c.kind, cells.iter().map(|row| &row[i]))).collect();
        self.writer.write(&RecordBatch::try_new(Arc::clone(&self.schema), arrays)?)
    }

    fn finish(mut self) -> Result<W, ParquetError> {
        self.write()?;
        self.writer.into_inner()
    }
}

/// A Parquet table while it is written row by row; a bounded number of rows is held.
pub struct ParquetFile<T> {
    path: PathBuf,
    encoder: Encoder<tempfile::NamedTempFile>,
    row: PhantomData<T>,
}

impl<T: TableRow> ParquetFile<T> {
    /// Begins a table beside its place, with the columns of its kind and further ones at the end.
    ///
    /// # Errors
    /// When the folder does not exist, is read-only or full.
    pub fn begin<'a>(path: &Path, extra: impl IntoIterator<Item = &'a [(String, String)]>) -> Result<Self, TableError> {
        let columns = super::file::with_extra::<T>(extra);
        let encoder = Encoder::new(super::file::begin(path)?, columns, T::columns().len());
        Ok(Self { path: path.into(), encoder: encoder.map_err(|e| fault(path, &e))?, row: PhantomData })
    }

    /// Writes a row.
    ///
    /// # Errors
    /// When the disk is full.
    pub fn push(&mut self, row: &T) -> Result<(), TableError> {
        self.encoder.push(row).map_err(|e| fault(&self.path, &e))
    }

    /// The finished file, to be put in its place.
    ///
    /// # Errors
    /// When the disk is full.
    pub fn finish(self) -> Result<Staged, TableError> {
        let file = self.encoder.finish().map_err(|e| fault(&self.path, &e))?;
        Staged::written(file, &self.path)
    }
}

fn fault(path: &Path, error: &ParquetError) -> TableError {
    TableError::Unwritable { path: path.display().to_string(), reason: error.to_string() }
}

fn with_extra<T: TableRow>(row: &T, extra: &[Column]) -> Vec<Cell> {
    let mut cells = row.cells();
    cells.extend(extra.iter().map(|column| {
        let found = row.extra().iter().find(|(name, _)| *name == column.name);
        Cell::text(found.map(|(_, text)| text.clone()))
    }));
    cells
}

fn field(column: &Column) -> Field {
    let kind = match column.kind {
        CellKind::Text => DataType::Utf8,
        CellKind::Number => DataType::Float64,
        CellKind::Count => DataType::UInt64,
        CellKind::YesNo => DataType::Boolean,
    };
    // Arrow keeps metadata in a map; it writes the keys sorted, so the bytes do not depend on its order.
    let metadata =
        HashMap::from([("unit".to_owned(), column.unit.to_owned()), ("meaning".to_owned(), column.meaning.clone())]);
    Field::new(&column.name, kind, true).with_metadata(metadata)
}

fn array<'a>(kind: CellKind, cells: impl Iterator<Item = &'a Cell>) -> ArrayRef {
    match kind {
        CellKind::Text => Arc::new(StringArray::from_iter(cells.map(|cell| match cell {
            Cell::Text(text) if !text.is_empty() => Some(text.as_str()),
            _ => None,
        }))),
        CellKind::Number => Arc::new(Float64Array::from_iter(cells.map(|cell| match cell {
            Cell::Number(value) => value.filter(|v| v.is_finite()).map(super::tidy),
            _ => None,
        }))),
        CellKind::Count => Arc::new(UInt64Array::from_iter(cells.map(|cell| match cell {
            Cell::Count(value) => *value,
            _ => None,
        }))),
        CellKind::YesNo => Arc::new(BooleanArray::from_iter(cells.map(|cell| match cell {
            Cell::YesNo(value) => *value,
            _ => None,
        }))),
    }
}
