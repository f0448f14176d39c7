//! The picture at halving sizes, read at any place: so that a shaft of 200 px costs no more than one of 20.
//!
//! Micrograph -> colour or grey at a point of a level. Level 0 is the picture itself; each further level averages 2 × 2.

use crate::micrograph::Micrograph;
use crate::units::Point;

/// Brightness, or red, green and blue, 0..1; grey pictures fill the first channel only.
pub(super) type Colour = [f32; 3];

/// Difference `a - b` of two colours.
pub(super) fn minus(a: Colour, b: Colour) -> Colour {
    [a[0] - b[0], a[1] - b[1], a[2] - b[2]]
}

/// Scalar product of two colours.
pub(super) fn dot(a: Colour, b: Colour) -> f32 {
    a[0] * b[0] + a[1] * b[1] + a[2] * b[2]
}

/// Length of a colour difference.
pub(super) fn length(a: Colour) -> f32 {
    dot(a, a).sqrt()
}

struct Level {
    width: usize,
    height: usize,
    values: Vec<[u16; 3]>,
}

/// One picture at halving sizes.
pub(super) struct Planes<'a> {
    micrograph: &'a Micrograph,
    levels: Vec<Level>,
}

impl<'a> Planes<'a> {
    /// Prepares as many levels as a sampling distance of `coarsest_px` needs.
    pub(super) fn new(micrograph: &'a Micrograph, coarsest_px: f64) -> Self {
        let mut planes = Self { micrograph, levels: Vec::new() };
        for level in 0..level_for(coarsest_px) {
            let (width, height) = planes.size(level);
            if width < 2 || height < 2 {
                break;
            }
            planes.levels.push(planes.halved(level));
        }
        planes
    }

    /// Channels that carry anything: 1 for grey pictures, 3 for colour.
    pub(super) fn channels(&self) -> usize {
        if self.micrograph.rgb.is_some() { 3 } else { 1 }
    }

    fn size(&self, level: usize) -> (usize, usize) {
        match level.checked_sub(1).and_then(|l| self.levels.get(l)) {
            Some(l) => (l.width, l.height),
            None => (self.micrograph.grey.width() as usize, self.micrograph.grey.height() as usize),
        }
    }

    /// 16-bit values of a pixel of a level; the caller keeps `x` and `y` inside.
    fn pixel(&self, level: usize, x: usize, y: usize) -> [u16; 3] {
        if level > 0 {
            let l = &self.levels[level - 1];
            return l.values[y * l.width + x];
        }
        match &self.micrograph.rgb {
            Some(rgb) => rgb.get_pixel(x as u32, y as u32).0.map(|v| u16::from(v) * 257),
            None => [self.micrograph.grey.values()[y * self.micrograph.grey.width() as usize + x], 0, 0],
        }
    }

    fn halved(&self, level: usize) -> Level {
        let (w, h) = self.size(level);
        let (width, height) = (w.div_ceil(2), h.div_ceil(2));
        let mut values = Vec::with_capacity(width * height);
        for y in 0..height {
            let (y0, y1) = (2 * y, (2 * y + 1).min(h - 1));
            for x in 0..width {
                let (x0, x1) = (2 * x, (2 * x + 1).min(w - 1));
                let four = [
                    self.pixel(level, x0, y0),
                    self.pixel(level, x1, y0),
                    self.pixel(level, x0, y1),
                    self.pixel(level, x1, y1),
                ];
                values.push([0, 1, 2].map(|c| ((four.iter().map(|p| u32::from(p[c])).sum::<u32>() + 2) / 4) as u16));
            }
        }
        Level { width, height, values }
    }

    /// Value at a point of the picture by bilinear interpolation, on the level that suits a sampling distance of
    /// `step_px`; places outside take the nearest edge pixel.
    pub(super) fn sample(&self, p: Point, step_px: f64) -> Colour {
        let level = level_for(step_px).min(self.levels.len());
        let (w, h) = self.size(level);
        let shrink = 0.5f64.powi(level as i32);
        let x = ((p.x + 0.5) * shrink - 0.5).clamp(0.0, (w - 1) as f64);
        let y = ((p.y + 0.5) * shrink - 0.5).clamp(0.0, (h - 1) as f64);
        let (x0, y0) = (x as usize, y as usize);
        let (x1, y1) = ((x0 + 1).min(w - 1), (y0 + 1).min(h - 1));
        let (fx, fy) = ((x - x0 as f64) as f32, (y - y0 as f64) as f32);
        let (a, b) = (self.pixel(level, x0, y0), self.pixel(level, x1, y0));
        let (c, d) = (self.pixel(level, x0, y1), self.pixel(level, x1, y1));
        let mut out = [0.0; 3];
        for k in 0..self.channels() {
            let top = f32::from(a[k]) * (1.0 - fx) + f32::from(b[k]) * fx;
            let bottom = f32::from(c[k]) * (1.0 - fx) + f32::from(d[k]) * fx;
            out[k] = (top * (1.0 - fy) + bottom * fy) / 65535.0;
        }
        out
    }

    /// Whether a point lies on the picture and under no burnt-in caption.
    pub(super) fn shows(&self, p: Point) -> bool {
        self.micrograph.grey.contains(p) && !self.burnt_in(p)
    }

    /// Distance of a point from the nearest side of the picture, px; negative outside.
    pub(super) fn border_distance(&self, p: Point) -> f64 {
        let (w, h) = self.size(0);
        (p.x + 0.5).min(p.y + 0.5).min(w as f64 - 0.5 - p.x).min(h as f64 - 0.5 - p.y)
    }

    /// Whether a point lies under a burnt-in caption.
    pub(super) fn burnt_in(&self, p: Point) -> bool {
        self.micrograph.burnt_in.iter().any(|b| b.contains(p))
    }
}

/// The level whose pixels are the largest that are not larger than the sampling distance.
fn level_for(step_px: f64) -> usize {
    if step_px >= 2.0 { step_px.log2().floor().min(16.0) as usize } else { 0 }
}
