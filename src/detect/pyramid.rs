//! Smaller and smaller copies of a picture: the sizes at which the network looks for ends.

use crate::micrograph::{GreyPlane, Micrograph};
use crate::raster::Plane;
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
        let whole = grey_plane(&micrograph.grey);
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
            normalised(std::mem::replace(&mut self.plane, next), reduction)
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

fn grey_plane(grey: &GreyPlane) -> Plane {
    let values = grey.values().iter().map(|&v| f32::from(v)).collect();
    Plane { width: grey.width() as usize, height: grey.height() as usize, values }
}

/// A copy as the network takes it.
fn normalised(mut plane: Plane, reduction: f64) -> Level {
    let n = plane.values.len().max(1) as f64;
    let mean = plane.values.iter().map(|&v| f64::from(v)).sum::<f64>() / n;
    let variance = plane.values.iter().map(|&v| (f64::from(v) - mean).powi(2)).sum::<f64>() / n;
    // A quarter of an 8-bit grey step: a flat picture stays flat instead of becoming noise.
    let deviation = variance.sqrt().max(64.0);
    plane.values.iter_mut().for_each(|v| *v = ((f64::from(*v) - mean) / deviation) as f32);
    Level { width: plane.width, height: plane.height, values: plane.values, reduction }
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
