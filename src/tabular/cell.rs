//! Cells and columns.

use super::formula::guard_formula;

/// Columns passed through from the series table: (name, text).
pub type Extra = Vec<(String, String)>;

/// What a column holds.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum CellKind {
    /// Free text.
    Text,
    /// A number with a fraction.
    Number,
    /// A whole number, 0 or more.
    Count,
    /// `yes` or `no`.
    YesNo,
}

/// One column of a table.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Column {
    /// Name in the header row, quantity first, unit last.
    pub name: String,
    /// Unit; `1` = dimensionless, empty = not a quantity.
    pub unit: &'static str,
    /// One sentence.
    pub meaning: String,
    /// What its cells hold.
    pub kind: CellKind,
}

impl Column {
    /// A column from its parts.
    pub fn new(name: &str, unit: &'static str, kind: CellKind, meaning: &str) -> Self {
        Self { name: name.into(), unit, meaning: meaning.into(), kind }
    }

    /// A text column.
    pub fn text(name: &str, meaning: &str) -> Self {
        Self::new(name, "", CellKind::Text, meaning)
    }

    /// A column of numbers.
    pub fn number(name: &str, unit: &'static str, meaning: &str) -> Self {
        Self::new(name, unit, CellKind::Number, meaning)
    }

    /// A column of whole numbers.
    pub fn count(name: &str, meaning: &str) -> Self {
        Self::new(name, "1", CellKind::Count, meaning)
    }

    /// A column of `yes` and `no`.
    pub fn yes_no(name: &str, meaning: &str) -> Self {
        Self::new(name, "", CellKind::YesNo, meaning)
    }
}

/// One value; missing values are `None` and become empty fields.
#[derive(Debug, Clone, PartialEq)]
pub enum Cell {
    /// Free text; empty = missing.
    Text(String),
    /// A number; values that are not finite count as missing.
    Number(Option<f64>),
    /// A whole number.
    Count(Option<u64>),
    /// `yes` or `no`.
    YesNo(Option<bool>),
}

impl Cell {
    /// Text, or a missing value.
    pub fn text(value: impl Into<Option<String>>) -> Self {
        Self::Text(value.into().unwrap_or_default())
    }

    /// A word, e.g. of an enumeration.
    pub fn word(value: Option<&str>) -> Self {
        Self::Text(value.unwrap_or_default().into())
    }

    /// The cell as written to CSV, before quoting.
    pub fn to_field(&self) -> String {
        match self {
            Self::Text(text) => guard_formula(text),
            Self::Number(value) => value.map(format_number).unwrap_or_default(),
            Self::Count(value) => value.map(|v| v.to_string()).unwrap_or_default(),
            Self::YesNo(value) => value.map(yes_no_word).unwrap_or_default().into(),
        }
    }
}

fn yes_no_word(value: bool) -> &'static str {
    if value { "yes" } else { "no" }
}

/// Significant digits of every number in a table: more than any measurement here has, few enough that the same
/// run gives the same bytes on every machine.
const SIGNIFICANT_DIGITS: i32 = 6;

/// The number as tables hold it: rounded to six significant digits.
pub fn tidy(value: f64) -> f64 {
    if value == 0.0 || !value.is_finite() {
        return if value == 0.0 { 0.0 } else { value };
    }
    format!("{value:.*e}", (SIGNIFICANT_DIGITS - 1) as usize).parse().unwrap_or(value)
}

/// A number with `.` as decimal point, six significant digits, no exponent; empty when not finite.
pub fn format_number(value: f64) -> String {
    if !value.is_finite() {
        return String::new();
    }
    let value = tidy(value);
    if value == 0.0 {
        return "0".into();
    }
    // `Display` of f64 prints the shortest decimal that reads back to the same value, never an exponent.
    format!("{value}")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn numbers_keep_six_digits_and_no_exponent() {
        assert_eq!(format_number(0.345), "0.345");
        assert_eq!(format_number(1.0 / 3.0), "0.333333");
        assert_eq!(format_number(1_234_567.0), "1234570");
        assert_eq!(format_number(-0.000_001_234_567_8), "-0.00000123457");
        assert_eq!(format_number(-0.0), "0");
        assert_eq!(format_number(f64::NAN), "");
    }
}
