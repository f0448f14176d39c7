//! Two frames -> the shift and the change of magnification between them.
//!
//! Every tile of the picture finds its own shift; what the tiles have in common is the move, and their scatter says how
//! certain it is.
//! Band-passed copies are compared from coarse to fine by Gauss-Newton steps (Lucas and Kanade 1981) with a free gain, as
//! in enhanced-correlation alignment (Evangelidis and Psarakis 2008); the first guess is a search over whole-pixel shifts.

use crate::raster::Plane;
use crate::robust::MAD_TO_SD;
use crate::settings::StackSettings;

/// Where a pixel of one frame lies in another: `middle + (1 + grow) (p - middle) + (dx, dy)`.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Move {
    /// Shift, px of the full picture.
    pub dx: f64,
    /// Shift, px of the full picture.
    pub dy: f64,
    /// Change of magnification, relative; 0 = none.
    pub grow: f64,
}

impl Move {
    /// First this move, then `next`.
    pub(super) fn then(self, next: Self) -> Self {
        let zoom = 1.0 + next.grow;
        Self { dx: zoom * self.dx + next.dx, dy: zoom * self.dy + next.dy, grow: (1.0 + self.grow) * zoom - 1.0 }
    }

    /// Farthest that a pixel of the picture is moved, px: at a corner.
    pub(super) fn reach(self, width: usize, height: usize) -> f64 {
        let spread = self.grow.abs() * (width as f64).hypot(height as f64) / 2.0;
        self.dx.hypot(self.dy) + spread
    }
}

/// A move as estimated, with the variance of each of its parts.
#[derive(Debug, Clone, Copy, Default)]
pub(super) struct Estimate {
    pub by: Move,
    /// Variances of shift in x, shift in y and growth.
    variance: [f64; 3],
}

impl Estimate {
    /// First this one, then `next`. Blur that changes with focus errs alike from frame to frame, so standard deviations add and
    /// not variances: else a long series would pass off many small errors of one sign as a certain change of magnification.
    pub(super) fn then(self, next: Self) -> Self {
        let variance = [0, 1, 2].map(|i| (self.variance[i].sqrt() + next.variance[i].sqrt()).powi(2));
        Self { by: self.by.then(next.by), variance }
    }

    /// The parts of the move that are beyond chance; the others are none.
    ///
    /// Blur that differs between frames looks like growth about every object by itself; it scatters over the picture and
    /// so does not pass for a change of magnification.
    pub(super) fn certain(self, settings: &StackSettings) -> Move {
        let keep = |value: f64, i: usize| {
            if settings.certain_sd * self.variance[i].sqrt() < value.abs() { value } else { 0.0 }
        };
        Move { dx: keep(self.by.dx, 0), dy: keep(self.by.dy, 1), grow: keep(self.by.grow, 2) }
    }
}

/// What the comparison needs of a frame: its band-passed copies, finest first.
pub(super) struct Shrunk {
    levels: Vec<Plane>,
    /// Pixels of the full picture per pixel of the finest copy.
    factor: f64,
}

/// Smallest side at which copies are still compared, px.
const COARSEST_PX: usize = 48;
/// Copies from fine to coarse.
const MOST_LEVELS: usize = 4;
/// Standard deviations of the two smoothings whose difference is compared, px: noise and light cancel.
const BAND_PX: [f64; 2] = [1.0, 4.0];

impl Shrunk {
    pub(super) fn new(grey: &Plane, settings: &StackSettings) -> Self {
        let mut plane = grey.clone();
        let mut factor = 1.0;
        while settings.align_side_px < plane.width.max(plane.height) && 2 * COARSEST_PX < plane.width.min(plane.height)
        {
            plane = plane.reduce();
            factor *= 2.0;
        }
        let mut levels = Vec::new();
        loop {
            let (fine, coarse) = (plane.smoothed(BAND_PX[0]), plane.smoothed(BAND_PX[1]));
            let values = fine.values.iter().zip(&coarse.values).map(|(f, c)| f - c).collect();
            levels.push(Plane { values, ..fine });
            if plane.width.min(plane.height) < 2 * COARSEST_PX || levels.len() == MOST_LEVELS {
                return Self { levels, factor };
            }
            plane = plane.reduce();
        }
    }
}

