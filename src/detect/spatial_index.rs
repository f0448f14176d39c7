//! Detections near a place, without looking at all of them.

use super::decode::Detection;
use crate::units::Point;

/// Detections in the order of their columns.
pub(super) struct SpatialIndex<'a> {
    sorted: Vec<&'a Detection>,
}

impl<'a> SpatialIndex<'a> {
    /// Sorts the detections once.
    pub fn new(detections: &'a [Detection]) -> Self {
        let mut sorted: Vec<&Detection> = detections.iter().collect();
        let place = |h: &Detection| h.candidate.tip;
        sorted.sort_by(|a, b| place(a).x.total_cmp(&place(b).x).then(place(a).y.total_cmp(&place(b).y)));
        Self { sorted }
    }

    /// Detections at most `reach` px from a place.
    pub fn within(&self, place: Point, reach: f64) -> impl Iterator<Item = &'a Detection> + '_ {
        let from = self.sorted.partition_point(|h| h.candidate.tip.x < place.x - reach);
        self.sorted[from..]
            .iter()
            .copied()
            .take_while(move |h| h.candidate.tip.x <= place.x + reach)
            .filter(move |h| h.candidate.tip.distance(place) <= reach)
    }
}
