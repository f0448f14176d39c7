//! Text of the table -> calibrations, and back.

use super::error::ListError;
use super::table::{Calibration, CalibrationList};
use crate::tabular::{LineNumbers, check_quotes, guard_formula, unguard_formula};
use crate::units::Scale;
use std::ops::RangeInclusive;

/// Columns of the table, in order.
const COLUMNS: [&str; 5] = ["name", "um_per_px", "u_um_per_px", "date", "source"];

/// Standard uncertainties of scales, µm per px: positive, and no greater than the greatest scale.
const UNCERTAIN: RangeInclusive<f64> = f64::MIN_POSITIVE..=*Scale::PLAUSIBLE.end();

impl CalibrationList {
    /// Reads the table from its text; `table` names it in messages.
    ///
    /// # Errors
    /// As [`Self::read`].
    pub fn parse(table: &str, text: &str) -> Result<Self, ListError> {
        let malformed = |reason: String| ListError::Malformed { table: table.into(), reason };
        let text = text.trim_start_matches('\u{feff}');
        let mut reader = csv::ReaderBuilder::new().trim(csv::Trim::All).from_reader(text.as_bytes());
        check_quotes(text, b',').map_err(|stray| malformed(format!("line {}: {}", stray.line, stray.reason)))?;
        let header = reader.headers().map_err(|e| malformed(e.to_string()))?.clone();
        let lines = LineNumbers::after_header(&reader, &header);
        let place = |column: &str| {
            header
                .iter()
                .position(|h| h.eq_ignore_ascii_case(column))
                .ok_or_else(|| malformed(format!("column {column} is missing; expected {}", COLUMNS.join(", "))))
        };
        let (name, um, u) = (place("name")?, place("um_per_px")?, place("u_um_per_px")?);
        let (date, source) = (place("date")?, place("source")?);
        let header_of_list: Vec<String> =
            header.iter().map(|h| h.trim_matches(|c: char| c.is_whitespace() || c == '\u{feff}').to_owned()).collect();
        let others: Vec<usize> = (0..header.len()).filter(|i| own(&header[*i]).is_none()).collect();
        let mut list = Self { header: header_of_list, ..Self::default() };
        for record in reader.records() {
            let record = record.map_err(|e| malformed(e.to_string()))?;
            let row = lines.line(record.position());
            let text = |i: usize| unguard_formula(record.get(i).unwrap_or_default()).trim().to_owned();
            let number = |i: usize, column, range: RangeInclusive<f64>, expected| {
                text(i).parse::<f64>().ok().filter(|v| range.contains(v)).ok_or_else(|| ListError::Cell {
                    table: table.into(),
                    row,
                    column,
                    expected,
                    found: text(i),
                })
            };
            if list.rows.iter().any(|r| r.name == text(name)) {
                return Err(ListError::Repeated { table: table.into(), row, name: text(name) });
            }
            if text(name).is_empty() {
                let (column, expected) = ("name", "the name of an objective or magnification");
                return Err(ListError::Cell { table: table.into(), row, column, expected, found: String::new() });
            }
            let u_um_per_px = match text(u).is_empty() {
                true => None,
                false => Some(number(u, "u_um_per_px", UNCERTAIN, "a number of µm per px up to 1000, or nothing")?),
            };
            list.others.push(others.iter().map(|i| record.get(*i).unwrap_or_default().to_owned()).collect());
            list.rows.push(Calibration {
                name: text(name),
                um_per_px: number(um, "um_per_px", Scale::PLAUSIBLE, "a number of µm per px, 0.00001 to 1000")?,
                u_um_per_px,
                date: text(date),
                source: text(source),
            });
        }
        Ok(list)
    }

    /// The table as text.
    ///
    /// # Errors
    /// When a cell cannot be written, which is a fault of the program.
    pub fn to_csv(&self) -> Result<String, ListError> {
        let fault = |reason: String| ListError::Malformed { table: "to be written".into(), reason };
        let mut writer = csv::Writer::from_writer(Vec::new());
        let ours = || COLUMNS.map(str::to_owned).to_vec();
        let header = if self.header.is_empty() { ours() } else { self.header.clone() };
        writer.write_record(&header).map_err(|e| fault(e.to_string()))?;
        for (row, others) in self.rows.iter().zip(&self.others) {
            let u = row.u_um_per_px.map_or_else(String::new, significant);
            let [name, date, source] = [&row.name, &row.date, &row.source].map(|text| guard_formula(text));
            let cells = [name, significant(row.um_per_px), u, date, source];
            let mut others = others.iter();
            let cell = |column: &String| match own(column) {
                Some(place) => cells[place].clone(),
                None => others.next().cloned().unwrap_or_default(),
            };
            writer.write_record(header.iter().map(cell)).map_err(|e| fault(e.to_string()))?;
        }
        let bytes = writer.into_inner().map_err(|e| fault(e.to_string()))?;
        String::from_utf8(bytes).map_err(|e| fault(e.to_string()))
    }
}

