//! Maps of the network -> detections: local maxima of the heat plane, with what the cells around each one say of it.

use rten_tensor::prelude::*;
use statrs::function::logistic::{logistic, logit};

use super::candidate::Candidate;
use super::pyramid::Level;
use crate::network::tiles::{Maps, STRIDE, UNIT};
use crate::settings::DetectSettings;

/// One local maximum of the heat plane in one copy of the picture.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Detection {
    /// The end that the network sees here.
    pub candidate: Candidate,
    /// How many picture pixels one pixel of the copy spans.
    pub reduction: f64,
    /// Mean heat of the 16 cells two cells away, over the detection's own: near 1 = a peak_flatness, small = a point.
    pub peak_flatness: f64,
    /// Spread of the tips that the nine cells around the maximum point to, fibre widths.
    pub tip_spread: f64,
    /// Standard deviation of the widths that these cells tell, octaves.
    pub width_spread: f64,
    /// One less the mean resultant length of the axes that these cells tell: 0 = one direction.
    pub axis_spread: f64,
}

/// Adds a detection for every local maximum of the heat plane.
pub(super) fn collect(maps: &Maps<'_>, level: &Level, settings: &DetectSettings, detections: &mut Vec<Detection>) {
    let planes = &maps.planes;
    let (rows, columns) = (planes.size(1), planes.size(2));
    let floor = logit(settings.min_detection) as f32;
    let cell = |c: usize, y: usize, x: usize| f64::from(planes[[c, y, x]]);
    // Cell (x, y) covers pixels 2x and 2x + 1: its middle lies half a pixel further.
    let place = |start: usize, at: usize| (start + at * STRIDE) as f64 + (STRIDE as f64 - 1.0) / 2.0;
    let spot =
        |y: usize, x: usize| (place(maps.left, x) + UNIT * cell(1, y, x), place(maps.top, y) + UNIT * cell(2, y, x));
    for y in maps.rows.clone() {
        for x in maps.columns.clone() {
            let heat = planes[[0, y, x]];
            if heat < floor || !is_peak(|y, x| planes[[0, y, x]], heat, (y, x), (rows, columns)) {
                continue;
            }
            let width = UNIT * cell(5, y, x).exp2();
            if !(settings.working_width_px[0] * 0.8..=settings.working_width_px[1] * 1.25).contains(&width) {
                continue;
            }
            let near = Around { y, x, rows, columns };
            let score = logistic(f64::from(heat));
            let spots: Vec<(f64, f64)> = near.within(1).map(|(y, x)| spot(y, x)).collect();
            let axes: Vec<f64> = near.within(1).map(|(y, x)| cell(4, y, x).atan2(cell(3, y, x))).collect();
            let widths: Vec<f64> = near.within(1).map(|(y, x)| cell(5, y, x)).collect();
            let n = axes.len() as f64;
            let resultant = axes.iter().map(|a| a.cos()).sum::<f64>().hypot(axes.iter().map(|a| a.sin()).sum()) / n;
            let xs: Vec<f64> = spots.iter().map(|s| s.0).collect();
            let ys: Vec<f64> = spots.iter().map(|s| s.1).collect();
            let ring: Vec<f64> = near.ring(2).map(|(y, x)| logistic(cell(0, y, x))).collect();
            let (u, v) = spot(y, x);
            detections.push(Detection {
                candidate: Candidate {
                    tip: level.to_picture(u, v),
                    axis_deg: cell(4, y, x).atan2(cell(3, y, x)).to_degrees(),
                    width_px: width * level.reduction,
                    score,
                    network_p_sheared: Some(logistic(cell(6, y, x))),
                },
                reduction: level.reduction,
                peak_flatness: ring.iter().sum::<f64>() / ring.len().max(1) as f64 / score,
                tip_spread: deviation(&xs).hypot(deviation(&ys)) / width,
                width_spread: deviation(&widths),
                axis_spread: 1.0 - resultant,
            });
        }
    }
}

/// Cells around one cell that lie in the plane.
struct Around {
    y: usize,
    x: usize,
    rows: usize,
    columns: usize,
}

impl Around {
    /// Cells at most `reach` away, the cell itself included.
    fn within(&self, reach: usize) -> impl Iterator<Item = (usize, usize)> + use<> {
        let (rows, columns) = (
            self.y.saturating_sub(reach)..=(self.y + reach).min(self.rows - 1),
            self.x.saturating_sub(reach)..=(self.x + reach).min(self.columns - 1),
        );
        rows.flat_map(move |y| columns.clone().map(move |x| (y, x)))
    }

    /// Cells exactly `reach` away.
    fn ring(&self, reach: usize) -> impl Iterator<Item = (usize, usize)> + use<> {
        let (own_y, own_x) = (self.y, self.x);
        self.within(reach).filter(move |&(y, x)| y.abs_diff(own_y).max(x.abs_diff(own_x)) == reach)
    }
}

/// Whether no neighbour is higher; of equal neighbours the first in reading order wins.
fn is_peak(
    heat: impl Fn(usize, usize) -> f32,
    own: f32,
    (y, x): (usize, usize),
    (rows, columns): (usize, usize),
) -> bool {
    Around { y, x, rows, columns }.within(1).all(|(ny, nx)| {
        let other = heat(ny, nx);
        let earlier = (ny, nx) < (y, x);
        !(other > own || (earlier && other == own))
    })
}

/// Standard deviation of a few numbers (n in the denominator).
fn deviation(values: &[f64]) -> f64 {
    let n = values.len().max(1) as f64;
    let mean = values.iter().sum::<f64>() / n;
    (values.iter().map(|v| (v - mean).powi(2)).sum::<f64>() / n).sqrt()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn of_equal_neighbours_one_is_the_peak() {
        let peaks = (0..2).filter(|&x| is_peak(|_, _| 1.0, 1.0, (0, x), (1, 2))).count();
        assert_eq!(peaks, 1);
    }

    #[test]
    fn rings_are_cut_at_the_rim() {
        assert_eq!(Around { y: 5, x: 5, rows: 20, columns: 20 }.ring(2).count(), 16);
        assert_eq!(Around { y: 0, x: 0, rows: 20, columns: 20 }.ring(2).count(), 5);
        assert_eq!(Around { y: 0, x: 0, rows: 20, columns: 20 }.within(1).count(), 4);
    }
}
