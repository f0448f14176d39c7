//! The same rows as Parquet: one typed column each, with unit and meaning in the metadata of its field.

mod arrow;
mod waiting;

use super::{Cell, CellKind, Column, Staged, TableError, TableRow, all_columns, write_atomic};
use parquet::basic::{Compression, LogicalType, Repetition, Type as Physical};
use parquet::errors::ParquetError;
use parquet::file::metadata::KeyValue;
use parquet::file::properties::WriterProperties;
use parquet::file::writer::SerializedFileWriter;
use parquet::schema::types::Type;
use std::io::Write;
use std::marker::PhantomData;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use waiting::Waiting;

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

/// Rows that are held until their columns are written together.
const GROUP: usize = 16_384;

struct Encoder<W: Write + Send> {
    columns: Vec<Column>,
    own: usize,
    writer: SerializedFileWriter<W>,
    waiting: Vec<Waiting>,
    rows: usize,
}

impl<W: Write + Send> Encoder<W> {
    fn new(to: W, columns: Vec<Column>, own: usize) -> Result<Self, ParquetError> {
        let fields = columns.iter().map(|c| Ok(Arc::new(field(c)?))).collect::<Result<_, ParquetError>>()?;
        let schema = Type::group_type_builder("arrow_schema").with_fields(fields).build()?;
        let units = KeyValue::new(arrow::KEY.into(), arrow::schema(&columns));
        let properties = WriterProperties::builder()
            .set_compression(Compression::SNAPPY)
            .set_key_value_metadata(Some(vec![units]))
            .set_created_by(concat!("breakface ", env!("CARGO_PKG_VERSION")).into())
            .build();
        let writer = SerializedFileWriter::new(to, Arc::new(schema), Arc::new(properties))?;
        let waiting = columns.iter().map(|column| Waiting::of(column.kind)).collect();
        Ok(Self { columns, own, writer, waiting, rows: 0 })
    }

    fn push<T: TableRow>(&mut self, row: &T) -> Result<(), ParquetError> {
        let cells = with_extra(row, &self.columns[self.own..]);
        self.waiting.iter_mut().zip(&cells).for_each(|(column, cell)| column.push(cell));
        self.rows += 1;
        if GROUP <= self.rows { self.write() } else { Ok(()) }
    }

    fn write(&mut self) -> Result<(), ParquetError> {
        if std::mem::take(&mut self.rows) == 0 {
            return Ok(());
        }
        let mut group = self.writer.next_row_group()?;
        for column in &mut self.waiting {
            if let Some(to) = group.next_column()? {
                column.write(to)?;
            }
        }
        group.close()?;
        Ok(())
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

fn field(column: &Column) -> Result<Type, ParquetError> {
    let (stored, means) = match column.kind {
        CellKind::Text => (Physical::BYTE_ARRAY, Some(LogicalType::String)),
        CellKind::Number => (Physical::DOUBLE, None),
        CellKind::Count => (Physical::INT64, Some(LogicalType::integer(64, false))),
        CellKind::YesNo => (Physical::BOOLEAN, None),
    };
    let field = Type::primitive_type_builder(&column.name, stored).with_repetition(Repetition::OPTIONAL);
    field.with_logical_type(means).build()
}