/// Which of [`COLUMNS`] a column of a table is.
fn own(column: &str) -> Option<usize> {
    COLUMNS.iter().position(|c| c.eq_ignore_ascii_case(column))
}

/// A number to seven significant digits, without an exponent for the sizes that scales have.
fn significant(value: f64) -> String {
    const DIGITS: i32 = 7;
    let rounded = format!("{value:.*e}", DIGITS as usize - 1);
    // Rounded first: what is written is what is read back, and is written the same again.
    let value = rounded.parse().unwrap_or(value);
    if !(1e-9..1e15).contains(&value) {
        return rounded;
    }
    let places = (DIGITS - 1 - value.abs().log10().floor() as i32).clamp(0, 15) as usize;
    let text = format!("{value:.places$}");
    match text.contains('.') {
        true => text.trim_end_matches('0').trim_end_matches('.').to_owned(),
        false => text,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::units::ScaleSource;

    #[test]
    fn a_table_written_is_read_back() {
        let mut list = CalibrationList::default();
        let ten = Calibration {
            name: "10x, \"dry\"".into(),
            um_per_px: 0.345,
            u_um_per_px: Some(0.000_2),
            date: "2026-11-24".into(),
            source: "micrometer 10 µm, 41 lines".into(),
        };
        assert_eq!(list.put(ten.clone()), None);
        assert_eq!(list.put(Calibration { um_per_px: 0.346, ..ten.clone() }), Some(ten.clone()));
        let back = CalibrationList::parse("c.csv", &list.to_csv().expect("text")).expect("own format");
        assert_eq!(back.rows(), list.rows());
        let scale = back.scale("10x, \"dry\"").expect("there");
        assert_eq!((scale.um_per_px(), scale.source), (0.346, ScaleSource::Calibration));
        assert_eq!(
            back.scale("20x").expect_err("not there").to_string(),
            "calibration \"20x\" is not in the table of calibrations; known: 10x, \"dry\""
        );
    }

    #[test]
    fn formulas_are_written_harmless_and_come_back() {
        let names = ["=4x", "'=4x", "+10x", "-2x", "@x", "'plain", "＝x"];
        let mut list = CalibrationList::default();
        for (i, name) in names.into_iter().enumerate() {
            let (um_per_px, source) = ([0.5, 1e-5, 1e3][i % 3], "=HYPERLINK(\"x\")".to_owned());
            list.put(Calibration { name: name.into(), um_per_px, u_um_per_px: None, date: "=1".into(), source });
        }
        let text = list.to_csv().expect("text");
        let mut reader = csv::Reader::from_reader(text.as_bytes());
        assert!(reader.records().all(|r| r.expect("CSV").iter().all(|f| !f.starts_with(['=', '+', '-', '@', '＝']))));
        let back = CalibrationList::parse("c.csv", &text).expect("own format");
        assert_eq!(back.rows(), list.rows());
        assert!(names.iter().all(|n| back.find(n).is_some_and(|c| c.name == *n)));
        // As it stands in the table.
        assert_eq!(back.find("'+10x").map(|c| c.name.as_str()), Some("+10x"));
        // Signs and spaces around a name do not make two of one.
        let spaced = "name,um_per_px,u_um_per_px,date,source\n\"'\t=4x \",1,,,\n";
        assert_eq!(CalibrationList::parse("c.csv", spaced).expect("a table").rows()[0].name, "=4x");
    }

    /// Found by fuzzing: 999999999999999.5 was written without an exponent, and what was read back with one.
    #[test]
    fn a_number_written_is_written_the_same_again() {
        for value in [999_999_999_999_999.5, 123_456_789.4, 0.345_678_94, 9.999_999_9e-10, 1e-9, 7.5] {
            let text = significant(value);
            let again: f64 = text.parse().expect("a number");
            assert_eq!(significant(again), text);
            assert!((again / value - 1.0).abs() < 1e-6);
        }
    }

    #[test]
    fn faults_name_row_and_column() {
        let text = "name,um_per_px,u_um_per_px,date,source\n10x,\"0,345\",,,\n";
        assert_eq!(
            CalibrationList::parse("c.csv", text).expect_err("comma").to_string(),
            "calibrations c.csv, row 2, column um_per_px: expected a number of µm per px, 0.00001 to 1000, found \"0,345\""
        );
        assert!(CalibrationList::parse("c.csv", "name,um_per_px\n").is_err());
        // Found by fuzzing: a scale that no microscope has was read, and then told not to be there.
        for value in ["01048", "1e-6", "1e308", "-1", "NaN"] {
            let text = format!("name,um_per_px,u_um_per_px,date,source\n10x,{value},,,\n");
            assert!(CalibrationList::parse("c.csv", &text).is_err(), "{value}");
        }
        let twice = "name,um_per_px,u_um_per_px,date,source\na,1,,,\na,2,,,\n";
        assert!(matches!(CalibrationList::parse("c.csv", twice), Err(ListError::Repeated { row: 3, .. })));
    }
}
