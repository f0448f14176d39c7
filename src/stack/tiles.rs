//! Two band-passed frames -> the displacement that every tile of the picture asks for, and what tiles have in common.

use super::motion::{Estimate, Move};
use crate::linear_solve::solve;
use crate::raster::Plane;
use crate::robust::{mad_sd, median};

/// Tiles per side, each of which finds its own shift.
const TILES: usize = 8;

/// The shift that one tile asks for.
#[derive(Debug, Clone, Copy, Default)]
pub(super) struct TileStep {
    /// Middle of the tile from the middle of the picture, px.
    pub x: f64,
    /// The same, down.
    pub y: f64,
    /// Displacement across and down, px.
    pub step: [f64; 2],
    /// How well the tile shows it.
    pub weight: f64,
}

/// Sums of one tile: slopes, their products with both frames.
#[derive(Clone, Copy, Default)]
struct TileSums {
    xx: f64,
    xy: f64,
    yy: f64,
    with_a: [f64; 2],
    with_b: [f64; 2],
    aa: f64,
    ab: f64,
    bb: f64,
}

/// The shift that every tile asks for from here, and the correlation of the whole before any step.
pub(super) fn tile_steps(a: &Plane, b: &Plane, current: Move) -> Option<(Vec<TileStep>, f64)> {
    const BORDER: usize = 3;
    let (cx, cy) = ((a.width as f64 - 1.0) / 2.0, (a.height as f64 - 1.0) / 2.0);
    let zoom = 1.0 + current.grow;
    let inside = |x: f64, y: f64| 1.0 <= x && x < a.width as f64 - 2.0 && 1.0 <= y && y < a.height as f64 - 2.0;
    let mut sums = vec![TileSums::default(); TILES * TILES];
    for y in BORDER..a.height.saturating_sub(BORDER) {
        let by = cy + (y as f64 - cy) * zoom + current.dy;
        for x in BORDER..a.width.saturating_sub(BORDER) {
            let bx = cx + (x as f64 - cx) * zoom + current.dx;
            if !inside(bx, by) {
                continue;
            }
            let tile = &mut sums[y * TILES / a.height * TILES + x * TILES / a.width];
            let va = f64::from(a.row(y)[x]);
            let (vb, gx, gy) = value_and_slope(b, bx, by);
            tile.xx += gx * gx;
            tile.xy += gx * gy;
            tile.yy += gy * gy;
            tile.with_a = [tile.with_a[0] + gx * va, tile.with_a[1] + gy * va];
            tile.with_b = [tile.with_b[0] + gx * vb, tile.with_b[1] + gy * vb];
            tile.aa += va * va;
            tile.ab += va * vb;
            tile.bb += vb * vb;
        }
    }
    let whole = sums.iter().fold((0.0, 0.0, 0.0), |t, s| (t.0 + s.aa, t.1 + s.ab, t.2 + s.bb));
    if whole.0 <= 0.0 || whole.1 <= 0.0 || whole.2 <= 0.0 {
        return None;
    }
    let steps = sums.iter().enumerate().filter_map(|(i, s)| {
        let middle = |i: usize, n: usize| (i as f64 + 0.5) / TILES as f64 * n as f64 - n as f64 / 2.0;
        s.step(middle(i % TILES, a.width), middle(i / TILES, a.height))
    });
    Some((steps.collect(), whole.1 / (whole.0 * whole.2).sqrt()))
}

impl TileSums {
    /// Least squares for the shift of this tile, frames compared at equal contrast; `None` for tiles that show no place.
    fn step(&self, x: f64, y: f64) -> Option<TileStep> {
        /// Smallest part of the slopes that must point the other way: an edge in one direction fixes no place.
        const ROUND: f64 = 0.05;
        let determinant = self.xx * self.yy - self.xy * self.xy;
        let trace = self.xx + self.yy;
        if self.ab <= 0.0 || trace <= 0.0 || determinant < ROUND * trace * trace / 4.0 {
            return None;
        }
        let inverse_gain = self.bb / self.ab;
        let right = [0, 1].map(|i| self.with_a[i] * inverse_gain - self.with_b[i]);
        let step = [
            (right[0] * self.yy - right[1] * self.xy) / determinant,
            (right[1] * self.xx - right[0] * self.xy) / determinant,
        ];
        // What the frames have in common counts, not what one of them shows alone.
        let agreement = (self.ab / (self.aa * self.bb).sqrt()).max(0.0);
        Some(TileStep { x, y, step, weight: determinant / trace * agreement * agreement })
    }
}

