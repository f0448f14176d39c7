//! Reading `series.csv` as people save it: with a byte-order mark, CRLF, semicolons or decimal commas.

use super::look_alike;
use super::{GivenScale, Kind, ListedPicture, RowProblem, Series, SeriesError, SeriesRow};
use crate::tabular::{LineNumbers, TableRow, Word, check_quotes, unguard_formula};
use crate::units::Scale;
use std::collections::BTreeMap;
use std::path::Path;
use std::sync::OnceLock;
use unicode_normalization::UnicodeNormalization;

/// Columns of the table that say the scale.
const SCALE_COLUMNS: [&str; 2] = ["um_per_px", "u_um_per_px"];
/// The column of the table for [`SeriesRow::counted`]: there it is a wish, in the results a fact.
const COUNT_COLUMN: &str = "count";

/// Columns with a meaning; all others are passed through.
fn known_columns() -> &'static [String] {
    static COLUMNS: OnceLock<Vec<String>> = OnceLock::new();
    COLUMNS.get_or_init(|| {
        let own = SeriesRow::columns().into_iter().map(|c| c.name);
        let own = own.map(|name| if name == "counted" { COUNT_COLUMN.to_owned() } else { name });
        own.chain(SCALE_COLUMNS.map(str::to_owned)).collect()
    })
}

/// Reads a series table.
///
/// Fields may be separated by commas, semicolons or tabs (told from the header); decimal commas are understood where
/// the comma does not separate fields. Bad rows do not stop the reading: they are listed in [`Series::problems`].
///
/// # Errors
/// When the file cannot be read, is not UTF-8 text, or its header lacks `image` or `specimen` or names a column twice.
pub fn read_series(path: &Path) -> Result<Series, SeriesError> {
    let table = path.display().to_string();
    let bytes = crate::files::read_regular(path)
        .map_err(|e| SeriesError::Unreadable { table: table.clone(), reason: e.to_string() })?;
    parse_series(&table, &bytes)
}

/// Reads a series table from bytes; `table` names it in messages.
///
/// # Errors
/// As [`read_series`], but for reading the file.
pub fn parse_series(table: &str, bytes: &[u8]) -> Result<Series, SeriesError> {
    let mut series = Series::default();
    let text = decode(table, bytes)?;
    let delimiter = delimiter_of(&text);
    if delimiter != b',' {
        let name = if delimiter == b';' { "semicolons" } else { "tabs" };
        series.notes.push(format!("table {table}: fields are separated by {name}; read as such"));
    }
    check_quotes(&text, delimiter).map_err(|stray| SeriesError::Malformed {
        table: table.into(),
        row: stray.line,
        reason: stray.reason,
    })?;
    let mut reader = csv::ReaderBuilder::new().delimiter(delimiter).flexible(true).from_reader(text.as_bytes());
    let header = header_of(table, &mut reader)?;
    let names = reader.headers().cloned().unwrap_or_default();
    let lines = LineNumbers::after_header(&reader, &names);
    let mut seen: BTreeMap<String, (u64, String)> = BTreeMap::new();
    let mut decimal_commas = false;
    let mut pointed: BTreeMap<u64, SeriesError> = BTreeMap::new();
    for fields in reader.records() {
        let fields = fields.map_err(|e| malformed(table, lines, &e))?;
        if fields.iter().all(|f| f.trim().is_empty()) {
            continue;
        }
        let row = lines.line(fields.position());
        let mut line = Line {
            table,
            row,
            header: &header,
            fields: &fields,
            comma_is_decimal: delimiter != b',',
            saw_comma: false,
            pointed: None,
        };
        let (read, scale, error) = line.read();
        // One spelling of accented names, whatever system wrote the table.
        let key: String = read.image.nfc().collect();
        decimal_commas |= line.saw_comma;
        if let Some(error) = error {
            series.problems.push(RowProblem { series: read, error });
        } else if let Some((first, specimen)) = seen.get(&key) {
            let error = SeriesError::Repeated {
                table: table.into(),
                row,
                image: read.image.clone(),
                first: *first,
                specimen: specimen.clone(),
            };
            series.problems.push(RowProblem { series: read, error });
        } else {
            seen.insert(key, (row, read.specimen.clone()));
            pointed.extend(line.pointed.take().map(|error| (row, error)));
            series.rows.push(ListedPicture { series: read, scale, row });
        }
    }
    series.notes.extend(look_alike::notes(table, &series.rows));
    if decimal_commas {
        refuse_points(&mut series, pointed);
        series.notes.push(format!("table {table}: decimal commas were read as decimal points"));
    }
    Ok(series)
}

