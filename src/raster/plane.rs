//! The plane itself, and values between its pixels.

use super::bilinear;

/// Values of one kind, `width × height`, row-major; their unit is said where a plane is made.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Plane {
    /// Columns.
    pub width: usize,
    /// Rows.
    pub height: usize,
    /// Row-major values, `width * height` of them.
    pub values: Vec<f32>,
}

impl Plane {
    /// A plane of zeros.
    pub fn zeros(width: usize, height: usize) -> Self {
        Self { width, height, values: vec![0.0; width * height] }
    }

    /// A plane of the same size with every value changed by `f`.
    pub fn map(&self, f: impl Fn(f32) -> f32) -> Self {
        Self { values: self.values.iter().map(|v| f(*v)).collect(), ..*self }
    }

    /// One row.
    pub fn row(&self, y: usize) -> &[f32] {
        &self.values[y * self.width..(y + 1) * self.width]
    }

    /// Value between pixels by bilinear interpolation; outside, the nearest edge counts.
    pub fn bilinear(&self, x: f64, y: f64) -> f32 {
        bilinear((self.width, self.height), (x, y), |i| [self.values[i]])[0]
    }

    /// Value between pixels by Catmull-Rom interpolation (Catmull and Rom 1974); outside, the nearest edge counts.
    pub fn cubic(&self, x: f64, y: f64) -> f32 {
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

/// Weights of the four neighbours of a place `t` behind the second, 0..1 (Catmull and Rom 1974).
pub fn catmull_rom(t: f32) -> [f32; 4] {
    let (t2, t3) = (t * t, t * t * t);
    [0.5 * (-t3 + 2.0 * t2 - t), 0.5 * (3.0 * t3 - 5.0 * t2 + 2.0), 0.5 * (-3.0 * t3 + 4.0 * t2 + t), 0.5 * (t3 - t2)]
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn cubic_interpolation_meets_the_pixels_and_straight_ramps() {
        let values = (0..400).map(|i| (i as f32 * 0.37).sin()).collect();
        let plane = Plane { width: 20, height: 20, values };
        assert_eq!(plane.cubic(7.0, 5.0), plane.values[5 * 20 + 7]);
        let ramp = Plane { width: 9, height: 9, values: (0..81).map(|i| (i % 9) as f32 / 10.0).collect() };
        assert!((ramp.cubic(3.3, 4.6) - 0.33).abs() < 1e-6);
        assert!((ramp.bilinear(3.3, 4.6) - 0.33).abs() < 1e-6);
    }
}
