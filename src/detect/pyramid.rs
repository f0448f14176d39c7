//! Smaller and smaller copies of a picture: the sizes at which the network looks for ends.

use crate::micrograph::{GreyPlane, Micrograph};
use crate::settings::DetectSettings;
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

/// The copies to search, finest first, each made when it is asked for: those in which fibres of a plausible diameter have
/// the network's working width.
///
/// With a known scale the finest copy is the smallest in which the thinnest fibre still has that width, and the next one
/// begins where it ends. Without one the finest copy is the picture itself, and each further one is half the size of the one
/// before.
pub(super) struct Levels {
    plane: Plane,
    reduction: f64,
    coarsest: f64,
    step: f64,
    least_side: usize,
}

impl Levels {
    /// Prepares the finest copy.
    pub fn of(micrograph: &Micrograph, settings: &DetectSettings) -> Self {
        let (reduction, coarsest, step) = reductions(micrograph, settings);
        let whole = Plane::from_grey(&micrograph.grey);
        let plane = if reduction <= 1.0 { whole } else { whole.reduced(reduction) };
        Self { plane, reduction, coarsest, step, least_side: settings.least_side_px as usize }
    }
}

impl Iterator for Levels {
    type Item = Level;

    fn next(&mut self) -> Option<Level> {
        let wanted = self.reduction <= self.coarsest && self.least_side <= self.plane.width.min(self.plane.height);
        wanted.then(|| {
            let next = self.plane.reduced(self.step);
            let reduction = self.reduction;
            self.reduction *= self.step;
            std::mem::replace(&mut self.plane, next).normalised(reduction)
        })
    }
}

/// How many picture pixels one pixel of the finest copy spans, the most that one of any copy may, and how much coarser
/// each copy is than the one before.
fn reductions(micrograph: &Micrograph, settings: &DetectSettings) -> (f64, f64, f64) {
    let Some(scale) = micrograph.scale else { return (1.0, f64::INFINITY, 2.0) };
    let [low, high] = settings.working_width_px;
    let [thin, thick] = settings.fibre_um.map(|um| um / scale.um_per_px());
    ((thin / low).max(1.0), thick / low, (high / low).max(2.0))
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

    /// The picture at any smaller size: halved as often as that goes, then each pixel the mean of the area that it covers.
    fn reduced(&self, reduction: f64) -> Self {
        if 2.0 <= reduction {
            return self.halved().reduced(reduction / 2.0);
        }
        let (plane, rest) = (self, reduction.max(1.0));
        let columns = shares(plane.width, rest);
        let rows = shares(plane.height, rest);
        let mut values = vec![0.0f32; columns.len() * rows.len()];
        for (out, row) in values.chunks_exact_mut(columns.len().max(1)).zip(&rows) {
            for (y, weight) in row.pixels() {
                let source = &plane.values[y * plane.width..][..plane.width];
                for (value, column) in out.iter_mut().zip(&columns) {
                    *value += weight * column.pixels().map(|(x, w)| w * source[x]).sum::<f32>();
                }
            }
        }
        Self { width: columns.len(), height: rows.len(), values }
    }

    fn normalised(mut self, reduction: f64) -> Level {
        let n = self.values.len().max(1) as f64;
        let mean = self.values.iter().map(|&v| f64::from(v)).sum::<f64>() / n;
        let variance = self.values.iter().map(|&v| (f64::from(v) - mean).powi(2)).sum::<f64>() / n;
        // A quarter of an 8-bit grey step: a flat picture stays flat instead of becoming noise.
        let deviation = variance.sqrt().max(64.0);
        self.values.iter_mut().for_each(|v| *v = ((f64::from(*v) - mean) / deviation) as f32);
        Level { width: self.width, height: self.height, values: self.values, reduction }
    }
}

/// Which pixels of a line one pixel of a smaller line covers: the first of them, and the share of each in its mean.
struct Share {
    first: usize,
    weights: [f32; 3],
}

impl Share {
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
    use crate::units::{Scale, ScaleSource};

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
    fn reducing_means_the_area_that_is_covered() {
        // cv2.resize(INTER_AREA) of OpenCV 5.0.0 on [1, 3, 9, 5, 7, 9] to 4 columns (factor 1.5).
        let plane = Plane { width: 6, height: 1, values: vec![1.0, 3.0, 9.0, 5.0, 7.0, 9.0] };
        let expected = [5.0 / 3.0, 7.0, 17.0 / 3.0, 25.0 / 3.0];
        let shares = shares(6, 1.5);
        assert_eq!(shares.len(), 4);
        for (share, expected) in shares.iter().zip(expected) {
            let mean = share.pixels().map(|(x, w)| w * plane.values[x]).sum::<f32>();
            assert!((mean - expected).abs() < 1e-5, "{mean} {expected}");
        }
    }

    #[test]
    fn the_finest_copy_shows_the_thinnest_fibre_at_working_width() {
        let settings = DetectSettings::default();
        let mut picture = plain(600, 600, |x, y| ((x * 31 + y * 17) % 997) as u16);
        picture.scale = Scale::new(0.5, ScaleSource::Series);
        let reductions: Vec<f64> = Levels::of(&picture, &settings).map(|l| l.reduction).collect();
        let [low, high] = settings.working_width_px;
        let [thin, thick] = settings.fibre_um.map(|um| um / 0.5);
        assert!((thin / reductions[0] - low).abs() < 1e-9, "{reductions:?}");
        assert!(reductions.last().is_some_and(|r| thick / r <= high), "{reductions:?}");
        // No width falls between two copies.
        assert!(reductions.windows(2).all(|r| r[1] / r[0] <= high / low + 1e-9), "{reductions:?}");
    }

    #[test]
    fn centres_stay_where_they_are() {
        // The centre of the 2x2 block at the top left is (0.5, 0.5).
        let level = Level { width: 1, height: 1, values: vec![0.0], reduction: 2.0 };
        assert_eq!(level.to_picture(0.0, 0.0), Point::new(0.5, 0.5));
    }

    #[test]
    fn copies_are_normalised_and_a_flat_picture_stays_flat() {
        let settings = DetectSettings::default();
        let copies = |picture: &Micrograph| Levels::of(picture, &settings).next().expect("one copy").values;
        let ramp = copies(&plain(80, 64, |x, y| (x * 300 + y * 100) as u16));
        let n = ramp.len() as f32;
        let mean = ramp.iter().sum::<f32>() / n;
        let deviation = (ramp.iter().map(|v| (v - mean).powi(2)).sum::<f32>() / n).sqrt();
        assert!(mean.abs() < 1e-3 && (deviation - 1.0).abs() < 1e-3);
        assert!(copies(&plain(80, 64, |_, _| 900)).iter().all(|&v| v == 0.0));
    }
}
