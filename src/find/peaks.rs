//! Maps of the network -> candidates, and one candidate per end.

use rten_tensor::prelude::*;

use super::Candidate;
use super::network::{Maps, STRIDE, UNIT};
use super::pyramid::Level;
use crate::settings::FindSettings;
use crate::units::{Point, direction_gap_deg};

/// Adds a candidate for every local maximum of the heat plane.
pub(super) fn collect(maps: &Maps<'_>, level: &Level, settings: &FindSettings, found: &mut Vec<Candidate>) {
    let planes = &maps.planes;
    let (rows, columns) = (planes.size(1), planes.size(2));
    let floor = logit(settings.min_score) as f32;
    let cell = |c: usize, y: usize, x: usize| f64::from(planes[[c, y, x]]);
    for y in maps.rows.clone() {
        for x in maps.columns.clone() {
            let heat = planes[[0, y, x]];
            if heat < floor || !is_peak(|y, x| planes[[0, y, x]], heat, (y, x), (rows, columns)) {
                continue;
            }
            // Cell (x, y) covers pixels 2x and 2x + 1: its middle lies half a pixel further.
            let place = |start: usize, at: usize| (start + at * STRIDE) as f64 + (STRIDE as f64 - 1.0) / 2.0;
            let tip =
                level.to_picture(place(maps.left, x) + UNIT * cell(1, y, x), place(maps.top, y) + UNIT * cell(2, y, x));
            let width = UNIT * cell(5, y, x).exp2();
            if !(settings.working_width_px[0] * 0.8..=settings.working_width_px[1] * 1.25).contains(&width) {
                continue;
            }
            found.push(Candidate {
                tip,
                axis_deg: cell(4, y, x).atan2(cell(3, y, x)).to_degrees(),
                width_px: width * level.reduction,
                score: sigmoid(f64::from(heat)),
                look_sheared: Some(sigmoid(cell(6, y, x))),
            });
        }
    }
}

/// Whether no neighbour is higher; of equal neighbours the first in reading order wins.
fn is_peak(
    heat: impl Fn(usize, usize) -> f32,
    own: f32,
    (y, x): (usize, usize),
    (rows, columns): (usize, usize),
) -> bool {
    for ny in y.saturating_sub(1)..=(y + 1).min(rows - 1) {
        for nx in x.saturating_sub(1)..=(x + 1).min(columns - 1) {
            let other = heat(ny, nx);
            let earlier = (ny, nx) < (y, x);
            if other > own || (earlier && other == own) {
                return false;
            }
        }
    }
    true
}

/// Drops hits that would show the second look nearly the same patch as a stronger one.
pub(super) fn thin(found: Vec<Candidate>, settings: &FindSettings) -> Vec<Candidate> {
    keep_strongest(found, |kept, weaker| {
        let narrow = kept.width_px.min(weaker.width_px);
        let alike = kept.width_px.max(weaker.width_px) < 1.4 * narrow;
        alike && kept.tip.distance(weaker.tip) < settings.same_patch_reach_d * narrow
    })
}

/// Keeps the strongest candidate of each end: strongest first, weaker ones too near to a stronger one go.
pub(super) fn merge(found: Vec<Candidate>, settings: &FindSettings) -> Vec<Candidate> {
    keep_strongest(found, |kept, weaker| same_end(kept, weaker, settings))
}

fn keep_strongest(mut found: Vec<Candidate>, doubles: impl Fn(&Candidate, &Candidate) -> bool) -> Vec<Candidate> {
    let order = |c: &Candidate| (c.tip.y, c.tip.x);
    found.sort_by(|a, b| {
        b.score
            .total_cmp(&a.score)
            .then_with(|| order(a).0.total_cmp(&order(b).0))
            .then_with(|| order(a).1.total_cmp(&order(b).1))
    });
    let mut kept: Vec<Candidate> = Vec::new();
    for candidate in found {
        if !kept.iter().any(|k| doubles(k, &candidate)) {
            kept.push(candidate);
        }
    }
    kept
}

/// Whether two candidates are two hits on one end: close by, or one behind the other on one shaft.
fn same_end(a: &Candidate, b: &Candidate, settings: &FindSettings) -> bool {
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
fn along_across(from: Point, axis_deg: f64, to: Point) -> (f64, f64) {
    let (sin, cos) = axis_deg.to_radians().sin_cos();
    let (dx, dy) = (to.x - from.x, to.y - from.y);
    (dx * cos + dy * sin, dy * cos - dx * sin)
}

fn sigmoid(x: f64) -> f64 {
    1.0 / (1.0 + (-x).exp())
}

fn logit(p: f64) -> f64 {
    (p / (1.0 - p)).ln()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn at(x: f64, y: f64, score: f64) -> Candidate {
        Candidate { tip: Point::new(x, y), axis_deg: 0.0, width_px: 10.0, score, look_sheared: None }
    }

    #[test]
    fn second_hits_go_and_neighbours_stay() {
        let settings = FindSettings::default();
        let kept = merge(vec![at(0.0, 0.0, 0.5), at(2.0, 1.0, 0.9), at(0.0, 11.0, 0.7)], &settings);
        assert_eq!(kept.iter().map(|c| c.score).collect::<Vec<_>>(), [0.9, 0.7]);
    }

    #[test]
    fn order_of_input_does_not_matter() {
        let settings = FindSettings::default();
        let mut some = vec![at(0.0, 0.0, 0.5), at(3.0, 0.0, 0.5), at(40.0, 0.0, 0.5), at(5.0, 5.0, 0.6)];
        let kept = merge(some.clone(), &settings);
        some.reverse();
        assert_eq!(kept, merge(some, &settings));
    }

    #[test]
    fn of_equal_neighbours_one_is_the_peak() {
        let peaks = (0..2).filter(|&x| is_peak(|_, _| 1.0, 1.0, (0, x), (1, 2))).count();
        assert_eq!(peaks, 1);
    }
}
