//! Two frames -> the shift and the change of magnification between them.
//!
//! Every tile of the picture finds its own shift; what the tiles have in common is the move, and their scatter says how
//! certain it is.
//! Band-passed copies are compared from coarse to fine by Gauss-Newton steps (Lucas and Kanade 1981) with a free gain, as
//! in enhanced-correlation alignment (Evangelidis and Psarakis 2008); the first guess is a search over whole-pixel shifts.

use super::motion::{Estimate, Move};
use super::tiles::{Model, TileStep, common_step, tile_steps};
use crate::raster::Plane;
use crate::settings::StackSettings;

/// From one frame to the next: where each tile went, and how well the frames agree.
#[derive(Debug, Clone, Default)]
pub(super) struct Step {
    /// Displacement of each tile, px of the full picture.
    pub tiles: Vec<TileStep>,
    /// Correlation of the frames once they lie on each other, −1..1.
    pub agreement: f64,
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

/// Where the tiles of `from` went in `to`; `None` when the frames show nothing in common. A move outside the bounds is no move
/// of a focus series: the frames are then taken to lie as they are.
pub(super) fn align(from: &Shrunk, to: &Shrunk, settings: &StackSettings) -> Option<Step> {
    let coarsest = from.levels.len().min(to.levels.len()).checked_sub(1)?;
    let (a, b) = (&from.levels[coarsest], &to.levels[coarsest]);
    let (mut guess, mut agreement) = search(a, b, (settings.max_shift_share * a.width as f64).ceil() as i64);
    let mut tiles = Vec::new();
    for level in (0..=coarsest).rev() {
        if level < coarsest {
            guess.dx *= 2.0;
            guess.dy *= 2.0;
        }
        let r;
        (guess, tiles, r) = refine(&from.levels[level], &to.levels[level], guess);
        // Frames far apart in focus agree in their coarse parts only.
        agreement = r.max(agreement);
    }
    if agreement < settings.min_correlation {
        return None;
    }
    let reach = guess.dx.hypot(guess.dy) * from.factor;
    let widest = settings.max_shift_share * from.levels[0].width as f64 * from.factor;
    if settings.max_magnification_step < guess.grow.abs() || widest < reach {
        return Some(Step { tiles: Vec::new(), agreement });
    }
    for tile in &mut tiles {
        tile.step = tile.step.map(|d| d * from.factor);
        tile.x *= from.factor;
        tile.y *= from.factor;
    }
    Some(Step { tiles, agreement })
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

/// Gauss-Newton steps from a guess; returns the common move, where each tile went, and the correlation.
fn refine(a: &Plane, b: &Plane, guess: Move) -> (Move, Vec<TileStep>, f64) {
    const STEPS: usize = 10;
    const SMALL_PX: f64 = 2e-3;
    let (mut current, mut tiles, mut agreement) = (guess, Vec::new(), 0.0);
    for _ in 0..STEPS {
        let Some((mut asked, r)) = tile_steps(a, b, current) else { break };
        let Some(Estimate { by, .. }) = common_step(&asked, Model::Free) else { break };
        // A tile's own step begins where the common move left it.
        for tile in &mut asked {
            tile.step[0] += current.dx + current.grow * tile.x;
            tile.step[1] += current.dy + current.grow * tile.y;
        }
        (tiles, agreement) = (asked, r);
        current = Move { dx: current.dx + by.dx, dy: current.dy + by.dy, grow: current.grow + by.grow };
        if by.reach(a.width, a.height) < SMALL_PX {
            break;
        }
    }
    (current, tiles, agreement)
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
            let step = align(&still, &Shrunk::new(&scene(320, 241, by), &settings), &settings).expect("alike");
            let agreement = step.agreement;
            let found = common_step(&step.tiles, Model::Free).expect("tiles").by;
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
