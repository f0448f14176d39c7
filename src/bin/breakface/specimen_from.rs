//! Specimen codes and other columns of the series table from the names of pictures: `--specimen-from 'PATTERN'`.

use anyhow::{bail, ensure};
use breakface::pipeline::PictureJob;
use breakface::series::{Kind, SeriesRow};
use std::str::FromStr;

/// What `--help` says of it.
pub const HELP: &str = "Take specimens from the names of pictures, e.g. '{specimen}_{*}' for TC-P07-A_1.jpg; \
also {kind}, {knot}, {line}, {side}, {site} and {*} for anything; a pattern with / is held against the path, others against the name";

/// A pattern: fixed text and fields in turns.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Pattern {
    text: String,
    parts: Vec<Part>,
}

#[derive(Debug, Clone, PartialEq, Eq)]
enum Part {
    Text(String),
    Field(Field),
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Field {
    Specimen,
    Kind,
    Knot,
    Line,
    Side,
    Site,
    Anything,
}

const FIELDS: [(&str, Field); 7] = [
    ("specimen", Field::Specimen),
    ("kind", Field::Kind),
    ("knot", Field::Knot),
    ("line", Field::Line),
    ("side", Field::Side),
    ("site", Field::Site),
    ("*", Field::Anything),
];

impl FromStr for Pattern {
    type Err = anyhow::Error;

    fn from_str(text: &str) -> anyhow::Result<Self> {
        let mut parts = Vec::new();
        let mut rest = text;
        while let Some((fixed, after)) = rest.split_once('{') {
            if !fixed.is_empty() {
                parts.push(Part::Text(fixed.into()));
            }
            let Some((name, after)) = after.split_once('}') else { bail!("{text:?}: a {{ is not closed") };
            let Some((_, field)) = FIELDS.iter().find(|(n, _)| *n == name) else {
                let known: Vec<String> = FIELDS.iter().map(|(n, _)| format!("{{{n}}}")).collect();
                bail!("{text:?}: {{{name}}} is not known; expected {}", known.join(", "));
            };
            ensure!(!matches!(parts.last(), Some(Part::Field(_))), "{text:?}: two fields need fixed text between them");
            let again = *field != Field::Anything && parts.contains(&Part::Field(*field));
            ensure!(!again, "{text:?}: {{{name}}} is there twice");
            parts.push(Part::Field(*field));
            rest = after;
        }
        if !rest.is_empty() {
            parts.push(Part::Text(rest.into()));
        }
        ensure!(parts.contains(&Part::Field(Field::Specimen)), "{text:?}: {{specimen}} is missing");
        Ok(Self { text: text.into(), parts })
    }
}

impl Pattern {
    /// Fills the rows of pictures from their names; one note about those that do not fit, which keep their specimen.
    pub fn apply(&self, jobs: &mut [PictureJob]) -> Vec<String> {
        let mut misfits = Vec::new();
        for job in jobs {
            match self.fields(&job.series.image).and_then(|fields| filled(&job.series, &fields)) {
                Some(series) => job.series = series,
                None => misfits.push(job.series.image.clone()),
            }
        }
        match misfits.as_slice() {
            [] => Vec::new(),
            [first, ..] => {
                let n = misfits.len();
                let pictures = if n == 1 { "1 picture does".to_owned() } else { format!("{n} pictures do") };
                let text = format!(
                    "{pictures} not fit --specimen-from {:?}, e.g. {first}: its specimen is that of its folder or its own name",
                    self.text
                );
                vec![text]
            }
        }
    }

    /// The fields of a name: each takes as little as it can, the last all that is left.
    fn fields<'a>(&self, image: &'a str) -> Option<Vec<(Field, &'a str)>> {
        let path = image.rsplit_once('.').map_or(image, |(stem, end)| if end.contains('/') { image } else { stem });
        let name = path.rsplit_once('/').map_or(path, |(_, name)| name);
        let mut rest = if self.text.contains('/') { path } else { name };
        let mut out = Vec::new();
        for (i, part) in self.parts.iter().enumerate() {
            match (part, self.parts.get(i + 1)) {
                (Part::Text(text), _) => rest = rest.strip_prefix(text.as_str())?,
                (Part::Field(field), Some(Part::Text(next))) => {
                    // The last text of a pattern must end the name.
                    let is_last = i + 2 == self.parts.len();
                    let end = if is_last { rest.strip_suffix(next.as_str())?.len() } else { rest.find(next.as_str())? };
                    out.push((*field, &rest[..end]));
                    rest = &rest[end..];
                }
                (Part::Field(field), _) => {
                    out.push((*field, rest));
                    rest = "";
                }
            }
        }
        let whole = rest.is_empty() && out.iter().all(|(field, text)| *field == Field::Anything || !text.is_empty());
        whole.then_some(out)
    }
}

/// The row with these fields; `None` when one of them cannot be what its column holds.
fn filled(row: &SeriesRow, fields: &[(Field, &str)]) -> Option<SeriesRow> {
    let mut row = row.clone();
    for (field, text) in fields {
        let some = || Some((*text).to_owned());
        match field {
            Field::Specimen => row.specimen = (*text).to_owned(),
            Field::Kind => {
                row.kind = Some(
                    [Kind::Cut, Kind::Pull, Kind::Knot].into_iter().find(|k| k.word().eq_ignore_ascii_case(text))?,
                );
            }
            Field::Knot => row.knot = some(),
            Field::Line => row.line = some(),
            Field::Side => row.side = some(),
            Field::Site => row.site = some(),
            Field::Anything => {}
        }
    }
    if row.kind.is_none() && row.knot.is_some() {
        row.kind = Some(Kind::Knot);
    }
    Some(row)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn read(pattern: &str, image: &str) -> Option<Vec<(Field, String)>> {
        let pattern: Pattern = pattern.parse().unwrap();
        Some(pattern.fields(image)?.into_iter().map(|(f, t)| (f, t.to_owned())).collect())
    }

    #[test]
    fn names_are_taken_apart() {
        let specimen = |t: &str| (Field::Specimen, t.to_owned());
        let any = |t: &str| (Field::Anything, t.to_owned());
        assert_eq!(read("{specimen}_{*}", "in/TC-P07-A_1.jpg"), Some(vec![specimen("TC-P07-A"), any("1")]));
        assert_eq!(read("{specimen}_{*}", "TC-P07-A.jpg"), None);
        assert_eq!(read("{specimen}", "a.b/TC.1.tif"), Some(vec![specimen("TC.1")]));
        let knot = (Field::Knot, "palomar".to_owned());
        let found = read("{knot}/{specimen} ({*})", "palomar/P 1 (20x).png");
        assert_eq!(found, Some(vec![knot, specimen("P 1"), any("20x")]));
        assert_eq!(read("{specimen}-tip", "a-tip-tip.png"), Some(vec![specimen("a-tip")]));
        assert_eq!(read("{specimen}_{*}", "_1.png"), None);
    }

    #[test]
    fn faults_of_a_pattern_are_named() {
        for (pattern, reason) in [
            ("{*}", "{specimen} is missing"),
            ("{specimen", "not closed"),
            ("{specimen}{*}", "fixed text between"),
            ("{speciman}", "is not known"),
            ("{specimen}-{specimen}", "twice"),
        ] {
            assert!(pattern.parse::<Pattern>().unwrap_err().to_string().contains(reason), "{pattern}");
        }
    }
}
