//! Halving and doubling with the binomial kernel, and the Laplacian pyramid made of them (Burt and Adelson 1983).
//!
//! Edges are continued by mirroring. Neither `image` nor `imageproc` has a pyramid that collapses to its picture exactly.

use super::{Plane, mirror};
use rayon::prelude::*;

/// Binomial kernel of Burt and Adelson (1983).
const BINOMIAL: [f32; 5] = [1.0 / 16.0, 4.0 / 16.0, 6.0 / 16.0, 4.0 / 16.0, 1.0 / 16.0];

impl Plane {
    /// Half as many columns and rows (rounded up), smoothed before.
    pub fn reduce(&self) -> Self {
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

    /// The plane at the given size, which must be one that [`Self::reduce`] takes to this one.
    pub fn expand(&self, width: usize, height: usize) -> Self {
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

/// Laplacian pyramid: what each halving loses, finest first, and the rest (Burt and Adelson 1983).
pub fn laplacian(plane: Plane, levels: usize) -> Vec<Plane> {
    let mut out = Vec::with_capacity(levels + 1);
    let mut fine = plane;
    for _ in 0..levels {
        let coarse = fine.reduce();
        let back = coarse.expand(fine.width, fine.height);
        fine.values.par_iter_mut().zip(&back.values).for_each(|(f, b)| *f -= b);
        out.push(fine);
        fine = coarse;
    }
    out.push(fine);
    out
}

/// The plane of which a pyramid was made.
pub fn collapse(mut levels: Vec<Plane>) -> Plane {
    let mut out = levels.pop().unwrap_or(Plane::zeros(0, 0));
    while let Some(fine) = levels.pop() {
        let mut sum = out.expand(fine.width, fine.height);
        sum.values.par_iter_mut().zip(&fine.values).for_each(|(s, f)| *s += f);
        out = sum;
    }
    out
}

/// How often a picture can be reduce before a side is under 8 px.
pub fn most_levels(width: usize, height: usize) -> usize {
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
            let back = collapse(laplacian(plane.clone(), most_levels(width, height)));
            let worst = plane.values.iter().zip(&back.values).map(|(a, b)| (a - b).abs()).fold(0.0, f32::max);
            assert!(worst < 1e-5, "{width} x {height}: {worst}");
        }
    }

    #[test]
    fn even_grey_stays_even() {
        let even = Plane { width: 37, height: 22, values: vec![0.4; 37 * 22] };
        for plane in [even.reduce(), even.reduce().expand(37, 22), even.smoothed(2.5)] {
            assert!(plane.values.iter().all(|v| (v - 0.4).abs() < 1e-5));
        }
    }
}
