//! A plane laid on another one.

use super::motion::Move;
use crate::raster::{Plane, catmull_rom};
use rayon::prelude::*;

/// Four neighbours along one side, and their weights.
type Taps = ([usize; 4], [f32; 4]);

/// The plane moved back, so that it lies on the frame from which the move starts; outside, the nearest edge counts.
///
/// Catmull-Rom interpolation, along rows and then along columns: a shift and a growth turn nothing.
pub(super) fn moved_back(plane: &Plane, by: Move) -> Plane {
    let across = taps(plane.width, by.dx, by.grow);
    let down = taps(plane.height, by.dy, by.grow);
    let mut along_rows = Plane::zeros(plane.width, plane.height);
    along_rows.values.par_chunks_mut(plane.width).enumerate().for_each(|(y, row)| {
        let from = plane.row(y);
        for (value, (at, weights)) in row.iter_mut().zip(&across) {
            *value = (0..4).map(|k| weights[k] * from[at[k]]).sum();
        }
    });
    let mut out = Plane::zeros(plane.width, plane.height);
    out.values.par_chunks_mut(plane.width).zip(&down).for_each(|(row, (at, weights))| {
        let [a, b, c, d] = at.map(|y| along_rows.row(y));
        for (x, value) in row.iter_mut().enumerate() {
            *value = weights[0] * a[x] + weights[1] * b[x] + weights[2] * c[x] + weights[3] * d[x];
        }
    });
    out
}

fn taps(n: usize, shift: f64, grow: f64) -> Vec<Taps> {
    let middle = (n as f64 - 1.0) / 2.0;
    let inside = |i: f64| i.clamp(0.0, n as f64 - 1.0) as usize;
    let place = |i: usize| middle + (i as f64 - middle) * (1.0 + grow) + shift;
    (0..n)
        .map(|i| {
            let (below, part) = (place(i).floor(), place(i) - place(i).floor());
            ([-1.0, 0.0, 1.0, 2.0].map(|k| inside(below + k)), catmull_rom(part as f32))
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_place_takes_the_value_it_came_from() {
        let values = (0..30 * 20).map(|i| ((i % 30) as f32 * 0.4).sin() + (i / 30) as f32 * 0.1).collect();
        let plane = Plane { width: 30, height: 20, values };
        let by = Move { dx: 1.3, dy: -0.6, grow: 0.02 };
        let moved = moved_back(&plane, by);
        for (x, y) in [(4, 5), (15, 10), (22, 17)] {
            let at = |v: usize, n: f64, d: f64| (n - 1.0) / 2.0 + (v as f64 - (n - 1.0) / 2.0) * 1.02 + d;
            let expected = plane.cubic(at(x, 30.0, by.dx), at(y, 20.0, by.dy));
            assert!((moved.row(y)[x] - expected).abs() < 1e-5, "{x} {y}");
        }
    }
}
