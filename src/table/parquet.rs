//! The same rows as Parquet: one typed column each, with unit and meaning in the metadata of its field.

use super::{Cell, CellKind, Column, TableError, TableRow, all_columns, write_atomic};
use arrow_array::{ArrayRef, BooleanArray, Float64Array, RecordBatch, StringArray, UInt64Array};
use arrow_schema::{DataType, Field, Schema};
use parquet::arrow::ArrowWriter;
use parquet::basic::Compression;
use parquet::file::properties::WriterProperties;
use std::collections::HashMap;
use std::path::Path;
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
    encoded(rows).map_err(|e| TableError::Unwritable { path: path.display().to_string(), reason: e.to_string() })
}

fn encoded<T: TableRow>(rows: &[T]) -> Result<Vec<u8>, parquet::errors::ParquetError> {
    let columns = all_columns(rows);
    let own = T::columns().len();
    let cells: Vec<Vec<Cell>> = rows.iter().map(|row| with_extra(row, &columns[own..])).collect();
    let arrays = columns.iter().enumerate().map(|(i, c)| array(c.kind, cells.iter().map(|row| &row[i]))).collect();
    let schema = Arc::new(Schema::new(columns.iter().map(field).collect::<Vec<_>>()));
    let batch = RecordBatch::try_new(Arc::clone(&schema), arrays)?;
    let properties = WriterProperties::builder()
        .set_compression(Compression::SNAPPY)
        .set_created_by(concat!("breakface ", env!("CARGO_PKG_VERSION")).into())
        .build();
    let mut writer = ArrowWriter::try_new(Vec::new(), schema, Some(properties))?;
    writer.write(&batch)?;
    writer.into_inner()
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

#[cfg(test)]
mod tests {
    use super::*;
    use crate::table::SideRow;
    use parquet::arrow::arrow_reader::ParquetRecordBatchReaderBuilder;

    #[test]
    fn values_nulls_and_units_survive_and_bytes_repeat() {
        let rows = [
            SideRow { specimen: "S1".into(), n_sheared: 3, sheared_fraction: Some(0.25), ..SideRow::default() },
            SideRow { specimen: "S2".into(), ..SideRow::default() },
        ];
        let bytes = encoded(&rows).unwrap();
        assert!((0..20).all(|_| encoded(&rows).unwrap() == bytes));
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("sides.parquet");
        write_parquet(&path, &rows).unwrap();
        let reader = ParquetRecordBatchReaderBuilder::try_new(std::fs::File::open(path).unwrap()).unwrap();
        let field = reader.schema().field_with_name("sheared_fraction").unwrap().clone();
        assert_eq!(field.metadata()["unit"], "1");
        let batch = reader.build().unwrap().next().unwrap().unwrap();
        let fractions = batch.column_by_name("sheared_fraction").unwrap();
        let fractions = fractions.as_any().downcast_ref::<Float64Array>().unwrap();
        assert_eq!(fractions.iter().collect::<Vec<_>>(), [Some(0.25), None]);
    }
}
