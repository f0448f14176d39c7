//! Which ends to label next for a model of one's own: how many more, in which specimens.

use std::collections::BTreeMap;

/// Labels after which a first model of one's own is worth training, and the fewest of each kind: common practice, no source.
/// `train` judges the model by specimens that it has not seen, and its figures say when it was too few.
pub const ENOUGH: usize = 100;
/// The fewest labels of each kind.
pub const ENOUGH_OF_A_KIND: usize = 30;

/// The ends of one specimen, for the guide.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct Labelled {
    /// Ends found.
    pub ends: usize,
    /// Of these, labelled sheared.
    pub sheared: usize,
    /// Labelled tensile.
    pub tensile: usize,
    /// Labelled unclear or no end; they teach nothing.
    pub other: usize,
}

/// What to label next.
#[derive(Debug, Clone, Default, PartialEq, Eq, serde::Serialize)]
pub struct Guide {
    /// Labels that teach, so far.
    pub done: usize,
    /// Further labels that are worth giving; 0 = enough for a first model, or nothing is left.
    pub more: usize,
    /// Where: specimen and number, most first.
    pub specimens: Vec<(String, usize)>,
    /// A kind with too few labels so far, when the other has enough.
    pub scarce: Option<&'static str>,
}

/// Shares the labels that are still missing out over specimens: each time to the one with the fewest, so that no specimen
/// teaches much more than another.
pub fn guide(specimens: &BTreeMap<String, Labelled>) -> Guide {
    let (sheared, tensile) = specimens.values().fold((0, 0), |(s, t), l| (s + l.sheared, t + l.tensile));
    let done = sheared + tensile;
    let scarce = match (sheared < ENOUGH_OF_A_KIND, tensile < ENOUGH_OF_A_KIND) {
        (true, false) => Some("sheared"),
        (false, true) => Some("tensile"),
        _ => None,
    };
    let missing_of_a_kind = ENOUGH_OF_A_KIND.saturating_sub(sheared) + ENOUGH_OF_A_KIND.saturating_sub(tensile);
    let mut more: BTreeMap<&str, usize> = BTreeMap::new();
    for _ in 0..ENOUGH.saturating_sub(done).max(missing_of_a_kind) {
        let planned = |name: &str| more.get(name).copied().unwrap_or(0);
        let open = specimens.iter().filter(|(name, l)| l.sheared + l.tensile + l.other + planned(name) < l.ends);
        let Some((name, _)) = open.min_by_key(|(name, l)| l.sheared + l.tensile + planned(name)) else { break };
        *more.entry(name).or_default() += 1;
    }
    let mut list: Vec<(String, usize)> = more.into_iter().map(|(name, n)| (name.to_owned(), n)).collect();
    list.sort_by(|a, b| b.1.cmp(&a.1).then_with(|| a.0.cmp(&b.0)));
    Guide { done, more: list.iter().map(|(_, n)| n).sum(), specimens: list, scarce }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn specimens(of: &[(&str, [usize; 4])]) -> BTreeMap<String, Labelled> {
        let one = |[ends, sheared, tensile, other]: [usize; 4]| Labelled { ends, sheared, tensile, other };
        of.iter().map(|(name, l)| ((*name).to_owned(), one(*l))).collect()
    }

    #[test]
    fn what_is_missing_goes_where_least_is_labelled() {
        let found = guide(&specimens(&[("a", [200, 40, 20, 0]), ("b", [200, 0, 0, 3]), ("c", [10, 0, 0, 0])]));
        // 40 are missing: all ends of the small specimen, the rest in the one without labels.
        assert_eq!((found.done, found.more, found.scarce), (60, 40, Some("tensile")));
        assert_eq!(found.specimens, [("b".to_owned(), 30), ("c".to_owned(), 10)]);
    }

    #[test]
    fn enough_is_enough_and_what_is_not_there_is_not_asked_for() {
        assert_eq!(guide(&specimens(&[("a", [200, 60, 40, 0])])).more, 0);
        assert_eq!(guide(&specimens(&[("a", [7, 1, 1, 1])])).more, 4);
        let one_kind = guide(&specimens(&[("a", [300, 120, 0, 0])]));
        assert_eq!((one_kind.more, one_kind.scarce), (30, Some("tensile")));
        assert_eq!(guide(&BTreeMap::new()), Guide { scarce: None, ..Guide::default() });
    }
}
