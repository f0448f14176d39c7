//! Tables -> the order in which the page tells them: knots from least to most sheared, their specimens, controls, the rest.

use crate::results::Results;
use crate::series::Kind;
use crate::table::{CarrierRow, EndRow, ImageRow, KnotRow, SideRow, SpecimenRow};
use crate::tree::Label;
use std::collections::BTreeMap;

/// One specimen with everything that belongs to it.
#[derive(Debug)]
pub(crate) struct Specimen<'a> {
    /// Its row of `specimens.csv`.
    pub row: &'a SpecimenRow,
    /// Its ends.
    pub ends: Vec<&'a EndRow>,
    /// Its pictures.
    pub images: Vec<&'a ImageRow>,
    /// Its carriers, over all pictures.
    pub carriers: Vec<&'a CarrierRow>,
    /// Its broken sides.
    pub sides: Vec<&'a SideRow>,
}

impl<'a> Specimen<'a> {
    /// The picture that stands for the break face: the one with most counted ends that have a verdict, then most ends.
    pub fn main_image(&self) -> Option<&'a ImageRow> {
        let mut counts: BTreeMap<&str, (usize, usize)> = BTreeMap::new();
        for end in &self.ends {
            let (graded, all) = counts.entry(&end.image).or_default();
            *graded += usize::from(end.counted && end.label != Label::Unclear);
            *all += 1;
        }
        let most = |image: &&ImageRow| counts.get(image.series.image.as_str()).copied().unwrap_or_default();
        self.images.iter().copied().min_by_key(|image| std::cmp::Reverse(most(image)))
    }

    /// The ends of one picture.
    pub fn ends_of(&self, image: &str) -> impl Iterator<Item = &'a EndRow> {
        self.ends.iter().copied().filter(move |e| e.image == image)
    }
}

/// One knot in one line.
#[derive(Debug)]
pub(crate) struct Knot<'a> {
    /// Knot name; empty when the table gives none.
    pub name: &'a str,
    /// Line designation.
    pub line: Option<&'a str>,
    /// Its row of `knots.csv`, when there is one.
    pub row: Option<&'a KnotRow>,
    /// Positions of its specimens in [`Story::specimens`].
    pub specimens: Vec<usize>,
}

/// What the page tells, in order.
#[derive(Debug)]
pub(crate) struct Story<'a> {
    /// The tables.
    pub results: &'a Results,
    /// Every specimen, in table order.
    pub specimens: Vec<Specimen<'a>>,
    /// Knots from least to most sheared.
    pub knots: Vec<Knot<'a>>,
    /// Positions of the controls.
    pub controls: Vec<usize>,
    /// Positions of specimens that are neither.
    pub others: Vec<usize>,
}

impl<'a> Story<'a> {
    /// Arranges the tables.
    pub fn new(input: &'a Results) -> Self {
        let specimens = gather(input);
        let knots = group(input, &specimens);
        let of = |want: &dyn Fn(&Specimen<'_>) -> bool| {
            specimens.iter().enumerate().filter(|(_, s)| want(s)).map(|(i, _)| i).collect::<Vec<_>>()
        };
        let controls = of(&|s| matches!(s.row.kind, Some(Kind::Cut | Kind::Pull)));
        let others = of(&|s| s.row.kind.is_none() && s.row.knot.is_none());
        Self { results: input, knots, controls, others, specimens }
    }

    /// Whether several lines were tested, so that the line must be named beside a knot.
    pub fn several_lines(&self) -> bool {
        self.knots.windows(2).any(|pair| pair[0].line != pair[1].line)
    }
}

fn gather(input: &Results) -> Vec<Specimen<'_>> {
    let mut place = BTreeMap::new();
    let mut specimens: Vec<Specimen<'_>> = Vec::with_capacity(input.specimens.len());
    for row in &input.specimens {
        place.entry(row.specimen.as_str()).or_insert(specimens.len());
        specimens.push(Specimen { row, ends: vec![], images: vec![], carriers: vec![], sides: vec![] });
    }
    let at = |code: &str| place.get(code).copied();
    // An end that a person says is none stays in the table and out of the page.
    for end in input.ends.iter().filter(|e| !e.is_no_end()) {
        if let Some(i) = at(&end.specimen) {
            specimens[i].ends.push(end);
        }
    }
    for image in &input.images {
        if let Some(i) = at(&image.series.specimen) {
            specimens[i].images.push(image);
        }
    }
    for carrier in &input.carriers {
        if let Some(i) = at(&carrier.specimen) {
            specimens[i].carriers.push(carrier);
        }
    }
    for side in &input.sides {
        if let Some(i) = at(&side.specimen) {
            specimens[i].sides.push(side);
        }
    }
    specimens
}

fn group<'a>(input: &'a Results, specimens: &[Specimen<'a>]) -> Vec<Knot<'a>> {
    let mut knots: Vec<Knot<'a>> = input
        .knots
        .iter()
        .map(|row| Knot { name: &row.knot, line: row.line.as_deref(), row: Some(row), specimens: vec![] })
        .collect();
    for (i, specimen) in specimens.iter().enumerate() {
        let row = specimen.row;
        if matches!(row.kind, Some(Kind::Cut | Kind::Pull)) || (row.kind.is_none() && row.knot.is_none()) {
            continue;
        }
        let (name, line) = (row.knot.as_deref().unwrap_or(""), row.line.as_deref());
        match knots.iter_mut().find(|k| k.name == name && k.line == line) {
            Some(knot) => knot.specimens.push(i),
            None => knots.push(Knot { name, line, row: None, specimens: vec![i] }),
        }
    }
    // Line by line, since only knots of one line compare; least sheared first, knots without a fraction last, by name.
    knots.sort_by(|a, b| {
        let key = |k: &Knot<'_>| k.row.and_then(|r| r.sheared_fraction).unwrap_or(f64::INFINITY);
        a.line.cmp(&b.line).then(key(a).total_cmp(&key(b))).then_with(|| a.name.cmp(b.name))
    });
    knots
}

#[cfg(test)]
mod tests {
    use super::*;

    fn specimen(code: &str, kind: Option<Kind>, knot: Option<&str>) -> SpecimenRow {
        SpecimenRow { specimen: code.into(), kind, knot: knot.map(str::to_owned), ..SpecimenRow::default() }
    }

    #[test]
    fn knots_are_told_from_least_to_most_sheared_and_everything_has_one_place() {
        let knot = |name: &str, f| KnotRow { knot: name.into(), sheared_fraction: f, ..KnotRow::default() };
        let input = Results {
            specimens: vec![
                specimen("a", Some(Kind::Knot), Some("B")),
                specimen("b", Some(Kind::Cut), None),
                specimen("c", None, None),
                specimen("d", None, Some("A")),
                specimen("e", Some(Kind::Knot), None),
            ],
            knots: vec![knot("A", Some(0.7)), knot("B", Some(0.2))],
            ..Results::default()
        };
        let story = Story::new(&input);
        let names: Vec<_> = story.knots.iter().map(|k| (k.name, k.specimens.clone())).collect();
        assert_eq!(names, [("B", vec![0]), ("A", vec![3]), ("", vec![4])]);
        assert_eq!((story.controls, story.others), (vec![1], vec![2]));
    }
}
