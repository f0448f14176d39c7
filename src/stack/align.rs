//! Two frames -> the shift and the change of magnification between them.
//!
//! Band-passed copies are compared from coarse to fine by Gauss-Newton steps (Lucas and Kanade 1981) with a free gain, as
//! in enhanced-correlation alignment (Evangelidis and Psarakis 2008); the first guess is a search over whole-pixel shifts.

use super::plane::Plane;
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
            plane = plane.halved();
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
            plane = plane.halved();
        }
    }
}

/// Finds the move from `from` to `to` and how well they then agree (correlation, −1..1); `None` when they do not.
pub(super) fn align(from: &Shrunk, to: &Shrunk, settings: &StackSettings) -> Option<(Move, f64)> {
    let coarsest = from.levels.len().min(to.levels.len()).checked_sub(1)?;
    let (a, b) = (&from.levels[coarsest], &to.levels[coarsest]);
    let mut guess = search(a, b, (settings.max_shift_share * a.width as f64).ceil() as i64);
    let mut agreement = 0.0;
    for level in (0..=coarsest).rev() {
        if level < coarsest {
            guess.dx *= 2.0;
            guess.dy *= 2.0;
        }
        (guess, agreement) = refine(&from.levels[level], &to.levels[level], guess);
    }
    let found = Move { dx: guess.dx * from.factor, dy: guess.dy * from.factor, grow: guess.grow };
    let widest = settings.max_shift_share * from.levels[0].width as f64 * from.factor;
    let within = found.grow.abs() <= settings.max_magnification_step && found.dx.hypot(found.dy) <= widest;
    (within && settings.min_correlation <= agreement).then_some((found, agreement))
}

/// Best whole-pixel shift by correlation.
fn search(a: &Plane, b: &Plane, reach: i64) -> Move {
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
    best.1
}

/// Gauss-Newton steps from a guess; returns the move and the correlation there.
fn refine(a: &Plane, b: &Plane, guess: Move) -> (Move, f64) {
    const STEPS: usize = 12;
    const SMALL_PX: f64 = 1e-3;
    let mut current = guess;
    let mut agreement = 0.0;
    for _ in 0..STEPS {
        let Some((step, r)) = newton_step(a, b, current) else { break };
        agreement = r;
        current.dx += step.dx;
        current.dy += step.dy;
        current.grow += step.grow;
        if step.reach(a.width, a.height) < SMALL_PX {
            break;
        }
    }
    (current, agreement)
}

/// One step for shift and growth, the gain being that of least squares; also the correlation before the step.
fn newton_step(a: &Plane, b: &Plane, current: Move) -> Option<(Move, f64)> {
    const BORDER: usize = 3;
    let (cx, cy) = ((a.width as f64 - 1.0) / 2.0, (a.height as f64 - 1.0) / 2.0);
    let place = |x: usize, y: usize| {
        let (px, py) = (x as f64 - cx, y as f64 - cy);
        (cx + px * (1.0 + current.grow) + current.dx, cy + py * (1.0 + current.grow) + current.dy)
    };
    let inside = |x: f64, y: f64| 1.0 <= x && x < a.width as f64 - 2.0 && 1.0 <= y && y < a.height as f64 - 2.0;
    let (mut aa, mut ab, mut bb) = (0.0, 0.0, 0.0);
    let mut normal = [[0.0; 3]; 3];
    let mut right_a = [0.0; 3];
    let mut right_b = [0.0; 3];
    for y in BORDER..a.height.saturating_sub(BORDER) {
        for x in BORDER..a.width.saturating_sub(BORDER) {
            let (bx, by) = place(x, y);
            if !inside(bx, by) {
                continue;
            }
            let va = f64::from(a.row(y)[x]);
            let (vb, gx, gy) = value_and_slope(b, bx, by);
            aa += va * va;
            ab += va * vb;
            bb += vb * vb;
            let slopes = [gx, gy, gx * (x as f64 - cx) + gy * (y as f64 - cy)];
            for i in 0..3 {
                right_a[i] += slopes[i] * va;
                right_b[i] += slopes[i] * vb;
                for j in 0..3 {
                    normal[i][j] += slopes[i] * slopes[j];
                }
            }
        }
    }
    if aa <= 0.0 || bb <= 0.0 || ab <= 0.0 {
        return None;
    }
    // Frames differ in contrast with focus: b is compared with a over the gain.
    let inverse_gain = bb / ab;
    let right = [0, 1, 2].map(|i| right_a[i] * inverse_gain - right_b[i]);
    let step = solve3(normal, right)?;
    Some((Move { dx: step[0], dy: step[1], grow: step[2] }, ab / (aa * bb).sqrt()))
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
            Move { dx: 6.3, dy: 3.1, grow: 0.002 },
            Move { dx: -9.0, dy: 5.5, grow: -0.006 },
        ] {
            let (found, agreement) =
                align(&still, &Shrunk::new(&scene(320, 241, by), &settings), &settings).expect("alike");
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
        assert_eq!(align(&a, &Shrunk::new(&flat, &settings), &settings), None);
    }
}
