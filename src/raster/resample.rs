//! Smaller copies of a plane, each pixel the mean of what it covers.
//!
//! `image::imageops::resize` and `fast_image_resize` weigh pixels by their centres, so a pixel that is covered by half counts
//! whole or not at all; a ratio such as 1.3 then moves edges by up to half a pixel.

use super::Plane;

impl Plane {
    /// Half the size, each pixel the mean of four; an odd last row or column is dropped.
    pub fn halved(&self) -> Self {
        let (width, height) = (self.width / 2, self.height / 2);
        let mut values = Vec::with_capacity(width * height);
        for y in 0..height {
            let top = &self.values[2 * y * self.width..][..2 * width];
            let low = &self.values[(2 * y + 1) * self.width..][..2 * width];
            values
                .extend(top.chunks_exact(2).zip(low.chunks_exact(2)).map(|(a, b)| (a[0] + a[1] + b[0] + b[1]) * 0.25));
        }
        Self { width, height, values }
    }

    /// The plane made smaller by a factor of at least 1: halved as often as that goes, then each pixel the mean of the area
    /// that it covers; a rest at the right and lower edge is dropped.
    pub fn reduced(&self, factor: f64) -> Self {
        if 2.0 <= factor {
            return self.halved().reduced(factor / 2.0);
        }
        let rest = factor.max(1.0);
        let (columns, rows) = (shares(self.width, rest), shares(self.height, rest));
        let mut values = Vec::with_capacity(columns.len() * rows.len());
        let mut line = vec![0.0f32; self.width];
        for row in &rows {
            line.fill(0.0);
            for (y, weight) in row.pixels() {
                let source = &self.values[y * self.width..][..self.width];
                line.iter_mut().zip(source).for_each(|(sum, value)| *sum += weight * value);
            }
            values.extend(columns.iter().map(|column| column.mean(&line)));
        }
        Self { width: columns.len(), height: rows.len(), values }
    }
}

/// Which pixels of a line one pixel of a smaller line covers: the first of them, and the share of each in its mean.
struct Share {
    first: usize,
    weights: [f32; 3],
}

impl Share {
    /// Mean of a line over these pixels; those of no weight need not be there.
    fn mean(&self, line: &[f32]) -> f32 {
        match line.get(self.first..self.first + self.weights.len()) {
            Some(three) => three.iter().zip(self.weights).map(|(value, weight)| value * weight).sum(),
            None => self.pixels().map(|(x, weight)| weight * line[x]).sum(),
        }
    }

    fn pixels(&self) -> impl Iterator<Item = (usize, f32)> {
        self.weights.into_iter().enumerate().filter(|(_, w)| 0.0 < *w).map(|(k, w)| (self.first + k, w))
    }
}

/// A line of `length` pixels made shorter by a factor from 1 to 2; a rest at its end is dropped.
fn shares(length: usize, factor: f64) -> Vec<Share> {
    let share = |i: usize| {
        let (from, to) = (i as f64 * factor, (i + 1) as f64 * factor);
        let first = from as usize;
        let weights = [0, 1, 2].map(|k| {
            let pixel = (first + k) as f64;
            let covered = to.min(pixel + 1.0) - from.max(pixel);
            if first + k < length { (covered.max(0.0) / factor) as f32 } else { 0.0 }
        });
        Share { first, weights }
    };
    (0..(length as f64 / factor + 1e-9) as usize).map(share).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn halving_means_four_pixels_and_drops_the_odd_row() {
        let plane = Plane { width: 3, height: 3, values: vec![1.0, 3.0, 9.0, 5.0, 7.0, 9.0, 9.0, 9.0, 9.0] };
        assert_eq!(plane.halved(), Plane { width: 1, height: 1, values: vec![4.0] });
    }

    #[test]
    fn reducing_means_the_area_that_is_covered() {
        // cv2.resize(INTER_AREA) of OpenCV 5.0.0 on [1, 3, 9, 5, 7, 9] to 4 columns (factor 1.5).
        let values = [1.0, 3.0, 9.0, 5.0, 7.0, 9.0];
        let plane = Plane { width: 6, height: 2, values: values.into_iter().chain(values).collect() };
        let reduced = plane.reduced(1.5);
        for (found, expected) in reduced.values.iter().zip([5.0 / 3.0, 7.0, 17.0 / 3.0, 25.0 / 3.0]) {
            assert!((found - expected).abs() < 1e-5, "{found} {expected}");
        }
    }
}