/// Fewest tiles that tell a move.
const LEAST_TILES: usize = 4;

/// What a fit to tiles may change.
#[derive(Clone, Copy, PartialEq)]
pub(super) enum Model {
    /// Shift and growth.
    Free,
    /// Shift alone; the growth is this.
    Growth(f64),
}

/// Shift and growth that the tiles have in common, robustly, with the variances by the scatter of the tiles.
pub(super) fn common_step(tiles: &[TileStep], model: Model) -> Option<Estimate> {
    const ROUNDS: usize = 5;
    /// Tukey's constant for 95 % efficiency, in robust standard deviations.
    const TUKEY: f64 = 4.685;
    if tiles.len() < LEAST_TILES {
        return None;
    }
    // Bright objects must not outvote the rest of the picture.
    let cap = median(&tiles.iter().map(|t| t.weight).collect::<Vec<_>>())?;
    let base: Vec<f64> = tiles.iter().map(|t| t.weight.min(cap)).collect();
    let mut weights = base.clone();
    let mut estimate = Estimate::default();
    for _ in 0..ROUNDS {
        estimate = weighted_step(tiles, &weights, model)?;
        let misses: Vec<f64> = tiles.iter().map(|t| miss(t, estimate.by)).collect();
        let reach = (mad_sd(&misses, 0.0)? * TUKEY).max(1e-9);
        weights = base.iter().zip(&misses).map(|(w, m)| w * (1.0 - (m / reach).powi(2)).max(0.0).powi(2)).collect();
    }
    Some(estimate)
}

/// How far a tile's own displacement is from a common one, px.
pub(super) fn miss(tile: &TileStep, by: Move) -> f64 {
    (tile.step[0] - by.dx - by.grow * tile.x).hypot(tile.step[1] - by.dy - by.grow * tile.y)
}

fn weighted_step(tiles: &[TileStep], weights: &[f64], model: Model) -> Option<Estimate> {
    let mut normal = [[0.0; 3]; 3];
    let mut right = [0.0; 3];
    let known = if let Model::Growth(grow) = model { grow } else { 0.0 };
    for (tile, weight) in tiles.iter().zip(weights) {
        for (row, at, value) in [([1.0, 0.0], tile.x, tile.step[0]), ([0.0, 1.0], tile.y, tile.step[1])] {
            let row = [row[0], row[1], if model == Model::Free { at } else { 0.0 }];
            for i in 0..3 {
                right[i] += weight * row[i] * (value - known * at);
                (0..3).for_each(|j| normal[i][j] += weight * row[i] * row[j]);
            }
        }
    }
    if model != Model::Free {
        normal[2][2] = 1.0;
    }
    let solution = solve(normal, right)?;
    let by = Move { dx: solution[0], dy: solution[1], grow: known + solution[2] };
    // Scatter per part; both coordinates of a tile count as one piece of evidence each.
    let total: f64 = weights.iter().sum();
    let scatter = tiles.iter().zip(weights).map(|(t, w)| w * miss(t, by).powi(2)).sum::<f64>() / total / 2.0;
    let effective = total * total / weights.iter().map(|w| w * w).sum::<f64>().max(f64::MIN_POSITIVE);
    let freedom = (effective - 1.5).max(0.5) / effective;
    let unit = [0, 1, 2].map(|i| {
        let mut e = [0.0; 3];
        e[i] = 1.0;
        solve(normal, e).map_or(f64::INFINITY, |s| s[i])
    });
    let variance = unit.map(|u| u * scatter / freedom * total / effective);
    Some(Estimate { by, variance })
}

/// Bilinear value and central-difference slopes.
fn value_and_slope(plane: &Plane, x: f64, y: f64) -> (f64, f64, f64) {
    let (x0, y0) = (x as usize, y as usize);
    let (fx, fy) = (x - x0 as f64, y - y0 as f64);
    let at = |dx: usize, dy: usize| f64::from(plane.row(y0 + dy - 1)[x0 + dx - 1]);
    let mix = |dx: usize, dy: usize| {
        let top = at(dx, dy) * (1.0 - fx) + at(dx + 1, dy) * fx;
        let bottom = at(dx, dy + 1) * (1.0 - fx) + at(dx + 1, dy + 1) * fx;
        top * (1.0 - fy) + bottom * fy
    };
    let value = mix(1, 1);
    let gx = (mix(2, 1) - mix(0, 1)) / 2.0;
    let gy = (mix(1, 2) - mix(1, 0)) / 2.0;
    (value, gx, gy)
}