/// Where commas are decimal, a point may part thousands: such rows are not guessed at.
fn refuse_points(series: &mut Series, mut pointed: BTreeMap<u64, SeriesError>) {
    for listed in std::mem::take(&mut series.rows) {
        match pointed.remove(&listed.row) {
            Some(error) => series.problems.push(RowProblem { series: listed.series, error }),
            None => series.rows.push(listed),
        }
    }
}

fn decode(table: &str, bytes: &[u8]) -> Result<String, SeriesError> {
    let wrong = |row, reason: &str| SeriesError::Malformed { table: table.into(), row, reason: reason.into() };
    if bytes.starts_with(b"\xff\xfe") || bytes.starts_with(b"\xfe\xff") {
        return Err(wrong(1, "expected UTF-8 text, found UTF-16; save the table as CSV UTF-8"));
    }
    if bytes.starts_with(b"PK\x03\x04") {
        return Err(wrong(1, "expected CSV text, found a spreadsheet file; save the table as CSV UTF-8"));
    }
    let bytes = bytes.strip_prefix(b"\xef\xbb\xbf").unwrap_or(bytes);
    let text = std::str::from_utf8(bytes).map_err(|e| {
        let row = 1 + bytes[..e.valid_up_to()].iter().filter(|b| **b == b'\n').count() as u64;
        wrong(row, "expected UTF-8 text, found other bytes; save the table as CSV UTF-8")
    })?;
    if text.contains('\0') {
        return Err(wrong(1, "expected CSV text, found binary data; save the table as CSV UTF-8"));
    }
    // Old spreadsheets end lines with a lone CR.
    Ok(if text.contains('\r') && !text.contains('\n') { text.replace('\r', "\n") } else { text.into() })
}

/// The separator that the header uses: the one of comma, semicolon and tab that occurs most outside quotes.
fn delimiter_of(text: &str) -> u8 {
    let header = text.lines().next().unwrap_or_default();
    let mut quoted = false;
    let mut counts = [(b',', 0), (b';', 0), (b'\t', 0)];
    for byte in header.bytes() {
        quoted ^= byte == b'"';
        for (delimiter, count) in &mut counts {
            *count += usize::from(!quoted && byte == *delimiter);
        }
    }
    // The first of equals wins, so that a header of one column is read as comma-separated.
    counts.iter().rev().max_by_key(|(_, count)| *count).map_or(b',', |(delimiter, _)| *delimiter)
}

fn header_of(table: &str, reader: &mut csv::Reader<&[u8]>) -> Result<Vec<String>, SeriesError> {
    let header: Vec<String> =
        reader.headers().map_err(|e| malformed(table, LineNumbers::default(), &e))?.iter().map(tidy_name).collect();
    for (i, column) in header.iter().enumerate() {
        if !column.is_empty() && header[..i].contains(column) {
            return Err(SeriesError::DuplicateColumn { table: table.into(), column: column.clone() });
        }
    }
    for column in ["image", "specimen"] {
        if !header.iter().any(|h| h == column) {
            return Err(SeriesError::MissingColumn { table: table.into(), column });
        }
    }
    Ok(header)
}

/// Column names are compared without surrounding space; known ones without regard to case.
fn tidy_name(name: &str) -> String {
    let name = name.trim();
    known_columns().iter().find(|c| c.eq_ignore_ascii_case(name)).map_or_else(|| name.to_owned(), Clone::clone)
}

fn malformed(table: &str, lines: LineNumbers, error: &csv::Error) -> SeriesError {
    let row = lines.line(error.position());
    SeriesError::Malformed {
        table: table.into(),
        row,
        reason: "expected rows of separated fields; check the quotes".into(),
    }
}

/// One row while it is being read.
struct Line<'a> {
    table: &'a str,
    row: u64,
    header: &'a [String],
    fields: &'a csv::StringRecord,
    comma_is_decimal: bool,
    saw_comma: bool,
    /// What is wrong with its first number with a decimal point, should other numbers of the table have commas.
    pointed: Option<SeriesError>,
}

