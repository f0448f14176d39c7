//! One row as read from a file, with what is needed to say where something is wrong.

use super::cell::Column;
use super::error::TableError;
use super::formula::unguard_formula;
use super::words::Word;
use std::collections::BTreeMap;

/// The header of a table, with the names that this version uses.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Header {
    names: Vec<String>,
    places: BTreeMap<String, usize>,
    /// Places of columns that the row type does not have.
    extra: Vec<usize>,
}

impl Header {
    /// The header of a table; `own` are the columns of its rows, of which `needed` must be there.
    pub(super) fn new(table: &str, names: Vec<String>, own: &[Column], needed: &[&str]) -> Result<Self, TableError> {
        let mut places = BTreeMap::new();
        for (place, name) in names.iter().enumerate() {
            if places.insert(name.clone(), place).is_some() {
                let reason = format!("column {name} is there twice; keep one of them");
                return Err(TableError::Malformed { table: table.into(), row: 1, reason });
            }
        }
        if let Some(missing) = needed.iter().find(|n| !places.contains_key(**n)) {
            return Err(TableError::MissingColumn { table: table.into(), column: (*missing).into() });
        }
        let extra = (0..names.len()).filter(|i| !own.iter().any(|c| c.name == names[*i])).collect();
        Ok(Self { names, places, extra })
    }

    /// Names of the columns.
    pub fn names(&self) -> &[String] {
        &self.names
    }

    /// Names of columns that the row type does not have, in table order.
    pub fn extra(&self) -> impl Iterator<Item = &str> {
        self.extra.iter().map(|i| self.names[*i].as_str())
    }
}

/// One row as read.
#[derive(Debug, Clone, Copy)]
pub struct Record<'a> {
    /// Table file, for messages.
    pub table: &'a str,
    /// Line of the row in the file; the header is line 1.
    pub row: u64,
    /// Its columns.
    pub header: &'a Header,
    /// The fields of the row.
    pub fields: &'a csv::StringRecord,
}

impl Record<'_> {
    /// The field of a column; `None` when the table has no such column.
    fn field(&self, column: &str) -> Option<&str> {
        let index = *self.header.places.get(column)?;
        Some(self.fields.get(index).unwrap_or_default())
    }

    /// A field that is not of its kind.
    pub(crate) fn wrong(&self, column: &str, expected: impl Into<String>, found: &str) -> TableError {
        TableError::Cell {
            table: self.table.into(),
            row: self.row,
            column: column.into(),
            expected: expected.into(),
            found: found.into(),
        }
    }

    fn needed(&self, column: &str) -> Result<&str, TableError> {
        self.field(column).ok_or_else(|| TableError::MissingColumn { table: self.table.into(), column: column.into() })
    }

    /// Text of a column that must exist and may be empty.
    ///
    /// # Errors
    /// When the column is missing.
    pub fn text(&self, column: &str) -> Result<String, TableError> {
        self.needed(column).map(unguard_formula)
    }

    /// Text, `None` when empty or when the column is missing.
    pub fn optional_text(&self, column: &str) -> Option<String> {
        self.field(column).map(unguard_formula).filter(|f| !f.is_empty())
    }

    /// A number that must be there.
    ///
    /// # Errors
    /// When the column is missing, or the field empty or not a finite number.
    pub fn number(&self, column: &str) -> Result<f64, TableError> {
        let found = self.needed(column)?;
        self.optional_number(column)?.ok_or_else(|| self.wrong(column, "a number", found))
    }

    /// A number, `None` when empty or when the column is missing.
    ///
    /// # Errors
    /// When the field is not a finite number.
    pub fn optional_number(&self, column: &str) -> Result<Option<f64>, TableError> {
        match self.field(column).map(str::trim) {
            None | Some("") => Ok(None),
            Some(field) => match field.parse::<f64>() {
                Ok(value) if value.is_finite() => Ok(Some(value)),
                _ => Err(self.wrong(column, "a number with `.` as decimal point, or nothing", field)),
            },
        }
    }

    /// A whole number that must be there.
    ///
    /// # Errors
    /// When the column is missing, or the field empty or not a whole number that fits.
    pub fn count<N: TryFrom<u64>>(&self, column: &str) -> Result<N, TableError> {
        let found = self.needed(column)?;
        self.optional_count(column)?.ok_or_else(|| self.wrong(column, "a whole number", found))
    }

    /// A whole number, `None` when empty or when the column is missing.
    ///
    /// # Errors
    /// When the field is not a whole number that fits.
    pub fn optional_count<N: TryFrom<u64>>(&self, column: &str) -> Result<Option<N>, TableError> {
        match self.field(column).map(str::trim) {
            None | Some("") => Ok(None),
            Some(field) => {
                let value = field.parse::<u64>().ok().and_then(|n| N::try_from(n).ok());
                value.map(Some).ok_or_else(|| self.wrong(column, "a whole number, or nothing", field))
            }
        }
    }

    /// `yes` or `no`; `None` when empty or when the column is missing.
    ///
    /// # Errors
    /// When the field is another word.
    pub fn optional_yes_no(&self, column: &str) -> Result<Option<bool>, TableError> {
        match self.field(column).map(str::trim) {
            None | Some("") => Ok(None),
            Some("yes") => Ok(Some(true)),
            Some("no") => Ok(Some(false)),
            Some(field) => Err(self.wrong(column, "yes or no", field)),
        }
    }

    /// A word of an enumeration; `None` when empty or when the column is missing.
    ///
    /// # Errors
    /// When the field is none of its words.
    pub fn optional_word<W: Word>(&self, column: &str) -> Result<Option<W>, TableError> {
        match self.field(column).map(str::trim) {
            None | Some("") => Ok(None),
            Some(field) => {
                let value = W::of_word(field);
                value.map(Some).ok_or_else(|| self.wrong(column, format!("{}, or nothing", W::choices()), field))
            }
        }
    }

    /// Columns that the row type does not have, with their text, in table order.
    pub fn extra(&self) -> Vec<(String, String)> {
        let of = |i: &usize| {
            let text = unguard_formula(self.fields.get(*i).unwrap_or_default());
            (self.header.names[*i].clone(), text)
        };
        self.header.extra.iter().map(of).collect()
    }
}
