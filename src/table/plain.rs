//! Rows whose columns are their fields: the struct is the single source of names, meanings and kinds.

use super::{Cell, CellKind, Record, TableError};
use crate::series::Kind;

/// A field type that can stand in a table.
pub(super) trait Field: Sized {
    /// What a column of this type holds.
    const KIND: CellKind;
    /// The cell of a value.
    fn cell(&self) -> Cell;
    /// The value of a column in a record.
    fn read(record: &Record<'_>, column: &str) -> Result<Self, TableError>;
}

impl Field for String {
    const KIND: CellKind = CellKind::Text;
    fn cell(&self) -> Cell {
        Cell::Text(self.clone())
    }
    fn read(record: &Record<'_>, column: &str) -> Result<Self, TableError> {
        Ok(record.optional_text(column).unwrap_or_default())
    }
}

impl Field for Option<String> {
    const KIND: CellKind = CellKind::Text;
    fn cell(&self) -> Cell {
        Cell::text(self.clone())
    }
    fn read(record: &Record<'_>, column: &str) -> Result<Self, TableError> {
        Ok(record.optional_text(column))
    }
}

impl Field for Option<Kind> {
    const KIND: CellKind = CellKind::Text;
    fn cell(&self) -> Cell {
        Cell::word(self.map(Kind::word))
    }
    fn read(record: &Record<'_>, column: &str) -> Result<Self, TableError> {
        record.optional_word(column, "cut, pull, knot or nothing", Kind::from_word)
    }
}

impl Field for u32 {
    const KIND: CellKind = CellKind::Count;
    fn cell(&self) -> Cell {
        Cell::Count(Some((*self).into()))
    }
    fn read(record: &Record<'_>, column: &str) -> Result<Self, TableError> {
        record.count(column).map(|n| u32::try_from(n).unwrap_or(u32::MAX))
    }
}

impl Field for Option<u32> {
    const KIND: CellKind = CellKind::Count;
    fn cell(&self) -> Cell {
        Cell::Count(self.map(u64::from))
    }
    fn read(record: &Record<'_>, column: &str) -> Result<Self, TableError> {
        Ok(record.optional_count(column)?.map(|n| u32::try_from(n).unwrap_or(u32::MAX)))
    }
}

impl Field for Option<f64> {
    const KIND: CellKind = CellKind::Number;
    fn cell(&self) -> Cell {
        Cell::Number(*self)
    }
    fn read(record: &Record<'_>, column: &str) -> Result<Self, TableError> {
        record.optional_number(column)
    }
}

/// The unit that the end of a column name says.
pub(super) fn unit_of(name: &str, kind: CellKind) -> &'static str {
    const UNITS: [(&str, &str); 4] = [("_um", "um"), ("_px", "px"), ("_deg", "deg"), ("load_n", "N")];
    match kind {
        CellKind::Text | CellKind::YesNo => "",
        CellKind::Count => "1",
        CellKind::Number => UNITS.iter().find(|(end, _)| name.ends_with(end)).map_or("1", |(_, unit)| unit),
    }
}

/// Declares a row type whose columns are its fields, in their order; the doc comment of a field is its meaning.
macro_rules! plain_row {
    ($(#[$meta:meta])* pub struct $name:ident { $($(#[doc = $doc:expr])+ pub $field:ident: $ty:ty,)+ }) => {
        $(#[$meta])*
        pub struct $name { $($(#[doc = $doc])+ pub $field: $ty,)+ }

        impl $crate::table::TableRow for $name {
            fn columns() -> Vec<$crate::table::Column> {
                vec![$({
                    let kind = <$ty as $crate::table::plain::Field>::KIND;
                    let unit = $crate::table::plain::unit_of(stringify!($field), kind);
                    $crate::table::Column::new(stringify!($field), unit, kind, concat!($($doc),+).trim())
                }),+]
            }

            fn cells(&self) -> Vec<$crate::table::Cell> {
                vec![$($crate::table::plain::Field::cell(&self.$field)),+]
            }

            fn from_record(record: &$crate::table::Record<'_>) -> Result<Self, $crate::table::TableError> {
                Ok(Self { $($field: $crate::table::plain::Field::read(record, stringify!($field))?),+ })
            }
        }
    };
}
pub(super) use plain_row;
