//! Candidates -> one candidate per end.

use super::candidate::Candidate;
use super::decode::Detection;
use crate::settings::DetectSettings;
use crate::units::{Point, direction_gap_deg};

/// Keeps the strongest candidate of each end: strongest first, weaker ones too near to a stronger one go.
pub(crate) fn merge(found: Vec<Candidate>, settings: &DetectSettings) -> Vec<Candidate> {
    keep_strongest(found, |c: &Candidate| *c, settings)
}

/// The same for anything that holds a candidate.
pub(super) fn keep_strongest<T>(mut found: Vec<T>, of: impl Fn(&T) -> Candidate, settings: &DetectSettings) -> Vec<T> {
    found.sort_by(|a, b| {
        let (a, b) = (of(a), of(b));
        b.score
            .total_cmp(&a.score)
            .then_with(|| a.tip.y.total_cmp(&b.tip.y))
            .then_with(|| a.tip.x.total_cmp(&b.tip.x))
            .then_with(|| a.width_px.total_cmp(&b.width_px))
    });
    let mut kept: Vec<T> = Vec::new();
    for candidate in found {
        if !kept.iter().any(|k| same_end(&of(k), &of(&candidate), settings)) {
            kept.push(candidate);
        }
    }
    kept
}

/// Whether two candidates are two detections on one end: close by, or one behind the other on one shaft.
fn same_end(a: &Candidate, b: &Candidate, settings: &DetectSettings) -> bool {
    let width = a.width_px.max(b.width_px);
    let distance = a.tip.distance(b.tip);
    if distance > settings.same_shaft_reach_d * width {
        return false;
    }
    if distance < settings.same_end_reach_d * width {
        return true;
    }
    let (along, across) = along_across(a.tip, a.axis_deg, b.tip);
    direction_gap_deg(a.axis_deg, b.axis_deg) < settings.same_shaft_turn_deg
        && across.abs() < settings.same_shaft_across_d * width
        && along.abs() < settings.same_shaft_reach_d * width
}

/// Distance of `to` from `from` along the direction and across it, px.
pub(super) fn along_across(from: Point, axis_deg: f64, to: Point) -> (f64, f64) {
    let (sin, cos) = axis_deg.to_radians().sin_cos();
    let (dx, dy) = (to.x - from.x, to.y - from.y);
    (dx * cos + dy * sin, dy * cos - dx * sin)
}

/// Drops weaker detections on the end of a stronger one; only detections of at least `min_kept_detection` stay.
pub(super) fn keep(detections: &[Detection], settings: &DetectSettings) -> Vec<Detection> {
    let strong = detections.iter().filter(|h| h.candidate.score >= settings.min_kept_detection).copied().collect();
    keep_strongest(strong, |h: &Detection| h.candidate, settings)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn at(x: f64, y: f64, score: f64) -> Candidate {
        Candidate { tip: Point::new(x, y), axis_deg: 0.0, width_px: 10.0, score, network_p_sheared: None }
    }

    #[test]
    fn second_hits_go_and_neighbours_stay() {
        let settings = DetectSettings::default();
        let kept = merge(vec![at(0.0, 0.0, 0.5), at(2.0, 1.0, 0.9), at(0.0, 11.0, 0.7)], &settings);
        assert_eq!(kept.iter().map(|c| c.score).collect::<Vec<_>>(), [0.9, 0.7]);
    }

    #[test]
    fn order_of_input_does_not_matter() {
        let settings = DetectSettings::default();
        let mut some = vec![at(0.0, 0.0, 0.5), at(3.0, 0.0, 0.5), at(40.0, 0.0, 0.5), at(5.0, 5.0, 0.6)];
        let kept = merge(some.clone(), &settings);
        some.reverse();
        assert_eq!(kept, merge(some, &settings));
    }
}