/// Finds the move from `from` to `to` and how well they then agree (correlation, −1..1); `None` when they show nothing in
/// common.
///
/// A move outside the bounds is no move of a focus series: the frames are then taken to lie as they are.
pub(super) fn align(from: &Shrunk, to: &Shrunk, settings: &StackSettings) -> Option<(Estimate, f64)> {
    let coarsest = from.levels.len().min(to.levels.len()).checked_sub(1)?;
    let (a, b) = (&from.levels[coarsest], &to.levels[coarsest]);
    let (guess, mut agreement) = search(a, b, (settings.max_shift_share * a.width as f64).ceil() as i64);
    let mut guess = Estimate { by: guess, variance: [0.0; 3] };
    for level in (0..=coarsest).rev() {
        if level < coarsest {
            guess.by.dx *= 2.0;
            guess.by.dy *= 2.0;
        }
        let r;
        (guess, r) = refine(&from.levels[level], &to.levels[level], guess.by);
        // Frames far apart in focus agree in their coarse parts only.
        agreement = r.max(agreement);
    }
    if agreement < settings.min_correlation {
        return None;
    }
    let by = Move { dx: guess.by.dx * from.factor, dy: guess.by.dy * from.factor, grow: guess.by.grow };
    let widest = settings.max_shift_share * from.levels[0].width as f64 * from.factor;
    let within = by.grow.abs() <= settings.max_magnification_step && by.dx.hypot(by.dy) <= widest;
    let scale = from.factor * from.factor;
    let variance = [guess.variance[0] * scale, guess.variance[1] * scale, guess.variance[2]];
    Some((if within { Estimate { by, variance } } else { Estimate::default() }, agreement))
}

/// Best whole-pixel shift by correlation.
fn search(a: &Plane, b: &Plane, reach: i64) -> (Move, f64) {
    let mut best = (f64::NEG_INFINITY, Move::default());
    for dy in -reach..=reach {
        for dx in -reach..=reach {
            let (mut ab, mut aa, mut bb) = (0.0, 0.0, 0.0);
            for y in reach..a.height as i64 - reach {
                let (row_a, row_b) = (a.row(y as usize), b.row((y + dy) as usize));
                for x in reach..a.width as i64 - reach {
                    let (p, q) = (f64::from(row_a[x as usize]), f64::from(row_b[(x + dx) as usize]));
                    ab += p * q;
                    aa += p * p;
                    bb += q * q;
                }
            }
            let r = ab / (aa * bb).sqrt().max(1e-12);
            if best.0 < r {
                best = (r, Move { dx: dx as f64, dy: dy as f64, grow: 0.0 });
            }
        }
    }
    (best.1, best.0)
}

/// Gauss-Newton steps from a guess; returns the move with its variances, and the correlation there.
fn refine(a: &Plane, b: &Plane, guess: Move) -> (Estimate, f64) {
    const STEPS: usize = 10;
    const SMALL_PX: f64 = 2e-3;
    let mut current = Estimate { by: guess, variance: [0.0; 3] };
    let mut agreement = 0.0;
    for _ in 0..STEPS {
        let Some((tiles, r)) = tile_steps(a, b, current.by) else { break };
        agreement = r;
        let Some(step) = common_step(&tiles) else { break };
        current.by.dx += step.by.dx;
        current.by.dy += step.by.dy;
        current.by.grow += step.by.grow;
        current.variance = step.variance;
        if step.by.reach(a.width, a.height) < SMALL_PX {
            break;
        }
    }
    (current, agreement)
}

