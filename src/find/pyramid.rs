//! Copies of a picture at half, quarter, … size: the sizes at which the network looks for ends.

use crate::micrograph::{GreyPlane, Micrograph};
use crate::settings::FindSettings;
use crate::units::Point;

/// One copy of the picture, normalised to zero mean and unit deviation.
pub(super) struct Level {
    /// Columns.
    pub width: usize,
    /// Rows.
    pub height: usize,
    /// Normalised grey, row-major.
    pub values: Vec<f32>,
    /// How many picture pixels one pixel of this copy spans.
    pub reduction: f64,
}

impl Level {
    /// A place in this copy as a place in the picture.
    pub fn to_picture(&self, x: f64, y: f64) -> Point {
        Point::new((x + 0.5) * self.reduction - 0.5, (y + 0.5) * self.reduction - 0.5)
    }
}

/// The copies to search, finest first: those in which fibres of a plausible diameter have the network's working width.
pub(super) fn levels(micrograph: &Micrograph, settings: &FindSettings) -> Vec<Level> {
    let mut copies = Vec::new();
    let mut plane: Option<Plane> = None;
    let mut reduction = 1.0;
    loop {
        let current = plane.take().unwrap_or_else(|| Plane::from_grey(&micrograph.grey));
        if current.width.min(current.height) < settings.least_side_px as usize {
            break;
        }
        if wanted(micrograph, reduction, settings) {
            copies.push(current.normalised(reduction));
        }
        plane = Some(current.halved());
        reduction *= 2.0;
    }
    copies
}

/// Whether fibres of a plausible diameter have the network's working width in a copy of this reduction and in no cheaper
/// one: widths that the next coarser copy also covers need no finer search.
fn wanted(micrograph: &Micrograph, reduction: f64, settings: &FindSettings) -> bool {
    let Some(scale) = micrograph.scale else { return true };
    let [thin, thick] = settings.fibre_um.map(|um| um / scale.um_per_px() / reduction);
    let [low, _] = settings.working_width_px;
    thin < 2.0 * low && low <= thick
}

/// Grey values before normalisation, 0..65535.
struct Plane {
    width: usize,
    height: usize,
    values: Vec<f32>,
}

impl Plane {
    fn from_grey(grey: &GreyPlane) -> Self {
        let values = grey.values().iter().map(|&v| f32::from(v)).collect();
        Self { width: grey.width() as usize, height: grey.height() as usize, values }
    }

    /// Half the size, each pixel the mean of four; an odd last row or column is dropped.
    fn halved(&self) -> Self {
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

    fn normalised(&self, reduction: f64) -> Level {
        let n = self.values.len().max(1) as f64;
        let mean = self.values.iter().map(|&v| f64::from(v)).sum::<f64>() / n;
        let variance = self.values.iter().map(|&v| (f64::from(v) - mean).powi(2)).sum::<f64>() / n;
        // A quarter of an 8-bit grey step: a flat picture stays flat instead of becoming noise.
        let deviation = variance.sqrt().max(64.0);
        let values = self.values.iter().map(|&v| ((f64::from(v) - mean) / deviation) as f32).collect();
        Level { width: self.width, height: self.height, values, reduction }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn plain(width: u32, height: u32, f: impl Fn(u32, u32) -> u16) -> Micrograph {
        let values = (0..height).flat_map(|y| (0..width).map(move |x| (x, y))).map(|(x, y)| f(x, y)).collect();
        let grey = GreyPlane::new(width, height, values).expect("sizes agree");
        Micrograph { grey, rgb: None, scale: None, burnt_in: Vec::new(), warnings: Vec::new() }
    }

    #[test]
    fn halving_means_four_pixels_and_drops_the_odd_row() {
        let plane = Plane { width: 3, height: 3, values: vec![1.0, 3.0, 9.0, 5.0, 7.0, 9.0, 9.0, 9.0, 9.0] };
        let half = plane.halved();
        assert_eq!((half.width, half.height, half.values), (1, 1, vec![4.0]));
    }

    #[test]
    fn centres_stay_where_they_are() {
        // The centre of the 2x2 block at the top left is (0.5, 0.5).
        let level = Level { width: 1, height: 1, values: vec![0.0], reduction: 2.0 };
        assert_eq!(level.to_picture(0.0, 0.0), Point::new(0.5, 0.5));
    }

    #[test]
    fn copies_are_normalised_and_a_flat_picture_stays_flat() {
        let settings = FindSettings::default();
        let ramp = levels(&plain(80, 64, |x, y| (x * 300 + y * 100) as u16), &settings);
        let n = ramp[0].values.len() as f32;
        let mean = ramp[0].values.iter().sum::<f32>() / n;
        let deviation = (ramp[0].values.iter().map(|v| (v - mean).powi(2)).sum::<f32>() / n).sqrt();
        assert!(mean.abs() < 1e-3 && (deviation - 1.0).abs() < 1e-3);
        assert!(levels(&plain(80, 64, |_, _| 900), &settings)[0].values.iter().all(|&v| v == 0.0));
    }
}
