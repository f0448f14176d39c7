//! Planes of fractions: halving, doubling, smoothing. Edges are continued by mirroring.

use rayon::prelude::*;

/// Values 0..1 (or their detail, about 0), `width × height`, row-major.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Plane {
    pub width: usize,
    pub height: usize,
    pub values: Vec<f32>,
}

/// Binomial kernel of Burt and Adelson (1983).
const BINOMIAL: [f32; 5] = [1.0 / 16.0, 4.0 / 16.0, 6.0 / 16.0, 4.0 / 16.0, 1.0 / 16.0];

/// Index of a place outside 0..n after mirroring about the first and last place.
fn mirror(i: isize, n: usize) -> usize {
    let last = n as isize - 1;
    if last == 0 {
        return 0;
    }
    let folded = i.rem_euclid(2 * last);
    (if last < folded { 2 * last - folded } else { folded }) as usize
}

impl Plane {
    pub(super) fn zeros(width: usize, height: usize) -> Self {
        Self { width, height, values: vec![0.0; width * height] }
    }

    pub(super) fn row(&self, y: usize) -> &[f32] {
        &self.values[y * self.width..(y + 1) * self.width]
    }

    /// Half as many columns and rows (rounded up), smoothed before.
    pub(super) fn halved(&self) -> Self {
        let width = self.width.div_ceil(2);
        let mut across = Self::zeros(width, self.height);
        across.values.par_chunks_mut(width).enumerate().for_each(|(y, out)| {
            let row = self.row(y);
            for (x, value) in out.iter_mut().enumerate() {
                let c = 2 * x;
                *value = if 2 <= c && c + 2 < row.len() {
                    (row[c - 2] + row[c + 2] + 4.0 * (row[c - 1] + row[c + 1]) + 6.0 * row[c]) / 16.0
                } else {
                    BINOMIAL.iter().enumerate().map(|(k, w)| w * row[mirror((c + k) as isize - 2, row.len())]).sum()
                };
            }
        });
        let height = self.height.div_ceil(2);
        let mut out = Self::zeros(width, height);
        out.values.par_chunks_mut(width).enumerate().for_each(|(y, out)| {
            for (k, weight) in BINOMIAL.iter().enumerate() {
                let source = across.row(mirror((2 * y + k) as isize - 2, self.height));
                out.iter_mut().zip(source).for_each(|(o, s)| *o += weight * s);
            }
        });
        out
    }

    /// The plane at the given size, which must be one that halves to this one.
    pub(super) fn doubled(&self, width: usize, height: usize) -> Self {
        let mut across = Self::zeros(width, self.height);
        across.values.par_chunks_mut(width).enumerate().for_each(|(y, out)| {
            let row = self.row(y);
            out.iter_mut().enumerate().for_each(|(x, value)| *value = between(|i| row[i], x, row.len()));
        });
        let mut out = Self::zeros(width, height);
        out.values.par_chunks_mut(width).enumerate().for_each(|(y, out)| {
            let at = |i: isize| across.row(mirror(i, self.height));
            let i = (y / 2) as isize;
            if y % 2 == 0 {
                let (a, b, c) = (at(i - 1), at(i), at(i + 1));
                (0..width).for_each(|x| out[x] = (a[x] + 6.0 * b[x] + c[x]) / 8.0);
            } else {
                // The place behind the last row mirrors to the row before it in the doubled frame.
                let (b, c) = (at(i), if (i as usize) + 1 < self.height { at(i + 1) } else { at(i) });
                (0..width).for_each(|x| out[x] = (b[x] + c[x]) / 2.0);
            }
        });
        out
    }

    /// Gaussian smoothing; `sd` in px.
    pub(super) fn smoothed(&self, sd: f64) -> Self {
        /// Reach of the kernel in standard deviations.
        const REACH: f64 = 3.0;
        let reach = (REACH * sd).ceil() as isize;
        let mut kernel: Vec<f32> = (-reach..=reach).map(|i| (-(i * i) as f64 / (2.0 * sd * sd)).exp() as f32).collect();
        let total: f32 = kernel.iter().sum();
        kernel.iter_mut().for_each(|k| *k /= total);
        let (width, height) = (self.width, self.height);
        let mut down = Self::zeros(width, height);
        down.values.par_chunks_mut(width).enumerate().for_each(|(y, out)| {
            for (k, weight) in kernel.iter().enumerate() {
                let source = self.row(mirror(y as isize + k as isize - reach, height));
                out.iter_mut().zip(source).for_each(|(o, s)| *o += weight * s);
            }
        });
        let mut out = Self::zeros(width, height);
        let pad = reach as usize;
        out.values.par_chunks_mut(width).enumerate().for_each(|(y, out)| {
            let row = down.row(y);
            let padded: Vec<f32> = (0..width + 2 * pad).map(|i| row[mirror(i as isize - reach, width)]).collect();
            for (k, weight) in kernel.iter().enumerate() {
                out.iter_mut().zip(&padded[k..k + width]).for_each(|(o, s)| *o += weight * s);
            }
        });
        out
    }

