//! Runs beside each other: what changed between two of them on the same pictures, and how controls were labelled over time.
//!
//! Results of two or more runs -> ends that changed their label, fractions before and after, control charts.

use crate::results::Results;
use crate::series::Kind;
use crate::settings::LabelSettings;
use crate::stats::control_chart::{Chart, Count, control_chart};
use crate::table::{EndRow, SpecimenRow, Status};
use crate::tree::Label;
use crate::units::{Point, pair_off};
use serde::Serialize;
use std::collections::{BTreeMap, BTreeSet};

/// What changed from one run to another.
#[derive(Debug, Clone, Default, PartialEq, Serialize)]
pub struct RunChanges {
    /// Pictures that both have.
    pub pictures: usize,
    /// Pictures of the first run only, by name.
    pub only_first: Vec<String>,
    /// Pictures of the second run only.
    pub only_second: Vec<String>,
    /// Pictures of one name whose content differs; not compared.
    pub other_content: Vec<String>,
    /// Pictures whose scale differs: name, µm per px in the first run, in the second. Lengths of these are not comparable.
    pub other_scale: Vec<(String, Option<f64>, Option<f64>)>,
    /// Ends found in both.
    pub matched: usize,
    /// Ends of the first run that the second has not found.
    pub lost: usize,
    /// Ends of the second run that the first has not found.
    pub new: usize,
    /// Ends found in both by label: rows as in the first run, columns as in the second; sheared, tensile, unclear.
    pub labels: [[usize; 3]; 3],
    /// Ends that changed their label, by picture and number.
    pub changed: Vec<ChangedEnd>,
    /// Fractions of specimens that either has.
    pub specimens: Vec<BeforeAfter>,
    /// Fractions of knots that either has.
    pub knots: Vec<BeforeAfter>,
}

/// An end that changed its label.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct ChangedEnd {
    /// Picture, as in the first run.
    pub image: String,
    /// Specimen, as in the first run.
    pub specimen: String,
    /// Number in the first run.
    pub end_first: u32,
    /// Number in the second run.
    pub end_second: u32,
    /// Tip in the first run, px.
    pub x_px: f64,
    /// Tip in the first run, px.
    pub y_px: f64,
    /// Label in the first run.
    pub first: &'static str,
    /// Label in the second run.
    pub second: &'static str,
    /// Probability of sheared in the first run.
    pub p_first: Option<f64>,
    /// Probability of sheared in the second run.
    pub p_second: Option<f64>,
}

/// A published fraction in two runs.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct BeforeAfter {
    /// Specimen; or knot and line.
    pub name: String,
    /// Fraction with its interval in the first run.
    pub first: [Option<f64>; 3],
    /// In the second run.
    pub second: [Option<f64>; 3],
}

impl BeforeAfter {
    /// How far the fraction moved.
    pub fn change(&self) -> Option<f64> {
        Some(self.second[0]? - self.first[0]?)
    }
}

/// Compares two runs: pictures by their content, ends by the places of their tips.
pub fn compare_runs(first: &Results, second: &Results, settings: &LabelSettings) -> RunChanges {
    let mut out = RunChanges::default();
    let (ends_first, ends_second) = (by_image(&first.ends), by_image(&second.ends));
    let pairs = pictures(first, second, &mut out);
    out.pictures = pairs.len();
    let none = Vec::new();
    let (scales_first, scales_second) = (scales(first), scales(second));
    for (a, b) in pairs {
        let (was, is) = (scales_first.get(a).copied(), scales_second.get(b).copied());
        if was != is {
            out.other_scale.push((a.to_owned(), was, is));
        }
        let (a, b) = (ends_first.get(a).unwrap_or(&none), ends_second.get(b).unwrap_or(&none));
        let matched = nearest_pairs(a, b, settings);
        out.matched += matched.len();
        out.lost += a.len() - matched.len();
        out.new += b.len() - matched.len();
        for (i, j) in matched {
            let (a, b) = (a[i], b[j]);
            out.labels[place(a.label)][place(b.label)] += 1;
            if a.label != b.label {
                out.changed.push(changed(a, b));
            }
        }
    }
    out.changed.sort_by(|a, b| (&a.image, a.end_first).cmp(&(&b.image, b.end_first)));
    let specimen = |s: &SpecimenRow| (s.specimen.clone(), [s.sheared_fraction, s.sheared_low, s.sheared_high]);
    out.specimens = before_after(first.specimens.iter().map(specimen), second.specimens.iter().map(specimen));
    let knot = |k: &crate::table::KnotRow| {
        let name = [Some(k.knot.as_str()), k.line.as_deref()].into_iter().flatten().collect::<Vec<_>>().join(", ");
        (name, [k.sheared_fraction, k.sheared_low, k.sheared_high])
    };
    out.knots = before_after(first.knots.iter().map(knot), second.knots.iter().map(knot));
    out
}

