//! Gaussian smoothing.
//!
//! `imageproc::filter::gaussian_blur_f32` ends its kernel at two standard deviations, which leaves 5 % of the weight out, and
//! continues edges by their last pixel, which counts border pixels several times over; it also takes a third longer
//! (`cargo bench --bench raster`).

use super::{Plane, mirror};
use rayon::prelude::*;

/// Reach of the kernel in standard deviations.
const REACH: f64 = 3.0;

impl Plane {
    /// Gaussian smoothing, edges continued by mirroring; `sd` in px.
    pub fn smoothed(&self, sd: f64) -> Self {
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
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_point_spreads_as_scipy_spreads_it() {
        // scipy.ndimage.gaussian_filter of a point of 1 amid 31 x 31, sigma 2, mode "mirror", truncate 3, float64:
        // 0.0398704 at the point, 0.0351855 one column beside it, 0.0241826 two rows off.
        let mut plane = Plane::zeros(31, 31);
        plane.values[15 * 31 + 15] = 1.0;
        let blurred = plane.smoothed(2.0);
        for (x, y, expected) in [(15, 15, 0.039_870_356), (16, 15, 0.035_185_466), (15, 17, 0.024_182_593)] {
            let found = blurred.row(y)[x];
            assert!((found - expected).abs() < 1e-6, "{x} {y}: {found}");
        }
    }
}