impl Line<'_> {
    fn field(&self, column: &str) -> &str {
        let index = self.header.iter().position(|h| h == column);
        index.and_then(|i| self.fields.get(i)).unwrap_or_default().trim()
    }

    /// Text that is compared with that of other rows: accented letters have two spellings in Unicode, and here one.
    fn text(&self, column: &str) -> Option<String> {
        Some(unguard_formula(self.field(column))).filter(|f| !f.is_empty()).map(|f| f.nfc().collect())
    }

    fn wrong(&self, column: &str, expected: impl Into<String>, remedy: impl Into<String>) -> SeriesError {
        SeriesError::Cell {
            table: self.table.into(),
            row: self.row,
            column: column.into(),
            expected: expected.into().into_boxed_str(),
            found: self.field(column).into(),
            remedy: remedy.into().into_boxed_str(),
        }
    }

    /// The row with everything that could be read, and the first thing that could not.
    fn read(&mut self) -> (SeriesRow, GivenScale, Option<SeriesError>) {
        let mut row = SeriesRow {
            image: unguard_formula(self.field("image")).replace('\\', "/"),
            specimen: self.text("specimen").unwrap_or_default(),
            knot: self.text("knot"),
            line: self.text("line"),
            side: self.text("side"),
            site: self.text("site"),
            counted: true,
            extra: self.extra(),
            ..SeriesRow::default()
        };
        let mut scale = GivenScale::default();
        let error = self.fill(&mut row, &mut scale).err();
        (row, scale, error)
    }

    fn fill(&mut self, row: &mut SeriesRow, scale: &mut GivenScale) -> Result<(), SeriesError> {
        if self.fields.len() > self.header.len() {
            let reason = format!(
                "expected {} fields as in the header, found {}; put text that holds the separator in double quotes",
                self.header.len(),
                self.fields.len()
            );
            return Err(SeriesError::Malformed { table: self.table.into(), row: self.row, reason });
        }
        if row.image.is_empty() {
            return Err(self.wrong(
                "image",
                "a picture file",
                "write its path relative to the table, or delete the row",
            ));
        }
        if row.specimen.is_empty() {
            return Err(self.wrong("specimen", "a specimen code", "write one, or delete the row"));
        }
        row.kind = match self.field("kind") {
            "" => None,
            word => Some(Kind::from_word(word).ok_or_else(|| {
                let expected = format!("{}, or nothing", Kind::choices());
                self.wrong("kind", expected, "use one of these words, or leave it empty")
            })?),
        };
        scale.um_per_px = self.scale("um_per_px")?;
        scale.u_um_per_px = self.positive("u_um_per_px")?;
        if scale.um_per_px.zip(scale.u_um_per_px).is_some_and(|(scale, u)| scale <= u) {
            return Err(self.wrong("u_um_per_px", "an uncertainty below the scale", "correct it, or leave it empty"));
        }
        row.peak_load_n = self.positive("peak_load_n")?;
        row.carriers = match self.field("carriers") {
            "" => None,
            word => Some(word.parse().ok().filter(|n| *n > 0).ok_or_else(|| {
                self.wrong("carriers", "a whole number above 0", "write the number of carriers, or leave it empty")
            })?),
        };
        row.counted = match self.field(COUNT_COLUMN).to_ascii_lowercase().as_str() {
            "" | "yes" => true,
            "no" => false,
            _ => return Err(self.wrong(COUNT_COLUMN, "yes or no", "use one of these words, or leave it empty")),
        };
        Ok(())
    }

    /// A number above zero, or nothing.
    fn positive(&mut self, column: &str) -> Result<Option<f64>, SeriesError> {
        let field = self.field(column).to_owned();
        if field.is_empty() {
            return Ok(None);
        }
        let has_comma = field.contains(',') && !field.contains('.');
        let text = if has_comma && self.comma_is_decimal { field.replace(',', ".") } else { field.clone() };
        match text.parse::<f64>() {
            Ok(value) if value.is_finite() && value > 0.0 => {
                self.saw_comma |= has_comma;
                if self.pointed.is_none() && field.contains('.') {
                    let expected = "a decimal comma, as elsewhere in this table";
                    let remedy = "write the number with a comma, and no point between thousands";
                    self.pointed = Some(self.wrong(column, expected, remedy));
                }
                Ok(Some(value))
            }
            _ if has_comma => {
                let remedy = format!("write {}", field.replace(',', "."));
                Err(self.wrong(column, "a number above 0 with `.` as decimal point", remedy))
            }
            _ => Err(self.wrong(column, "a number above 0", "correct it, or leave it empty")),
        }
    }

    /// A scale that a microscope can have, or nothing.
    fn scale(&mut self, column: &str) -> Result<Option<f64>, SeriesError> {
        let value = self.positive(column)?;
        if value.is_none_or(|v| Scale::PLAUSIBLE.contains(&v)) {
            return Ok(value);
        }
        let (least, most) = (Scale::PLAUSIBLE.start(), Scale::PLAUSIBLE.end());
        let expected = format!("micrometres per pixel from {least} to {most}");
        Err(self.wrong(column, expected, "correct it, or leave it empty"))
    }

    /// Unknown columns.
    fn extra(&self) -> Vec<(String, String)> {
        self.header
            .iter()
            .filter(|h| !h.is_empty() && !known_columns().contains(h))
            .map(|h| (h.clone(), unguard_formula(self.field(h))))
            .collect()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn parse(text: &str) -> Series {
        parse_series("series.csv", text.as_bytes()).unwrap()
    }

    fn refused(bytes: &[u8]) -> String {
        parse_series("series.csv", bytes).unwrap_err().to_string()
    }

    #[test]
    fn a_plain_table_with_an_unknown_column() {
        let series = parse("image,specimen,kind,um_per_px,count,tied_by,label\na.jpg,S1,knot,0.48,no,Ann,x\n");
        let row = &series.rows[0];
        assert_eq!((row.series.kind, row.scale.um_per_px, row.series.counted), (Some(Kind::Knot), Some(0.48), false));
        assert_eq!(row.series.extra, [("tied_by".into(), "Ann".into()), ("label".into(), "x".into())]);
        assert!(series.problems.is_empty() && series.notes.is_empty());
    }

    #[test]
    fn mark_crlf_semicolons_and_decimal_commas_are_understood_and_said() {
        let series = parse("\u{feff}image;specimen;um_per_px\r\nb\\a.jpg;S1;0,48\r\n");
        assert_eq!((series.rows[0].series.image.as_str(), series.rows[0].scale.um_per_px), ("b/a.jpg", Some(0.48)));
        assert_eq!(series.notes.len(), 2);
    }

    #[test]
    fn every_fault_names_file_row_column_and_remedy() {
        let series = parse(
            "image,specimen,kind,um_per_px,carriers,count\n\
             a.jpg,S1,,\"0,48\",,\nb.jpg,S1,knit,,,\nc.jpg,S1,,-1,,\nd.jpg,S1,,,1.5,\ne.jpg,S1,,,,maybe\n,S1,,,,\nf.jpg,,,,,\n\
             g.jpg,S1,,,,\ng.jpg,S2,,,,\nh.jpg,S1,,,,,,\n",
        );
        let messages: Vec<String> = series.problems.iter().map(|p| p.error.to_string()).collect();
        let expected = [
            "row 2, column um_per_px: expected a number above 0 with `.` as decimal point, found \"0,48\"; write 0.48",
            "row 3, column kind: expected cut, pull or knot, or nothing, found \"knit\"",
            "row 4, column um_per_px: expected a number above 0, found \"-1\"",
            "row 5, column carriers: expected a whole number above 0, found \"1.5\"",
            "row 6, column count: expected yes or no, found \"maybe\"",
            "row 7, column image: expected a picture file",
            "row 8, column specimen: expected a specimen code",
            "row 10, column image: g.jpg is in row 9 already, for specimen S1",
            "row 11: expected 6 fields as in the header, found 8",
        ];
        assert_eq!(messages.len(), expected.len());
        for (message, expected) in messages.iter().zip(expected) {
            assert!(message.starts_with(&format!("table series.csv, {expected}")), "{message}");
        }
        assert_eq!(series.rows.len(), 1);
    }

    #[test]
    fn tables_that_cannot_be_used_are_refused_with_a_remedy() {
        assert!(refused(b"image,kind\n").contains("column specimen is missing"));
        assert!(refused(b"image,specimen,Image\n").contains("column image is there twice"));
        assert!(refused(b"").contains("column image is missing"));
        assert!(refused(b"image,specimen\na.jpg,\xff\n").contains("row 2: expected UTF-8"));
        assert!(refused(b"\xff\xfei\0m\0").contains("UTF-16"));
        assert!(refused(b"PK\x03\x04rest").contains("spreadsheet"));
    }
}
