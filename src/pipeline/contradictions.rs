//! A specimen is one piece of line that broke once: rows that say different things of it cannot all be right.

use super::jobs::{Inputs, PictureJob};
use crate::series::{Kind, RowProblem, SeriesError, SeriesRow};
use std::collections::BTreeMap;

/// Two rows of one specimen that say different things: the column, and what each says where.
struct Contradiction {
    column: &'static str,
    first: (String, String),
    second: (String, String),
}

/// Takes every row of a specimen out of the list whose rows contradict each other; both rows are named.
pub(super) fn refuse(inputs: &mut Inputs) {
    let mut specimens: BTreeMap<&str, Vec<&PictureJob>> = BTreeMap::new();
    for job in inputs.jobs.iter().filter(|job| job.listed.is_some()) {
        specimens.entry(&job.series.specimen).or_default().push(job);
    }
    let refused: BTreeMap<String, Contradiction> = specimens
        .into_iter()
        .filter_map(|(specimen, mut jobs)| {
            jobs.sort_by(|a, b| a.listed.cmp(&b.listed));
            Some((specimen.to_owned(), first_contradiction(&jobs)?))
        })
        .collect();
    if refused.is_empty() {
        return;
    }
    for job in std::mem::take(&mut inputs.jobs) {
        match refused.get(&job.series.specimen).filter(|_| job.listed.is_some()) {
            None => inputs.jobs.push(job),
            Some(found) => {
                let error = SeriesError::Contradicting {
                    specimen: job.series.specimen.clone().into(),
                    column: found.column,
                    first: found.first.0.clone().into(),
                    first_place: found.first.1.clone().into(),
                    second: found.second.0.clone().into(),
                    second_place: found.second.1.clone().into(),
                };
                inputs.problems.push(RowProblem { series: job.series, error });
            }
        }
    }
}

/// What a row says of its specimen, by column.
fn of_specimen(row: &SeriesRow) -> [(&'static str, Option<String>); 5] {
    [
        ("kind", row.kind.map(|k: Kind| k.word().to_owned())),
        ("knot", row.knot.clone()),
        ("line", row.line.clone()),
        ("carriers", row.carriers.map(|n| n.to_string())),
        ("peak_load_n", row.peak_load_n.map(|n| n.to_string())),
    ]
}

fn first_contradiction(jobs: &[&PictureJob]) -> Option<Contradiction> {
    let mut said: BTreeMap<&str, (String, String)> = BTreeMap::new();
    for job in jobs {
        let place = job.listed.as_ref().map(|(table, row)| format!("table {table}, row {row}")).unwrap_or_default();
        for (column, value) in of_specimen(&job.series) {
            let Some(value) = value else { continue };
            match said.get(column) {
                Some(first) if first.0 != value => {
                    return Some(Contradiction { column, first: first.clone(), second: (value, place) });
                }
                Some(_) => {}
                None => drop(said.insert(column, (value, place.clone()))),
            }
        }
    }
    None
}
