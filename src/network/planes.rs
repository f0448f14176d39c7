//! The picture at halving sizes, read at any place: so that a shaft of 200 px costs no more than one of 20.
//!
//! Micrograph -> colour or grey at a point of a level. Level 0 is the picture itself; each further level averages 2 × 2.

use crate::micrograph::Micrograph;
use crate::raster::bilinear;
use crate::units::Point;

/// Brightness, or red, green and blue, 0..1; grey pictures fill the first channel only.
pub(crate) type Colour = [f32; 3];

/// Difference `a - b` of two colours.
pub(crate) fn minus(a: Colour, b: Colour) -> Colour {
    [a[0] - b[0], a[1] - b[1], a[2] - b[2]]
}

/// Scalar product of two colours.
pub(crate) fn dot(a: Colour, b: Colour) -> f32 {
    a[0] * b[0] + a[1] * b[1] + a[2] * b[2]
}

/// Length of a colour difference.
pub(crate) fn length(a: Colour) -> f32 {
    dot(a, a).sqrt()
}

struct Level {
    width: usize,
    height: usize,
    /// Channels of each pixel side by side, row-major.
    values: Vec<u16>,
}

/// One picture at halving sizes.
pub(crate) struct Planes<'a> {
    micrograph: &'a Micrograph,
    levels: Vec<Level>,
}

impl<'a> Planes<'a> {
    /// Only the picture itself so far.
    pub(crate) fn new(micrograph: &'a Micrograph) -> Self {
        Self { micrograph, levels: Vec::new() }
    }

    /// Makes as many levels as a sampling distance of `coarsest_px` needs, unless they are there.
    pub(crate) fn deepen(&mut self, coarsest_px: f64) {
        for level in self.levels.len()..level_for(coarsest_px) {
            let (width, height) = self.size(level);
            if width < 2 || height < 2 {
                break;
            }
            let next = self.halved(level);
            self.levels.push(next);
        }
    }

    /// Channels that carry anything: 1 for grey pictures, 3 for colour.
    pub(crate) fn channels(&self) -> usize {
        if self.micrograph.rgb.is_some() { 3 } else { 1 }
    }

    fn size(&self, level: usize) -> (usize, usize) {
        match level.checked_sub(1).and_then(|l| self.levels.get(l)) {
            Some(l) => (l.width, l.height),
            None => (self.micrograph.grey.width() as usize, self.micrograph.grey.height() as usize),
        }
    }

    fn halved(&self, level: usize) -> Level {
        let size = self.size(level);
        match (level.checked_sub(1), &self.micrograph.rgb) {
            (Some(below), _) => half(&self.levels[below].values, size, self.channels(), u32::from),
            (None, Some(rgb)) => half(rgb.as_raw(), size, 3, |v| u32::from(v) * 257),
            (None, None) => half(self.micrograph.grey.values(), size, 1, u32::from),
        }
    }

    /// Reads the level that suits a sampling distance of `step_px`.
    pub(crate) fn sampler(&self, step_px: f64) -> Sampler<'_> {
        let level = level_for(step_px).min(self.levels.len());
        let pixels = match (level.checked_sub(1), &self.micrograph.rgb) {
            (Some(below), Some(_)) => Pixels::Colour(&self.levels[below].values),
            (Some(below), None) => Pixels::Grey(&self.levels[below].values),
            (None, Some(rgb)) => Pixels::Bytes(rgb.as_raw()),
            (None, None) => Pixels::Grey(self.micrograph.grey.values()),
        };
        Sampler { pixels, size: self.size(level), shrink: 0.5f64.powi(level as i32) }
    }

    /// Whether a point lies on the picture and under no burnt-in caption.
    pub(crate) fn shows(&self, p: Point) -> bool {
        self.micrograph.grey.contains(p) && !self.burnt_in(p)
    }

    /// Distance of a point from the nearest side of the picture, px; negative outside.
    pub(crate) fn border_distance(&self, p: Point) -> f64 {
        let (w, h) = self.size(0);
        (p.x + 0.5).min(p.y + 0.5).min(w as f64 - 0.5 - p.x).min(h as f64 - 0.5 - p.y)
    }

    /// Whether a point lies under a burnt-in caption.
    pub(crate) fn burnt_in(&self, p: Point) -> bool {
        self.micrograph.burnt_in.iter().any(|b| b.contains(p))
    }
}

/// Pixels of a level, channels side by side.
enum Pixels<'a> {
    Colour(&'a [u16]),
    Grey(&'a [u16]),
    Bytes(&'a [u8]),
}

/// One level of a picture, to be read at any place.
pub(crate) struct Sampler<'a> {
    pixels: Pixels<'a>,
    size: (usize, usize),
    shrink: f64,
}

impl Sampler<'_> {
    /// Value at a point of the picture by bilinear interpolation; places outside take the nearest edge pixel.
    #[inline]
    pub(crate) fn at(&self, p: Point) -> Colour {
        let place = ((p.x + 0.5) * self.shrink - 0.5, (p.y + 0.5) * self.shrink - 0.5);
        let grey = |values: &[u16]| bilinear(self.size, place, |i| [f32::from(values[i])]);
        let scaled = |[a, b, c]: [f32; 3]| [a / 65535.0, b / 65535.0, c / 65535.0];
        match self.pixels {
            Pixels::Colour(values) => scaled(bilinear(self.size, place, |i| three(values, i, f32::from))),
            Pixels::Grey(values) => [grey(values)[0] / 65535.0, 0.0, 0.0],
            Pixels::Bytes(values) => scaled(bilinear(self.size, place, |i| three(values, i, |v| f32::from(v) * 257.0))),
        }
    }
}

/// The three channels of a pixel.
#[inline]
fn three<T: Copy>(values: &[T], pixel: usize, number: impl Fn(T) -> f32) -> [f32; 3] {
    let own = &values[3 * pixel..][..3];
    [number(own[0]), number(own[1]), number(own[2])]
}

/// Half the size, each pixel the mean of four; an odd last row or column is taken twice.
fn half<T: Copy>(values: &[T], (w, h): (usize, usize), channels: usize, grey: impl Fn(T) -> u32) -> Level {
    let (width, height) = (w.div_ceil(2), h.div_ceil(2));
    let mut halved = Vec::with_capacity(width * height * channels);
    for y in 0..height {
        let row = |y: usize| &values[y * w * channels..][..w * channels];
        let (top, low) = (row(2 * y), row((2 * y + 1).min(h - 1)));
        for x in 0..width {
            let (left, right) = (2 * x * channels, (2 * x + 1).min(w - 1) * channels);
            halved.extend((0..channels).map(|c| {
                let four = grey(top[left + c]) + grey(top[right + c]) + grey(low[left + c]) + grey(low[right + c]);
                ((four + 2) / 4) as u16
            }));
        }
    }
    Level { width, height, values: halved }
}

/// The level whose pixels are the largest that are not larger than the sampling distance.
fn level_for(step_px: f64) -> usize {
    if step_px >= 2.0 { step_px.log2().floor().min(16.0) as usize } else { 0 }
}
