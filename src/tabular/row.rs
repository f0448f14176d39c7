//! Rows whose columns are their fields: the struct is the single source of names, units, kinds and meanings.

use super::cell::{Cell, CellKind, Column, Extra, tidy};
use super::error::TableError;
use super::record::Record;
use super::words::Word;

/// A field type that stands in a table as one column.
pub(crate) trait Field: Sized {
    /// What a column of this type holds.
    const KIND: CellKind;
    /// The cell of a value.
    fn cell(&self) -> Cell;
    /// The value of a column in a record.
    fn read(record: &Record<'_>, column: &str) -> Result<Self, TableError>;
    /// Rounds numbers to what the table holds.
    fn tidy(&mut self) {}
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

impl<W: Word> Field for Option<W> {
    const KIND: CellKind = CellKind::Text;
    fn cell(&self) -> Cell {
        Cell::word(self.map(W::as_word))
    }
    fn read(record: &Record<'_>, column: &str) -> Result<Self, TableError> {
        record.optional_word(column)
    }
}

impl Field for u32 {
    const KIND: CellKind = CellKind::Count;
    fn cell(&self) -> Cell {
        Cell::Count(Some((*self).into()))
    }
    fn read(record: &Record<'_>, column: &str) -> Result<Self, TableError> {
        record.count(column)
    }
}

impl Field for Option<u32> {
    const KIND: CellKind = CellKind::Count;
    fn cell(&self) -> Cell {
        Cell::Count(self.map(u64::from))
    }
    fn read(record: &Record<'_>, column: &str) -> Result<Self, TableError> {
        record.optional_count(column)
    }
}

impl Field for Option<u64> {
    const KIND: CellKind = CellKind::Count;
    fn cell(&self) -> Cell {
        Cell::Count(*self)
    }
    fn read(record: &Record<'_>, column: &str) -> Result<Self, TableError> {
        record.optional_count(column)
    }
}

impl Field for f64 {
    const KIND: CellKind = CellKind::Number;
    fn cell(&self) -> Cell {
        Cell::Number(Some(*self))
    }
    fn read(record: &Record<'_>, column: &str) -> Result<Self, TableError> {
        record.number(column)
    }
    fn tidy(&mut self) {
        *self = tidy(*self);
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
    fn tidy(&mut self) {
        *self = self.map(tidy);
    }
}

/// What is said nowhere counts: a picture and an end do unless their table says `no`.
impl Field for bool {
    const KIND: CellKind = CellKind::YesNo;
    fn cell(&self) -> Cell {
        Cell::YesNo(Some(*self))
    }
    fn read(record: &Record<'_>, column: &str) -> Result<Self, TableError> {
        Ok(record.optional_yes_no(column)?.unwrap_or(true))
    }
}

/// A field of a row: one column, or several that belong together.
pub(crate) trait Group: Sized {
    /// Adds its columns; `name` and `meaning` are those of the field.
    fn columns(name: &str, meaning: &str, to: &mut Vec<Column>);
    /// Adds its cells, in the order of its columns.
    fn cells(&self, to: &mut Vec<Cell>);
    /// Reads it from a record.
    fn read(record: &Record<'_>, name: &str) -> Result<Self, TableError>;
    /// Rounds its numbers to what the table holds.
    fn tidy(&mut self);
    /// The passed-through columns that it holds.
    fn extra(&self) -> Option<&[(String, String)]> {
        None
    }
}

impl<F: Field> Group for F {
    fn columns(name: &str, meaning: &str, to: &mut Vec<Column>) {
        to.push(Column::new(name, unit_of(name, F::KIND), F::KIND, meaning));
    }
    fn cells(&self, to: &mut Vec<Cell>) {
        to.push(self.cell());
    }
    fn read(record: &Record<'_>, name: &str) -> Result<Self, TableError> {
        F::read(record, name)
    }
    fn tidy(&mut self) {
        Field::tidy(self);
    }
}

/// Columns passed through from the series table have no place among those of the row type: writers add them at the end.
impl Group for Extra {
    fn columns(_name: &str, _meaning: &str, _to: &mut Vec<Column>) {}
    fn cells(&self, _to: &mut Vec<Cell>) {}
    fn read(record: &Record<'_>, _name: &str) -> Result<Self, TableError> {
        Ok(record.extra())
    }
    fn tidy(&mut self) {}
    fn extra(&self) -> Option<&[(String, String)]> {
        Some(self)
    }
}

/// The unit that the end of a column name says.
fn unit_of(name: &str, kind: CellKind) -> &'static str {
    const UNITS: [(&str, &str); 5] =
        [("um_per_px", "um/px"), ("_um", "um"), ("_px", "px"), ("_deg", "deg"), ("_n", "N")];
    match kind {
        CellKind::Text | CellKind::YesNo => "",
        CellKind::Count => "1",
        CellKind::Number => UNITS.iter().find(|(end, _)| name.ends_with(end)).map_or("1", |(_, unit)| unit),
    }
}

/// The order of columns in which those named `first` come first; the others follow as they are declared.
pub(crate) fn order(columns: &[Column], first: &[&str]) -> Vec<usize> {
    let place = |i: &usize| first.iter().position(|f| *f == columns[*i].name).unwrap_or(first.len());
    let mut order: Vec<usize> = (0..columns.len()).collect();
    order.sort_by_key(place);
    order
}

/// Things in that order.
pub(crate) fn in_order<T>(things: Vec<T>, order: &[usize]) -> Vec<T> {
    let mut things: Vec<Option<T>> = things.into_iter().map(Some).collect();
    order.iter().filter_map(|i| things[*i].take()).collect()
}

/// Declares a row type: its fields are its columns, their doc comments the meanings. `in` names the file, `needs` the
/// columns without which a table is none of these, `first` those that stand first.
macro_rules! row {
    (
        in $stem:literal, needs [$($needed:literal),*], first [$($first:literal),*] $(, renamed $renamed:expr)?;
        $(#[$meta:meta])*
        pub struct $name:ident { $($(#[doc = $doc:expr])+ pub $field:ident: $ty:ty,)+ }
    ) => {
        $(#[$meta])*
        pub struct $name { $($(#[doc = $doc])+ pub $field: $ty,)+ }

        impl $name {
            /// The columns as declared.
            fn declared() -> Vec<$crate::tabular::Column> {
                let mut columns = Vec::new();
                $(<$ty as $crate::tabular::Group>::columns(stringify!($field), concat!($($doc),+).trim(), &mut columns);)+
                columns
            }

            /// Where each column stands in the table.
            fn order() -> &'static [usize] {
                static ORDER: std::sync::OnceLock<Vec<usize>> = std::sync::OnceLock::new();
                ORDER.get_or_init(|| $crate::tabular::order(&Self::declared(), &[$($first),*]))
            }

            /// Rounds every number to what the table holds, so that a saved row and a fresh one go on from the same values.
            #[must_use]
            pub fn tidied(mut self) -> Self {
                $($crate::tabular::Group::tidy(&mut self.$field);)+
                self
            }
        }

        impl $crate::tabular::TableRow for $name {
            const STEM: &'static str = $stem;
            const NEEDED: &'static [&'static str] = &[$($needed),*];

            fn columns() -> Vec<$crate::tabular::Column> {
                $crate::tabular::in_order(Self::declared(), Self::order())
            }

            fn cells(&self) -> Vec<$crate::tabular::Cell> {
                let mut cells = Vec::new();
                $($crate::tabular::Group::cells(&self.$field, &mut cells);)+
                $crate::tabular::in_order(cells, Self::order())
            }

            fn from_record(record: &$crate::tabular::Record<'_>) -> Result<Self, $crate::tabular::TableError> {
                Ok(Self { $($field: <$ty as $crate::tabular::Group>::read(record, stringify!($field))?),+ })
            }

            fn extra(&self) -> &[(String, String)] {
                let found = [$($crate::tabular::Group::extra(&self.$field)),+];
                found.into_iter().flatten().next().unwrap_or_default()
            }

            $(fn renamed() -> &'static [(&'static str, &'static str)] {
                $renamed
            })?
        }
    };
}
pub(crate) use row;

#[cfg(test)]
mod tests {
    use crate::tabular::{CellKind, Extra, Fields, TableRow, from_csv, to_csv, words};

    words! {
        /// A shape.
        #[derive(Debug, Clone, Copy, PartialEq, Eq)]
        pub enum Shape {
            /// Round.
            Round = "round",
            /// Flat.
            Flat = "flat",
        }
    }

    row! {
        in "knobs", needs ["name"], first ["name", "n_seen"], renamed &[("widht_um", "width_um")];
        /// A row type as a recipe of the guide for developers adds it.
        #[derive(Debug, Clone, PartialEq, Default)]
        pub struct KnobRow {
            /// Width of the knob.
            pub width_um: Option<f64>,
            /// Name of the knob.
            pub name: String,
            /// How often it was seen.
            pub n_seen: u32,
            /// round or flat.
            pub shape: Option<Shape>,
            /// Turn.
            pub turn_deg: f64,
            /// Whether it is loose.
            pub loose: bool,
            /// Passed through.
            pub extra: Extra,
        }
    }

    /// The claim of the recipes: a field with its type and its doc comment is all that a column needs.
    #[test]
    fn a_field_is_a_column_everywhere() {
        let expected = [
            ("name", "", CellKind::Text, "Name of the knob."),
            ("n_seen", "1", CellKind::Count, "How often it was seen."),
            ("width_um", "um", CellKind::Number, "Width of the knob."),
            ("shape", "", CellKind::Text, "round or flat."),
            ("turn_deg", "deg", CellKind::Number, "Turn."),
            ("loose", "", CellKind::YesNo, "Whether it is loose."),
        ];
        assert_eq!(Shape::from_word(" Flat"), Some(Shape::Flat));
        let columns = KnobRow::columns();
        let found: Vec<_> = columns.iter().map(|c| (c.name.as_str(), c.unit, c.kind, c.meaning.as_str())).collect();
        assert_eq!(found, expected);
        let row = KnobRow {
            width_um: Some(1.0 / 3.0),
            name: "a;=1".into(),
            n_seen: 7,
            shape: Some(Shape::Flat),
            turn_deg: 12.345_678_9,
            loose: true,
            extra: vec![("by".into(), "Ann".into())],
        };
        let rows = [row.tidied()];
        assert_eq!((rows[0].width_um, rows[0].turn_deg), (Some(0.333_333), 12.3457));
        let csv = to_csv(&rows);
        let text = "name,n_seen,width_um,shape,turn_deg,loose,by\r\na;'=1,7,0.333333,flat,12.3457,yes,Ann\r\n";
        assert_eq!(String::from_utf8(csv.clone()).unwrap(), text);
        assert_eq!(from_csv::<KnobRow>("knobs.csv", &csv).unwrap(), rows);
        assert_eq!(Fields::of(&rows).rows::<KnobRow>().unwrap(), rows);
        let old = from_csv::<KnobRow>("knobs.csv", b"name,n_seen,widht_um,turn_deg\nx,1,2,3\n").unwrap();
        assert_eq!(old[0].width_um, Some(2.0));
        for (bad, said) in [
            ("n_seen,turn_deg\n1,2\n", "column name is missing"),
            (
                "name,n_seen,turn_deg,shape\nx,1,2,bent\n",
                "row 2, column shape: expected round or flat, or nothing, found \"bent\"",
            ),
            ("name,n_seen,turn_deg\nx,many,2\n", "row 2, column n_seen: expected a whole number"),
            ("name,n_seen,turn_deg,loose\nx,1,2,maybe\n", "column loose: expected yes or no"),
            ("name,n_seen,turn_deg\nx,1,\"2\n", "row 2: a double quote"),
        ] {
            let error = from_csv::<KnobRow>("knobs.csv", bad.as_bytes()).unwrap_err().to_string();
            assert!(error.contains(said), "{error}");
        }
    }
}
