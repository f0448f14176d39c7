//! Tables -> what the page shows, in its order: knots from least to most sheared, their specimens, controls, the rest.

use crate::results::Results;
use crate::series::Kind;
use crate::table::{CarrierRow, EndRow, FaceVerdict, ImageRow, KnotRow, SideRow, SpecimenRow};
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
    /// Positions of its specimens in [`ViewModel::specimens`].
    pub specimens: Vec<usize>,
    /// Its place among the knots of its line, from 1; `None` where there is no order to tell.
    pub rank: Option<u32>,
    /// A few letters that stand for it in a plot.
    pub initials: String,
}

impl<'a> Knot<'a> {
    fn new(name: &'a str, line: Option<&'a str>, row: Option<&'a KnotRow>) -> Self {
        Self { name, line, row, specimens: vec![], rank: row.and_then(|r| r.rank), initials: String::new() }
    }

    /// Sheared fraction, mean of its specimens.
    pub fn fraction(&self) -> Option<f64> {
        self.row?.sheared_fraction
    }

    /// Its interval.
    pub fn interval(&self) -> Option<(f64, f64)> {
        self.row.and_then(|r| r.sheared_low.zip(r.sheared_high))
    }

    /// The verdict on its break.
    pub fn verdict(&self) -> Option<FaceVerdict> {
        self.row.and_then(|r| r.verdict)
    }
}

/// What the page shows, in order.
#[derive(Debug)]
pub(crate) struct ViewModel<'a> {
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

impl<'a> ViewModel<'a> {
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

    /// Name of a knot, with its line where several lines were tested.
    pub fn knot_name(&self, knot: &Knot<'_>) -> String {
        let name = if knot.name.is_empty() { "unnamed knot" } else { knot.name };
        match knot.line.filter(|_| self.several_lines()) {
            Some(line) => format!("{name} in {line}"),
            None => name.to_owned(),
        }
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
    let mut knots: Vec<Knot<'a>> =
        input.knots.iter().map(|row| Knot::new(&row.knot, row.line.as_deref(), Some(row))).collect();
    for (i, specimen) in specimens.iter().enumerate() {
        let row = specimen.row;
        if matches!(row.kind, Some(Kind::Cut | Kind::Pull)) || (row.kind.is_none() && row.knot.is_none()) {
            continue;
        }
        let (name, line) = (row.knot.as_deref().unwrap_or(""), row.line.as_deref());
        match knots.iter_mut().find(|k| k.name == name && k.line == line) {
            Some(knot) => knot.specimens.push(i),
            None => knots.push(Knot { specimens: vec![i], ..Knot::new(name, line, None) }),
        }
    }
    // Line by line, since only knots of one line compare; least sheared first, those without a rank last, by name.
    let place = |k: &Knot<'_>| k.rank.unwrap_or(u32::MAX);
    knots.sort_by(|a, b| a.line.cmp(&b.line).then(place(a).cmp(&place(b))).then_with(|| a.name.cmp(b.name)));
    unrank_single(&mut knots);
    give_initials(&mut knots);
    knots
}

/// One ranked knot of a line makes no order.
fn unrank_single(knots: &mut [Knot<'_>]) {
    for of_line in knots.chunk_by_mut(|a, b| a.line == b.line) {
        if of_line.iter().filter(|k| k.rank.is_some()).count() < 2 {
            of_line.iter_mut().for_each(|k| k.rank = None);
        }
    }
}

/// Initials of the words of each name, with a number where two knots would share them. They are no ranking.
fn give_initials(knots: &mut [Knot<'_>]) {
    let mut given: BTreeMap<String, usize> = BTreeMap::new();
    for knot in knots {
        let words: Vec<&str> = knot.name.split_whitespace().collect();
        let letters: String = match words.as_slice() {
            [] => "?".to_owned(),
            [one] if one.chars().count() <= 2 => (*one).to_owned(),
            [one] => one.chars().take(1).collect(),
            several => several.iter().take(2).filter_map(|w| w.chars().next()).collect(),
        };
        let letters = letters.to_uppercase();
        let n = given.entry(letters.clone()).or_default();
        *n += 1;
        knot.initials = if *n == 1 { letters } else { format!("{letters}{n}") };
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn specimen(code: &str, kind: Option<Kind>, knot: Option<&str>) -> SpecimenRow {
        SpecimenRow { specimen: code.into(), kind, knot: knot.map(str::to_owned), ..SpecimenRow::default() }
    }

    #[test]
    fn knots_come_from_least_to_most_sheared_and_everything_has_one_place() {
        let knot = |name: &str, rank| KnotRow { knot: name.into(), rank, ..KnotRow::default() };
        let input = Results {
            specimens: vec![
                specimen("a", Some(Kind::Knot), Some("B")),
                specimen("b", Some(Kind::Cut), None),
                specimen("c", None, None),
                specimen("d", None, Some("A")),
                specimen("e", Some(Kind::Knot), None),
            ],
            knots: vec![knot("A", Some(2)), knot("B", Some(1))],
            ..Results::default()
        };
        let view = ViewModel::new(&input);
        let names: Vec<_> = view.knots.iter().map(|k| (k.name, k.specimens.clone())).collect();
        assert_eq!(names, [("B", vec![0]), ("A", vec![3]), ("", vec![4])]);
        assert_eq!((view.controls, view.others), (vec![1], vec![2]));
    }

    #[test]
    fn knots_are_ranked_within_their_line_and_one_makes_no_order() {
        let knot = |name: &str, line: &str, rank| KnotRow {
            knot: name.into(),
            line: Some(line.into()),
            rank,
            ..KnotRow::default()
        };
        let knots = vec![
            knot("Palomar", "a", Some(1)),
            knot("Improved clinch", "a", Some(2)),
            knot("Uni", "a", None),
            knot("Palomar", "b", Some(1)),
        ];
        let input = Results { knots, ..Results::default() };
        let view = ViewModel::new(&input);
        let told: Vec<_> = view.knots.iter().map(|k| (view.knot_name(k), k.rank)).collect();
        let expected =
            [("Palomar in a", Some(1)), ("Improved clinch in a", Some(2)), ("Uni in a", None), ("Palomar in b", None)];
        assert_eq!(told, expected.map(|(name, rank)| (name.to_owned(), rank)));
        let initials: Vec<_> = view.knots.iter().map(|k| k.initials.as_str()).collect();
        assert_eq!(initials, ["P", "IC", "U", "P2"]);
    }
}
