//! Which rows of the log stand, and which label of several people counts.

use super::{EndRef, HandLabel, LabelRow};
use crate::units::Point;
use std::collections::BTreeMap;

/// The row that stands for each end and labeller: the last one. Rows without a number are told apart by position
/// (to the 0.01 px that the file keeps). In the order in which the ends first appear. Decisions of adjudicators are left
/// out: they are about labels of others.
pub fn standing(rows: &[LabelRow]) -> Vec<&LabelRow> {
    let labels = rows.iter().filter(|row| !row.action.is_adjudication());
    last_of(labels, |row| (row.labeller.as_str(), end_key(row)))
}

/// The row that counts for each end: the adjudicator's, else that of more than half of the labellers who labelled it.
/// Ends on which no label has a majority have none. This is what scores and training use.
pub fn effective(rows: &[LabelRow]) -> Vec<&LabelRow> {
    opinions(rows).into_iter().filter_map(|end| end.decided.or_else(|| end.majority())).collect()
}

/// Rows of one labeller; all rows for `None`.
pub fn by_labeller(rows: Vec<LabelRow>, labeller: Option<&str>) -> Vec<LabelRow> {
    match labeller {
        None => rows,
        Some(name) => rows.into_iter().filter(|row| row.labeller == name).collect(),
    }
}

/// An end that labellers call by different names.
#[derive(Debug, Clone, PartialEq)]
pub struct Disputed {
    /// Picture.
    pub image: String,
    /// End, when numbered.
    pub end: Option<EndRef>,
    /// Tip in the row of the first labeller, px.
    pub tip: Point,
    /// Who says what, by labeller.
    pub said: Vec<(String, HandLabel)>,
    /// Who has decided it, and how.
    pub decided: Option<(String, HandLabel)>,
}

/// Ends on which labellers differ, decided or not, in the order in which they first appear.
pub fn disputed(rows: &[LabelRow]) -> Vec<Disputed> {
    let differ =
        opinions(rows).into_iter().filter(|end| end.said.windows(2).any(|pair| pair[0].label != pair[1].label));
    differ
        .map(|end| {
            let mut said: Vec<_> = end.said.iter().filter_map(|r| Some((r.labeller.clone(), r.label?))).collect();
            said.sort();
            let first = end.said[0];
            let decided = end.decided.and_then(|r| Some((r.labeller.clone(), r.label?)));
            Disputed { image: first.image.clone(), end: first.end, tip: first.tip, said, decided }
        })
        .collect()
}

/// What is said of one end.
struct Opinions<'a> {
    /// The standing rows with a label, one per labeller.
    said: Vec<&'a LabelRow>,
    /// The last decision of an adjudicator that was not taken back.
    decided: Option<&'a LabelRow>,
}

impl<'a> Opinions<'a> {
    fn majority(&self) -> Option<&'a LabelRow> {
        let votes = |label: Option<HandLabel>| self.said.iter().filter(|r| r.label == label).count();
        self.said.iter().rev().find(|row| self.said.len() < 2 * votes(row.label)).copied()
    }
}

fn opinions(rows: &[LabelRow]) -> Vec<Opinions<'_>> {
    let mut slot_of: BTreeMap<EndKey<'_>, usize> = BTreeMap::new();
    let mut out: Vec<Opinions<'_>> = Vec::new();
    let decisions = last_of(rows.iter().filter(|row| row.action.is_adjudication()), end_key);
    for row in standing(rows).into_iter().chain(decisions).filter(|row| row.label.is_some()) {
        let slot = *slot_of.entry(end_key(row)).or_insert_with(|| {
            out.push(Opinions { said: Vec::new(), decided: None });
            out.len() - 1
        });
        match row.action.is_adjudication() {
            true => out[slot].decided = Some(row),
            false => out[slot].said.push(row),
        }
    }
    out
}

/// What tells ends apart within the file.
pub(super) type EndKey<'a> = (&'a str, Option<EndRef>, [i64; 2]);

pub(super) fn end_key(row: &LabelRow) -> EndKey<'_> {
    let place = if row.end.is_some() { [0; 2] } else { [row.tip.x, row.tip.y].map(|v| (v * 100.0).round() as i64) };
    (row.image.as_str(), row.end, place)
}

fn last_of<'a, K: Ord>(rows: impl Iterator<Item = &'a LabelRow>, key: impl Fn(&'a LabelRow) -> K) -> Vec<&'a LabelRow> {
    let mut slot_of = BTreeMap::new();
    let mut out: Vec<&LabelRow> = Vec::new();
    for row in rows {
        match slot_of.entry(key(row)) {
            std::collections::btree_map::Entry::Occupied(slot) => out[*slot.get()] = row,
            std::collections::btree_map::Entry::Vacant(free) => {
                free.insert(out.len());
                out.push(row);
            }
        }
    }
    out
}

#[cfg(test)]
mod tests {
    use super::super::tests::row;
    use super::super::{Action, HandLabel};
    use super::*;

    const SHEARED: Option<HandLabel> = Some(HandLabel::Sheared);
    const TENSILE: Option<HandLabel> = Some(HandLabel::Tensile);

    #[test]
    fn one_wrong_label_does_not_override_nine() {
        let mut rows: Vec<LabelRow> = (0..9).map(|n| row(&format!("labeller {n}"), 1, SHEARED)).collect();
        rows.push(row("the last", 1, TENSILE));
        let counts: Vec<_> = effective(&rows).iter().map(|r| r.label).collect();
        assert_eq!(counts, [SHEARED]);
        let disputed = disputed(&rows);
        assert_eq!((disputed.len(), disputed[0].said.len(), &disputed[0].decided), (1, 10, &None));
    }

    #[test]
    fn a_tie_is_undecided_until_the_adjudicator_speaks_and_again_when_that_is_taken_back() {
        let mut rows = vec![row("Ann", 1, SHEARED), row("Bo", 1, TENSILE), row("Bo", 2, TENSILE)];
        let labels = |rows: &[LabelRow]| effective(rows).iter().map(|r| (r.end, r.label)).collect::<Vec<_>>();
        let second = (Some(EndRef::Found(2)), TENSILE);
        assert_eq!(labels(&rows), [second]);
        rows.push(LabelRow { action: Action::Adjudicate, ..row("Cy", 1, TENSILE) });
        // A label given later by a labeller changes nothing any more.
        rows.push(row("Ann", 1, Some(HandLabel::Unclear)));
        assert_eq!(labels(&rows), [(Some(EndRef::Found(1)), TENSILE), second]);
        assert_eq!(disputed(&rows)[0].decided, Some(("Cy".into(), HandLabel::Tensile)));
        rows.push(LabelRow { action: Action::UndoAdjudicate, ..row("Cy", 1, None) });
        assert_eq!(labels(&rows), [second]);
    }

    #[test]
    fn a_label_that_was_taken_back_has_no_voice() {
        let rows = [row("Ann", 1, SHEARED), row("Bo", 1, TENSILE), row("Bo", 1, None)];
        assert_eq!(effective(&rows).iter().map(|r| r.label).collect::<Vec<_>>(), [SHEARED]);
        assert_eq!(by_labeller(rows.to_vec(), Some("Bo")).len(), 2);
        assert!(disputed(&rows).is_empty());
    }
}
