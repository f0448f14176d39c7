//! Which samples of a strip are own fibre, where it is in view, and where its tip lies.
//!
//! Maps of the segmentation network -> [`Segmentation`]. It only says *which* edges to measure; where they lie is measured in
//! the picture. `models/README.md` has its card.

use super::model::Contract;
use super::strip_input::{self, BEHIND, COLUMNS, InitialEnd, PER_WIDTH, ROWS};
use crate::units::Point;

/// What the network takes and gives.
pub(super) const CONTRACT: Contract = strip_input::contract(|[n, ..]| vec![n, 3, ROWS, COLUMNS]);

/// What the network sees in one strip: three maps of 80 rows along the shaft and 48 columns across it.
pub(crate) struct Segmentation {
    initial: InitialEnd,
    colour: bool,
    maps: Vec<f32>,
}

/// Which map of a segmentation.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Map {
    /// Own fibre, also where another fibre hides it.
    Own = 0,
    /// Own fibre in view.
    Visible = 1,
    /// The tip.
    Tip = 2,
}

impl Segmentation {
    /// From the network's logits for the strip of an end; `colour` when the picture has any.
    pub(crate) fn of(initial: InitialEnd, colour: bool, mut logits: Vec<f32>) -> Self {
        logits.iter_mut().for_each(|v| *v = 1.0 / (1.0 + (-*v).exp()));
        Self { initial, colour, maps: logits }
    }

    /// Whether the picture has colour.
    pub(crate) fn has_colour(&self) -> bool {
        self.colour
    }

    /// Distance of samples, px.
    pub(crate) fn step(&self) -> f64 {
        self.initial.width_px / PER_WIDTH
    }

    /// Value of a map, 0..1, at a place of the picture; 0 outside the strip.
    pub(crate) fn at(&self, map: Map, p: Point) -> f64 {
        let (sin, cos) = self.initial.axis_deg.to_radians().sin_cos();
        let (dx, dy) = (p.x - self.initial.tip.x, p.y - self.initial.tip.y);
        self.sample(
            map,
            (dx * cos + dy * sin) / self.step() + BEHIND,
            (dy * cos - dx * sin) / self.step() + 0.5 * (COLUMNS - 1) as f64,
        )
    }

    fn sample(&self, map: Map, row: f64, column: f64) -> f64 {
        if !(0.0..=(ROWS - 1) as f64).contains(&row) || !(0.0..=(COLUMNS - 1) as f64).contains(&column) {
            return 0.0;
        }
        let (i, j) = (row as usize, column as usize);
        let (i1, j1) = ((i + 1).min(ROWS - 1), (j + 1).min(COLUMNS - 1));
        let (fi, fj) = (row - i as f64, column - j as f64);
        let at = |i: usize, j: usize| f64::from(self.maps[(map as usize * ROWS + i) * COLUMNS + j]);
        (at(i, j) * (1.0 - fj) + at(i, j1) * fj) * (1.0 - fi) + (at(i1, j) * (1.0 - fj) + at(i1, j1) * fj) * fi
    }

    /// The most likely tip and how likely it is; the middle of the map around its highest place.
    pub(crate) fn tip(&self) -> (Point, f64) {
        let value = |i: usize, j: usize| f64::from(self.maps[(Map::Tip as usize * ROWS + i) * COLUMNS + j]);
        let mut top = (0, 0);
        for i in 0..ROWS {
            for j in 0..COLUMNS {
                if value(i, j) > value(top.0, top.1) {
                    top = (i, j);
                }
            }
        }
        let (mut sum, mut row, mut column) = (0.0, 0.0, 0.0);
        for i in top.0.saturating_sub(2)..=(top.0 + 2).min(ROWS - 1) {
            for j in top.1.saturating_sub(2)..=(top.1 + 2).min(COLUMNS - 1) {
                sum += value(i, j);
                row += value(i, j) * i as f64;
                column += value(i, j) * j as f64;
            }
        }
        let (u, v) = (
            (row / sum.max(f64::MIN_POSITIVE) - BEHIND) * self.step(),
            (column / sum.max(f64::MIN_POSITIVE) - 0.5 * (COLUMNS - 1) as f64) * self.step(),
        );
        (
            self.initial.tip.towards(self.initial.axis_deg, u).towards(self.initial.axis_deg + 90.0, v),
            value(top.0, top.1),
        )
    }

    /// Own fibre in every row from near the tip backwards: `[u, left, right, clearness]`, px along and beside the initial axis.
    ///
    /// Each row holds the run of own fibre that carries on from the row before; clearness is 1 where the map has no doubt.
    pub(crate) fn runs(&self, from_u: f64) -> Vec<[f64; 4]> {
        let own = |i: usize, j: usize| f64::from(self.maps[i * COLUMNS + j]);
        let middle = 0.5 * (COLUMNS - 1) as f64;
        let first = ((from_u / self.step() + BEHIND).round().clamp(0.0, (ROWS - 1) as f64)) as usize;
        let mut centre = middle;
        let mut runs = Vec::new();
        for i in (0..=first).rev() {
            let start = (0..COLUMNS)
                .filter(|j| own(i, *j) >= 0.5)
                .min_by(|a, b| (*a as f64 - centre).abs().total_cmp(&(*b as f64 - centre).abs()));
            let Some(start) = start.filter(|s| (*s as f64 - centre).abs() <= PER_WIDTH) else { continue };
            let (mut l, mut r) = (start, start);
            while l > 0 && own(i, l - 1) >= 0.5 {
                l -= 1;
            }
            while r + 1 < COLUMNS && own(i, r + 1) >= 0.5 {
                r += 1;
            }
            if l == 0 || r + 1 == COLUMNS {
                continue;
            }
            let left = l as f64 - (own(i, l) - 0.5) / (own(i, l) - own(i, l - 1));
            let right = r as f64 + (own(i, r) - 0.5) / (own(i, r) - own(i, r + 1));
            let doubt = (l..=r).map(|j| 1.0 - own(i, j)).sum::<f64>() / (r - l + 1) as f64;
            centre = 0.5 * (left + right);
            let px = |column: f64| (column - middle) * self.step();
            runs.push([(i as f64 - BEHIND) * self.step(), px(left), px(right), 1.0 - doubt]);
        }
        runs
    }
}
