//! Two frames -> what every tile of the picture tells about the displacement between them.
//!
//! Band-passed copies are compared from coarse to fine by Gauss-Newton steps (Lucas and Kanade 1981) with the slopes of both
//! frames (Malis 2004), free blur and free contrast in every tile. Finer copies join the coarser ones: frames far apart in
//! focus have only their coarse parts in common. The first guess is a search over whole-pixel shifts of the coarsest copy.

use super::fit::{Model, common_step};
use super::marks::Seen;
use super::tiles::{TileStep, tile_steps};
use crate::raster::Plane;
use crate::settings::StackSettings;
use crate::units::PxBox;

/// From one frame to the next: what its tiles tell, and how well the frames agree.
#[derive(Debug, Clone, Default)]
pub(super) struct Step {
    /// What each tile tells about the displacement, in px of the full picture; none where the frames lie as they are.
    pub tiles: Vec<TileStep>,
    /// Correlation of the frames once they lie on each other, −1..1.
    pub agreement: f64,
}

/// What the comparison needs of a frame: its band-passed copies, finest first.
pub(super) struct Shrunk {
    levels: Vec<Level>,
    /// Pixels of the full picture per pixel of the finest copy.
    factor: f64,
}

/// One band-passed copy.
struct Level {
    band: Plane,
    /// 1 where it counts, 0 where a mark is burnt in; `None` = everywhere.
    seen: Option<Plane>,
}

/// Smallest side at which copies are still compared, px.
const COARSEST_PX: usize = 48;
/// Copies from fine to coarse.
const MOST_LEVELS: usize = 4;
/// Standard deviations of the two smoothings whose difference is compared, px: noise and light cancel.
const BAND_PX: [f64; 2] = [1.0, 4.0];

impl Shrunk {
    /// Of a frame's greys; marks that are burnt in stand still while the picture moves, so they are left out.
    pub(super) fn new(grey: &Plane, marks: &[PxBox], settings: &StackSettings) -> Self {
        let mut plane = Seen::new(grey, marks);
        let mut factor = 1.0;
        while settings.align_side_px < plane.longest() && 2 * COARSEST_PX < plane.shortest() {
            plane = plane.reduce();
            factor *= 2.0;
        }
        let mut levels = Vec::new();
        loop {
            let (fine, coarse) = (plane.smoothed(BAND_PX[0]), plane.smoothed(BAND_PX[1]));
            let values = fine.values.iter().zip(&coarse.values).map(|(f, c)| f - c).collect();
            levels.push(Level { band: Plane { values, ..fine }, seen: plane.counting() });
            if plane.shortest() < 2 * COARSEST_PX || levels.len() == MOST_LEVELS {
                return Self { levels, factor };
            }
            plane = plane.reduce();
        }
    }
}

/// What the tiles tell about where `from` went in `to`; `None` when the frames show nothing in common. A move outside the bounds
/// is no move of a focus series: the frames are then taken to lie as they are.
pub(super) fn align(from: &Shrunk, to: &Shrunk, settings: &StackSettings) -> Option<Step> {
    let copies: Vec<(&Level, &Plane)> = from.levels.iter().zip(to.levels.iter().map(|l| &l.band)).collect();
    let (a, b) = copies.last().map(|(a, b)| (&a.band, *b))?;
    let (coarse, mut agreement) = search(a, b, (settings.max_shift_share * a.width as f64).ceil() as i64);
    let to_finest = f64::from(1_u32 << (copies.len() - 1));
    let mut shift = coarse.map(|d| d * to_finest);
    let mut tiles = Vec::new();
    for finest in (0..copies.len()).rev() {
        let r;
        (shift, tiles, r) = refine(&copies, finest, shift);
        // Frames far apart in focus agree in their coarse parts only.
        agreement = r.max(agreement);
    }
    if agreement < settings.min_correlation {
        return None;
    }
    let widest = settings.max_shift_share * from.levels[0].band.width as f64;
    if widest < shift[0].hypot(shift[1]) {
        tiles.clear();
    }
    Some(Step { tiles: tiles.into_iter().map(|t| t.scaled(from.factor)).collect(), agreement })
}

/// Best whole-pixel shift by correlation.
fn search(a: &Plane, b: &Plane, reach: i64) -> ([f64; 2], f64) {
    let mut best = (f64::NEG_INFINITY, [0.0; 2]);
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
                best = (r, [dx as f64, dy as f64]);
            }
        }
    }
    (best.1, best.0)
}

/// Gauss-Newton steps from a guess (px of the finest copy of all) by the copies from `finest` on; returns the common shift, what
/// the tiles tell, and the largest correlation of a copy.
fn refine(copies: &[(&Level, &Plane)], finest: usize, guess: [f64; 2]) -> ([f64; 2], Vec<TileStep>, f64) {
    const STEPS: usize = 6;
    const SMALL_PX: f64 = 5e-3;
    let (mut shift, mut tiles, mut agreement) = (guess, Vec::new(), f64::NEG_INFINITY);
    for _ in 0..STEPS {
        let (asked, r) = compare(copies, finest, shift);
        let Some(step) = common_step(&asked, Model::Growth(0.0)) else { break };
        tiles = asked.into_iter().map(|t| t.counted_from(shift)).collect();
        agreement = r;
        let by = step.by;
        shift = [shift[0] + by.dx, shift[1] + by.dy];
        if by.dx.hypot(by.dy) < SMALL_PX * f64::from(1_u32 << finest) {
            break;
        }
    }
    (shift, tiles, agreement)
}

/// What the tiles of all copies from `finest` on tell beyond a shift, and the largest correlation of a copy.
fn compare(copies: &[(&Level, &Plane)], finest: usize, shift: [f64; 2]) -> (Vec<TileStep>, f64) {
    let (mut tiles, mut agreement) = (Vec::new(), f64::NEG_INFINITY);
    for (level, (a, b)) in copies.iter().enumerate().skip(finest) {
        let factor = f64::from(1_u32 << level);
        if let Some((found, r)) = tile_steps(&a.band, b, a.seen.as_ref(), shift.map(|d| d / factor)) {
            tiles.extend(found.into_iter().map(|t| t.scaled(factor)));
            agreement = r.max(agreement);
        }
    }
    (tiles, agreement)
}

#[cfg(test)]
mod tests {
    use super::super::motion::Move;
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
        let still = Shrunk::new(&scene(320, 241, Move::default()), &[], &settings);
        for by in [
            Move { dx: 0.4, dy: -0.7, grow: 0.0 },
            Move { dx: 6.3, dy: 3.1, grow: 0.001 },
            Move { dx: -9.0, dy: 5.5, grow: -0.0015 },
        ] {
            let step = align(&still, &Shrunk::new(&scene(320, 241, by), &[], &settings), &settings).expect("alike");
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
        let a = Shrunk::new(&scene(320, 241, Move::default()), &[], &settings);
        let flat = Plane { width: 320, height: 241, values: vec![0.5; 320 * 241] };
        assert!(align(&a, &Shrunk::new(&flat, &[], &settings), &settings).is_none());
    }
}