/// Tiles per side, each of which finds its own shift.
const TILES: usize = 8;

/// The shift that one tile asks for.
#[derive(Clone, Copy, Default)]
struct TileStep {
    /// Middle of the tile from the middle of the picture, px.
    x: f64,
    y: f64,
    step: [f64; 2],
    weight: f64,
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
fn tile_steps(a: &Plane, b: &Plane, current: Move) -> Option<(Vec<TileStep>, f64)> {
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

/// Shift and growth that the tiles have in common, robustly, with the variances by the scatter of the tiles.
fn common_step(tiles: &[TileStep]) -> Option<Estimate> {
    const ROUNDS: usize = 5;
    /// Tukey's constant for 95 % efficiency, in robust standard deviations.
    const TUKEY: f64 = 4.685;
    const LEAST_TILES: usize = 4;
    if tiles.len() < LEAST_TILES {
        return None;
    }
    // Bright objects must not outvote the rest of the picture.
    let mut sorted: Vec<f64> = tiles.iter().map(|t| t.weight).collect();
    sorted.sort_by(f64::total_cmp);
    let cap = sorted[sorted.len() / 2];
    let base: Vec<f64> = tiles.iter().map(|t| t.weight.min(cap)).collect();
    let mut weights = base.clone();
    let mut estimate = Estimate::default();
    for _ in 0..ROUNDS {
        estimate = weighted_step(tiles, &weights)?;
        let misses: Vec<f64> = tiles.iter().map(|t| miss(t, estimate.by)).collect();
        let mut ordered = misses.clone();
        ordered.sort_by(f64::total_cmp);
        let reach = (ordered[ordered.len() / 2] * MAD_TO_SD * TUKEY).max(1e-9);
        weights = base.iter().zip(&misses).map(|(w, m)| w * (1.0 - (m / reach).powi(2)).max(0.0).powi(2)).collect();
    }
    Some(estimate)
}

/// How far a tile's own shift is from the common one, px.
fn miss(tile: &TileStep, by: Move) -> f64 {
    (tile.step[0] - by.dx - by.grow * tile.x).hypot(tile.step[1] - by.dy - by.grow * tile.y)
}

fn weighted_step(tiles: &[TileStep], weights: &[f64]) -> Option<Estimate> {
    let mut normal = [[0.0; 3]; 3];
    let mut right = [0.0; 3];
    for (tile, weight) in tiles.iter().zip(weights) {
        for (row, value) in [([1.0, 0.0, tile.x], tile.step[0]), ([0.0, 1.0, tile.y], tile.step[1])] {
            for i in 0..3 {
                right[i] += weight * row[i] * value;
                (0..3).for_each(|j| normal[i][j] += weight * row[i] * row[j]);
            }
        }
    }
    let solution = solve3(normal, right)?;
    let by = Move { dx: solution[0], dy: solution[1], grow: solution[2] };
    // Scatter per part; both coordinates of a tile count as one piece of evidence each.
    let total: f64 = weights.iter().sum();
    let scatter = tiles.iter().zip(weights).map(|(t, w)| w * miss(t, by).powi(2)).sum::<f64>() / total / 2.0;
    let effective = total * total / weights.iter().map(|w| w * w).sum::<f64>().max(f64::MIN_POSITIVE);
    let freedom = (effective - 1.5).max(0.5) / effective;
    let unit = [0, 1, 2].map(|i| {
        let mut e = [0.0; 3];
        e[i] = 1.0;
        solve3(normal, e).map_or(f64::INFINITY, |s| s[i])
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

/// Cramer's rule; `None` when the picture does not determine the move.
fn solve3(m: [[f64; 3]; 3], r: [f64; 3]) -> Option<[f64; 3]> {
    let det = |m: &[[f64; 3]; 3]| {
        m[0][0] * (m[1][1] * m[2][2] - m[1][2] * m[2][1]) - m[0][1] * (m[1][0] * m[2][2] - m[1][2] * m[2][0])
            + m[0][2] * (m[1][0] * m[2][1] - m[1][1] * m[2][0])
    };
    let whole = det(&m);
    if whole.abs() <= 1e-12 * (m[0][0] * m[1][1] * m[2][2]).abs() || whole == 0.0 {
        return None;
    }
    Some([0, 1, 2].map(|column| {
        let mut part = m;
        (0..3).for_each(|row| part[row][column] = r[row]);
        det(&part) / whole
    }))
}

/// The plane moved back, so that it lies on the frame from which the move starts.
pub(super) fn moved_back(plane: &Plane, by: Move) -> Plane {
    use rayon::prelude::*;
    let (cx, cy) = ((plane.width as f64 - 1.0) / 2.0, (plane.height as f64 - 1.0) / 2.0);
    let mut out = Plane::zeros(plane.width, plane.height);
    out.values.par_chunks_mut(plane.width).enumerate().for_each(|(y, row)| {
        let py = cy + (y as f64 - cy) * (1.0 + by.grow) + by.dy;
        for (x, value) in row.iter_mut().enumerate() {
            *value = plane.cubic(cx + (x as f64 - cx) * (1.0 + by.grow) + by.dx, py);
        }
    });
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    fn scene(width: usize, height: usize, by: Move) -> Plane {
        let (cx, cy) = ((width as f64 - 1.0) / 2.0, (height as f64 - 1.0) / 2.0);
        let values = (0..width * height)
            .map(|i| {
                let (x, y) = ((i % width) as f64, (i / width) as f64);
                // A point of the frame shows the point of the scene that the move brings there.
                let (u, v) = ((x - cx - by.dx) / (1.0 + by.grow), (y - cy - by.dy) / (1.0 + by.grow));
                let texture = (u * 0.31).sin() * (v * 0.27).cos() + (u * 0.11 + v * 0.19).sin() + (u * v * 0.002).cos();
                (0.5 + 0.12 * texture) as f32
            })
            .collect();
        Plane { width, height, values }
    }

    #[test]
    fn known_moves_are_found() {
        let settings = StackSettings::default();
        let still = Shrunk::new(&scene(320, 241, Move::default()), &settings);
        for by in [
            Move { dx: 0.4, dy: -0.7, grow: 0.0 },
            Move { dx: 6.3, dy: 3.1, grow: 0.001 },
            Move { dx: -9.0, dy: 5.5, grow: -0.0015 },
        ] {
            let (found, agreement) =
                align(&still, &Shrunk::new(&scene(320, 241, by), &settings), &settings).expect("alike");
            let found = found.by;
            assert!((found.dx - by.dx).abs() < 0.05 && (found.dy - by.dy).abs() < 0.05, "{found:?} for {by:?}");
            assert!((found.grow - by.grow).abs() < 2e-4 && 0.98 < agreement, "{found:?} for {by:?}: {agreement}");
        }
    }

    #[test]
    fn moves_chain() {
        let (a, b) = (Move { dx: 1.0, dy: 2.0, grow: 0.01 }, Move { dx: -3.0, dy: 0.5, grow: -0.02 });
        // A point 10 px right of the middle: to 11.1 by the first, then 0.98 * 11.1 - 3 by the second.
        let both = a.then(b);
        assert!(((1.0 + both.grow) * 10.0 + both.dx - (0.98 * 11.1 - 3.0)).abs() < 1e-12);
    }

    #[test]
    fn unlike_frames_do_not_align() {
        let settings = StackSettings::default();
        let a = Shrunk::new(&scene(320, 241, Move::default()), &settings);
        let flat = Plane { width: 320, height: 241, values: vec![0.5; 320 * 241] };
        assert!(align(&a, &Shrunk::new(&flat, &settings), &settings).is_none());
    }
}