/// Scales of the pictures that have one, µm per px.
fn scales(run: &Results) -> BTreeMap<&str, f64> {
    run.images.iter().filter_map(|i| Some((i.series.image.as_str(), i.um_per_px?))).collect()
}

fn place(label: Label) -> usize {
    match label {
        Label::Sheared => 0,
        Label::Tensile => 1,
        Label::Unclear => 2,
    }
}

fn changed(a: &EndRow, b: &EndRow) -> ChangedEnd {
    ChangedEnd {
        image: a.image.clone(),
        specimen: a.specimen.clone(),
        end_first: a.end,
        end_second: b.end,
        x_px: a.x_px,
        y_px: a.y_px,
        first: a.label.word(),
        second: b.label.word(),
        p_first: a.p_sheared,
        p_second: b.p_sheared,
    }
}

fn by_image(ends: &[EndRow]) -> BTreeMap<&str, Vec<&EndRow>> {
    let mut out: BTreeMap<&str, Vec<&EndRow>> = BTreeMap::new();
    for end in ends {
        out.entry(&end.image).or_default().push(end);
    }
    out
}

/// Pictures of both runs: of the same content; where one does not say its content, of the same name.
fn pictures<'a>(first: &'a Results, second: &'a Results, out: &mut RunChanges) -> Vec<(&'a str, &'a str)> {
    fn done(results: &Results) -> Vec<(&str, &str)> {
        let done = results.images.iter().filter(|i| i.status == Status::Done);
        done.map(|i| (i.series.image.as_str(), i.content_hash.as_str())).collect()
    }
    let (a, b) = (done(first), done(second));
    let mut by_hash: BTreeMap<&str, Vec<&str>> = BTreeMap::new();
    let mut by_name: BTreeMap<&str, &str> = BTreeMap::new();
    for (name, hash) in b.iter().rev() {
        by_name.insert(name, hash);
        if !hash.is_empty() {
            by_hash.entry(hash).or_default().push(name);
        }
    }
    let mut taken: BTreeSet<&str> = BTreeSet::new();
    let mut pairs = Vec::new();
    for (name, hash) in a {
        let same_content = by_hash.get_mut(hash).and_then(|names| {
            // The same name first: one picture may be there under two names.
            let at = names.iter().position(|n| *n == name).or(names.len().checked_sub(1))?;
            Some(names.remove(at))
        });
        let same_name = by_name.get_key_value(name);
        match (same_content, same_name) {
            (Some(other), _) => {
                taken.insert(other);
                pairs.push((name, other));
            }
            (None, Some((other, its))) if hash.is_empty() || its.is_empty() => {
                taken.insert(other);
                pairs.push((name, *other));
            }
            (None, Some(_)) => out.other_content.push(name.to_owned()),
            (None, None) => out.only_first.push(name.to_owned()),
        }
    }
    let rest =
        b.iter().map(|(name, _)| *name).filter(|n| !taken.contains(n) && !out.other_content.iter().any(|o| o == n));
    out.only_second = rest.map(str::to_owned).collect();
    pairs
}

/// Ends of two lists that belong together, nearest first, each once.
fn nearest_pairs(a: &[&EndRow], b: &[&EndRow], settings: &LabelSettings) -> Vec<(usize, usize)> {
    let mut near: Vec<(f64, usize, usize)> = Vec::new();
    for (i, end) in a.iter().enumerate() {
        let diameter = end.features.get("shaft_diameter_px").unwrap_or(0.0);
        let reach = settings.match_px.max(settings.match_diameters * diameter);
        let tip = Point::new(end.x_px, end.y_px);
        let gaps = b.iter().enumerate().map(|(j, other)| (tip.distance(Point::new(other.x_px, other.y_px)), i, j));
        near.extend(gaps.filter(|(gap, ..)| *gap <= reach));
    }
    let mut pairs = pair_off(near);
    pairs.sort_unstable();
    pairs
}

