//! Hits near a place, without looking at all of them.

use super::hit::Hit;
use crate::units::Point;

/// Hits in the order of their columns.
pub(super) struct Near<'a> {
    sorted: Vec<&'a Hit>,
}

impl<'a> Near<'a> {
    /// Sorts the hits once.
    pub fn new(hits: &'a [Hit]) -> Self {
        let mut sorted: Vec<&Hit> = hits.iter().collect();
        let place = |h: &Hit| h.candidate.tip;
        sorted.sort_by(|a, b| place(a).x.total_cmp(&place(b).x).then(place(a).y.total_cmp(&place(b).y)));
        Self { sorted }
    }

    /// Hits at most `reach` px from a place.
    pub fn within(&self, place: Point, reach: f64) -> impl Iterator<Item = &'a Hit> + '_ {
        let from = self.sorted.partition_point(|h| h.candidate.tip.x < place.x - reach);
        self.sorted[from..]
            .iter()
            .copied()
            .take_while(move |h| h.candidate.tip.x <= place.x + reach)
            .filter(move |h| h.candidate.tip.distance(place) <= reach)
    }
}