    /// Value between pixels by Catmull-Rom interpolation; outside, the nearest edge counts.
    pub(super) fn cubic(&self, x: f64, y: f64) -> f32 {
        let (x0, y0) = (x.floor(), y.floor());
        let (wx, wy) = (catmull_rom((x - x0) as f32), catmull_rom((y - y0) as f32));
        let mut sum = 0.0;
        for (j, b) in wy.iter().enumerate() {
            let row = self.row((y0 as isize + j as isize - 1).clamp(0, self.height as isize - 1) as usize);
            for (i, a) in wx.iter().enumerate() {
                sum += a * b * row[(x0 as isize + i as isize - 1).clamp(0, self.width as isize - 1) as usize];
            }
        }
        sum
    }
}

/// A value of the doubled row.
fn between(at: impl Fn(usize) -> f32, x: usize, n: usize) -> f32 {
    let i = x / 2;
    if x.is_multiple_of(2) {
        let before = mirror(i as isize - 1, n);
        let after = mirror(i as isize + 1, n);
        (at(before) + 6.0 * at(i) + at(after)) / 8.0
    } else {
        let after = if i + 1 < n { i + 1 } else { i };
        (at(i) + at(after)) / 2.0
    }
}

/// Weights of the four neighbours (Catmull and Rom 1974).
fn catmull_rom(t: f32) -> [f32; 4] {
    let (t2, t3) = (t * t, t * t * t);
    [0.5 * (-t3 + 2.0 * t2 - t), 0.5 * (3.0 * t3 - 5.0 * t2 + 2.0), 0.5 * (-3.0 * t3 + 4.0 * t2 + t), 0.5 * (t3 - t2)]
}

/// Laplacian pyramid: what each halving loses, finest first, and the rest (Burt and Adelson 1983).
pub(super) fn pyramid(plane: Plane, levels: usize) -> Vec<Plane> {
    let mut out = Vec::with_capacity(levels + 1);
    let mut fine = plane;
    for _ in 0..levels {
        let coarse = fine.halved();
        let back = coarse.doubled(fine.width, fine.height);
        fine.values.par_iter_mut().zip(&back.values).for_each(|(f, b)| *f -= b);
        out.push(fine);
        fine = coarse;
    }
    out.push(fine);
    out
}

/// The plane of which a pyramid was made.
pub(super) fn collapse(mut levels: Vec<Plane>) -> Plane {
    let mut out = levels.pop().unwrap_or(Plane::zeros(0, 0));
    while let Some(fine) = levels.pop() {
        let mut sum = out.doubled(fine.width, fine.height);
        sum.values.par_iter_mut().zip(&fine.values).for_each(|(s, f)| *s += f);
        out = sum;
    }
    out
}

/// How often a picture can be halved before a side is under 8 px.
pub(super) fn most_levels(width: usize, height: usize) -> usize {
    const LEAST: usize = 8;
    let mut side = width.min(height);
    let mut n = 0;
    while LEAST <= side.div_ceil(2) {
        side = side.div_ceil(2);
        n += 1;
    }
    n
}

#[cfg(test)]
mod tests {
    use super::*;

    fn waves(width: usize, height: usize) -> Plane {
        let values = (0..width * height)
            .map(|i| {
                let (x, y) = ((i % width) as f32, (i / width) as f32);
                0.5 + 0.2 * (x * 0.37 + y * 0.11).sin() + 0.2 * (x * 0.05 - y * 0.23).cos()
            })
            .collect();
        Plane { width, height, values }
    }

    #[test]
    fn a_pyramid_collapses_to_its_picture() {
        for (width, height) in [(64, 48), (61, 47), (33, 90)] {
            let plane = waves(width, height);
            let back = collapse(pyramid(plane.clone(), most_levels(width, height)));
            let worst = plane.values.iter().zip(&back.values).map(|(a, b)| (a - b).abs()).fold(0.0, f32::max);
            assert!(worst < 1e-5, "{width} x {height}: {worst}");
        }
    }

    #[test]
    fn even_grey_stays_even() {
        let even = Plane { width: 37, height: 22, values: vec![0.4; 37 * 22] };
        for plane in [even.halved(), even.halved().doubled(37, 22), even.smoothed(2.5)] {
            assert!(plane.values.iter().all(|v| (v - 0.4).abs() < 1e-5));
        }
    }

    #[test]
    fn cubic_interpolation_meets_the_pixels_and_straight_ramps() {
        let plane = waves(20, 20);
        assert_eq!(plane.cubic(7.0, 5.0), plane.values[5 * 20 + 7]);
        let ramp = Plane { width: 9, height: 9, values: (0..81).map(|i| (i % 9) as f32 / 10.0).collect() };
        assert!((ramp.cubic(3.3, 4.6) - 0.33).abs() < 1e-6);
    }
}