fn before_after(
    first: impl Iterator<Item = (String, [Option<f64>; 3])>,
    second: impl Iterator<Item = (String, [Option<f64>; 3])>,
) -> Vec<BeforeAfter> {
    let mut out: BTreeMap<String, BeforeAfter> = BTreeMap::new();
    let mut entry = |name: String, is_first: bool, values: [Option<f64>; 3]| {
        let fresh = BeforeAfter { name: name.clone(), first: [None; 3], second: [None; 3] };
        let both = out.entry(name).or_insert(fresh);
        if is_first { both.first = values } else { both.second = values }
    };
    first.for_each(|(name, values)| entry(name, true, values));
    second.for_each(|(name, values)| entry(name, false, values));
    out.into_values().collect()
}

/// The controls of one kind over several runs.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct ControlsOverTime {
    /// `cut` or `pull`.
    pub kind: &'static str,
    /// Specimens in their order in time.
    pub specimens: Vec<ControlSpecimen>,
    /// Whether their dates gave the order; the order of the runs did when one has no date of the form 2026-05-04.
    pub by_date: bool,
    /// Their chart; the controls of the first run set its limits.
    pub chart: Chart,
}

/// One control specimen.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct ControlSpecimen {
    /// Number of the run, from 1.
    pub run: usize,
    /// Specimen code.
    pub specimen: String,
    /// Its date, when the series has a column `date`.
    pub date: String,
    /// Ends that were labelled wrong: tensile in a scissor cut, sheared in a straight pull.
    pub wrong: u64,
    /// Labelled ends.
    pub of: u64,
}

impl ControlSpecimen {
    /// Its date; `None` unless it is written as ISO 8601 has it. Other ways of writing have no one meaning (4/5/2026).
    pub fn day(&self) -> Option<chrono::NaiveDate> {
        let day = self.date.split(['T', ' ']).next()?;
        let written = |form: &str| {
            let date = chrono::NaiveDate::parse_from_str(day, form).ok()?;
            (date.format(form).to_string() == day).then_some(date)
        };
        ["%Y-%m-%d", "%Y%m%d"].iter().find_map(|form| written(form))
    }
}

/// Controls in their order in time: by the column `date` of the series where all of them have one that can be
/// ordered ([`ControlSpecimen::day`]), else by run and specimen code. `specimens` are those of each run as the model labelled them.
pub fn controls_over_time(runs: &[&Results], specimens: &[Vec<SpecimenRow>]) -> Vec<ControlsOverTime> {
    [Kind::Cut, Kind::Pull].into_iter().filter_map(|kind| of_kind(kind, runs, specimens)).collect()
}

fn of_kind(kind: Kind, runs: &[&Results], specimens: &[Vec<SpecimenRow>]) -> Option<ControlsOverTime> {
    let mut points: Vec<ControlSpecimen> = Vec::new();
    for (number, (results, rows)) in runs.iter().zip(specimens).enumerate() {
        for row in rows.iter().filter(|s| s.kind == Some(kind)) {
            let wrong = if kind == Kind::Cut { row.n_tensile } else { row.n_sheared };
            points.push(ControlSpecimen {
                run: number + 1,
                specimen: row.specimen.clone(),
                date: date_of(results, &row.specimen),
                wrong: wrong.into(),
                of: u64::from(row.n_sheared + row.n_tensile),
            });
        }
    }
    points.retain(|p| 0 < p.of);
    let baseline = points.iter().filter(|p| p.run == 1).count();
    let by_date = points.iter().all(|p| p.day().is_some());
    // Those of the first run stay first: they set the limits.
    let order = |p: &ControlSpecimen| (p.run != 1, p.day().filter(|_| by_date), p.run);
    points.sort_by(|a, b| (order(a), &a.specimen).cmp(&(order(b), &b.specimen)));
    let counts: Vec<Count> = points.iter().map(|p| Count { wrong: p.wrong, of: p.of }).collect();
    let chart = control_chart(&counts, baseline)?;
    Some(ControlsOverTime { kind: kind.word(), specimens: points, by_date, chart })
}

fn date_of(results: &Results, specimen: &str) -> String {
    let rows = results.images.iter().filter(|i| i.series.specimen == specimen);
    let dates = rows.flat_map(|i| i.series.extra.iter().filter(|(name, _)| name.eq_ignore_ascii_case("date")));
    dates.map(|(_, date)| date.trim().to_owned()).filter(|d| !d.is_empty()).min().unwrap_or_default()
}
