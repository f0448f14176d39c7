//! The values of one column until they are written.

use crate::tabular::{Cell, CellKind, tidy};
use parquet::data_type::{BoolType, ByteArray, ByteArrayType, DoubleType, Int64Type};
use parquet::errors::ParquetError;
use parquet::file::writer::SerializedColumnWriter;

/// Values of the rows that have one, and a level for every row: 1 with a value, 0 without.
pub(super) struct Waiting {
    values: Values,
    levels: Vec<i16>,
}

enum Values {
    Text(Vec<ByteArray>),
    Number(Vec<f64>),
    Count(Vec<i64>),
    YesNo(Vec<bool>),
}

impl Waiting {
    /// No row yet.
    pub(super) fn of(kind: CellKind) -> Self {
        let values = match kind {
            CellKind::Text => Values::Text(Vec::new()),
            CellKind::Number => Values::Number(Vec::new()),
            CellKind::Count => Values::Count(Vec::new()),
            CellKind::YesNo => Values::YesNo(Vec::new()),
        };
        Self { values, levels: Vec::new() }
    }

    /// One more row. Empty text and numbers that are not finite are no value.
    pub(super) fn push(&mut self, cell: &Cell) {
        let has_value = match (&mut self.values, cell) {
            (Values::Text(held), Cell::Text(text)) => {
                keep(held, Some(text).filter(|t| !t.is_empty()).map(|t| t.as_bytes().to_vec().into()))
            }
            (Values::Number(held), Cell::Number(value)) => keep(held, value.filter(|v| v.is_finite()).map(tidy)),
            // Parquet keeps an unsigned number in a signed one of the same bits.
            (Values::Count(held), Cell::Count(value)) => keep(held, value.map(u64::cast_signed)),
            (Values::YesNo(held), Cell::YesNo(value)) => keep(held, *value),
            _ => false,
        };
        self.levels.push(i16::from(has_value));
    }

    /// Writes what waits, and waits for further rows.
    ///
    /// # Errors
    /// When the disk is full.
    pub(super) fn write(&mut self, mut to: SerializedColumnWriter<'_>) -> Result<(), ParquetError> {
        let levels = Some(&self.levels[..]);
        match &mut self.values {
            Values::Text(held) => to.typed::<ByteArrayType>().write_batch(&std::mem::take(held), levels, None)?,
            Values::Number(held) => to.typed::<DoubleType>().write_batch(&std::mem::take(held), levels, None)?,
            Values::Count(held) => to.typed::<Int64Type>().write_batch(&std::mem::take(held), levels, None)?,
            Values::YesNo(held) => to.typed::<BoolType>().write_batch(&std::mem::take(held), levels, None)?,
        };
        self.levels.clear();
        to.close()
    }
}

fn keep<T>(held: &mut Vec<T>, value: Option<T>) -> bool {
    let has_value = value.is_some();
    held.extend(value);
    has_value
}
