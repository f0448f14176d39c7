//! Pictures as people look at them: decoded once, kept while there is room, cut and scaled on demand.
//!
//! Display only: nothing here is measured.

use std::collections::VecDeque;
use std::path::Path;
use std::sync::{Arc, Mutex};

use anyhow::Context;
use breakface::micrograph::{GreyPlane, Micrograph};
use breakface::settings::Settings;
use breakface::stack::read_to_show;
use breakface::units::Point;
use image::{GrayImage, ImageEncoder, RgbImage};
use rayon::prelude::*;

/// Side of a tile, px.
pub const TILE: u32 = 512;
/// Bytes of decoded pictures that are kept; the picture in use is kept in any case.
const ROOM: usize = 400 << 20;
/// Share of pixels that may end up black or white, each.
const CLIPPED: f64 = 0.001;
/// JPEG quality of crops and tiles.
const QUALITY: u8 = 90;
/// Most samples per output pixel along one direction.
const MAX_SAMPLES: u32 = 8;

/// A picture ready to be shown.
pub enum DisplayImage {
    /// Without colour.
    Grey(GrayImage),
    /// With colour.
    Colour(RgbImage),
}

/// A turned square cut out of a picture.
#[derive(Debug, Clone, Copy)]
pub struct CropRequest {
    /// What comes to lie at `at`.
    pub tip: Point,
    /// Direction that points up in the cut, degrees.
    pub axis_deg: f64,
    /// Picture pixels along one side.
    pub span_px: f64,
    /// Side of the cut, px.
    pub size: u32,
    /// Where the tip lies, as shares of the side from the left and from the top.
    pub at: (f64, f64),
}

impl DisplayImage {
    /// Prepares a picture: grey levels stretched so that dim 16-bit pictures can be seen.
    pub fn new(micrograph: Micrograph) -> Self {
        let (low, high) = levels(&micrograph.grey);
        let gain = 255.0 / (high - low).max(1.0);
        if let Some(mut rgb) = micrograph.rgb {
            let table: Vec<u8> =
                (0..256).map(|v| ((f64::from(v) * 257.0 - low) * gain).round().clamp(0.0, 255.0) as u8).collect();
            rgb.iter_mut().for_each(|v| *v = table[usize::from(*v)]);
            return Self::Colour(rgb);
        }
        let grey = &micrograph.grey;
        let values =
            grey.values().par_iter().map(|v| ((f64::from(*v) - low) * gain).round().clamp(0.0, 255.0) as u8).collect();
        Self::Grey(GrayImage::from_raw(grey.width(), grey.height(), values).unwrap_or_default())
    }

    /// Width and height, px.
    pub fn size(&self) -> (u32, u32) {
        match self {
            Self::Grey(p) => p.dimensions(),
            Self::Colour(p) => p.dimensions(),
        }
    }

    fn bytes(&self) -> usize {
        match self {
            Self::Grey(p) => p.as_raw().len(),
            Self::Colour(p) => p.as_raw().len(),
        }
    }

    fn channels(&self) -> (usize, &[u8]) {
        match self {
            Self::Grey(p) => (1, p.as_raw()),
            Self::Colour(p) => (3, p.as_raw()),
        }
    }

    /// One tile of the picture at a level: every pixel is the mean of `2^level × 2^level` pixels. JPEG bytes;
    /// `None` outside the picture.
    pub fn tile(&self, level: u32, column: u32, row: u32) -> Option<anyhow::Result<Vec<u8>>> {
        let step = 1u32.checked_shl(level)?;
        let (width, height) = self.size();
        let x0 = column.checked_mul(TILE)?.checked_mul(step).filter(|x| *x < width)?;
        let y0 = row.checked_mul(TILE)?.checked_mul(step).filter(|y| *y < height)?;
        let w = TILE.min((width - x0).div_ceil(step));
        let h = TILE.min((height - y0).div_ceil(step));
        let (n, values) = self.channels();
        let mut out = vec![0u8; w as usize * h as usize * n];
        out.par_chunks_mut(w as usize * n).enumerate().for_each(|(v, line)| {
            let top = y0 + v as u32 * step;
            let bottom = (top + step).min(height);
            for (u, pixel) in line.chunks_mut(n).enumerate() {
                let left = x0 + u as u32 * step;
                let right = (left + step).min(width);
                for (c, value) in pixel.iter_mut().enumerate() {
                    let sum: u64 = (top..bottom)
                        .flat_map(|y| (left..right).map(move |x| (y as usize * width as usize + x as usize) * n + c))
                        .map(|i| u64::from(values[i]))
                        .sum();
                    *value = (sum / (u64::from(bottom - top) * u64::from(right - left)).max(1)) as u8;
                }
            }
        });
        Some(jpeg(&out, w, h, n))
    }

    /// A turned square; places outside the picture are dark. JPEG bytes.
    pub fn cut(&self, cut: &CropRequest) -> anyhow::Result<Vec<u8>> {
        let (n, values) = self.channels();
        let (width, height) = self.size();
        let scale = cut.span_px / f64::from(cut.size);
        let samples = (scale.ceil() as u32).clamp(1, MAX_SAMPLES);
        let (sin, cos) = cut.axis_deg.to_radians().sin_cos();
        let mut out = vec![0u8; cut.size as usize * cut.size as usize * n];
        out.par_chunks_mut(cut.size as usize * n).enumerate().for_each(|(v, line)| {
            for (u, pixel) in line.chunks_mut(n).enumerate() {
                let mut sum = [0.0; 3];
                for s in 0..samples * samples {
                    let inside = |k: u32| (f64::from(k) + 0.5) / f64::from(samples);
                    let across = (u as f64 + inside(s % samples) - cut.at.0 * f64::from(cut.size)) * scale;
                    let back = (v as f64 + inside(s / samples) - cut.at.1 * f64::from(cut.size)) * scale;
                    // Up in the cut is the axis (cos, sin); right is a quarter turn clockwise on the screen.
                    let p = Point::new(cut.tip.x - sin * across - cos * back, cut.tip.y + cos * across - sin * back);
                    for (c, total) in sum.iter_mut().enumerate().take(n) {
                        *total += sample(values, (width, height, n, c), p);
                    }
                }
                for (value, total) in pixel.iter_mut().zip(sum) {
                    *value = (total / f64::from(samples * samples)).round() as u8;
                }
            }
        });
        jpeg(&out, cut.size, cut.size, n)
    }
}

/// Brightness between pixels; dark outside.
fn sample(values: &[u8], (width, height, n, channel): (u32, u32, usize, usize), p: Point) -> f64 {
    const OUTSIDE: f64 = 44.0;
    if !(-0.5 <= p.x && p.x < f64::from(width) - 0.5 && -0.5 <= p.y && p.y < f64::from(height) - 0.5) {
        return OUTSIDE;
    }
    let at = |x: f64, y: f64| {
        let x = x.clamp(0.0, f64::from(width - 1)) as usize;
        let y = y.clamp(0.0, f64::from(height - 1)) as usize;
        f64::from(values[(y * width as usize + x) * n + channel])
    };
    let (x0, y0) = (p.x.floor(), p.y.floor());
    let (fx, fy) = (p.x - x0, p.y - y0);
    let top = at(x0, y0) * (1.0 - fx) + at(x0 + 1.0, y0) * fx;
    let bottom = at(x0, y0 + 1.0) * (1.0 - fx) + at(x0 + 1.0, y0 + 1.0) * fx;
    top * (1.0 - fy) + bottom * fy
}

/// Grey values that become black and white, 0..65535.
fn levels(grey: &GreyPlane) -> (f64, f64) {
    let mut counts = vec![0u64; 1 << 16];
    grey.values().iter().for_each(|v| counts[usize::from(*v)] += 1);
    let allowed = (grey.values().len() as f64 * CLIPPED) as u64;
    let passes = |seen: &mut u64, v: &usize| {
        *seen += counts[*v];
        *seen > allowed
    };
    let (mut below, mut above) = (0, 0);
    let low = (0..1 << 16).find(|v| passes(&mut below, v)).unwrap_or(0);
    let high = (0..1 << 16).rev().find(|v| passes(&mut above, v)).unwrap_or(65535);
    (low as f64, high as f64)
}

fn jpeg(values: &[u8], width: u32, height: u32, channels: usize) -> anyhow::Result<Vec<u8>> {
    let mut out = Vec::new();
    let colour = if channels == 1 { image::ExtendedColorType::L8 } else { image::ExtendedColorType::Rgb8 };
    image::codecs::jpeg::JpegEncoder::new_with_quality(&mut out, QUALITY)
        .write_image(values, width, height, colour)
        .context("a picture could not be encoded")?;
    Ok(out)
}

/// A picture file, or the folder of a focus series, as the run has seen it.
pub struct PictureFile<'a> {
    /// Where it is.
    pub path: &'a Path,
    /// BLAKE3 of its bytes during the run; empty when the run does not say.
    pub hash: &'a str,
    /// How it is read.
    pub settings: &'a Settings,
}

impl PictureFile<'_> {
    /// Reads the picture, when it is still the one that was classified.
    fn read(&self) -> anyhow::Result<Micrograph> {
        let hash = Some(self.hash).filter(|h| !h.is_empty());
        Ok(read_to_show(self.path, hash, self.settings)?)
    }
}

/// The pictures decoded last.
#[derive(Default)]
pub struct ImageCache {
    /// Most recent first. The lock is held while decoding, so that no picture is decoded twice at the same time.
    kept: Mutex<VecDeque<(usize, Arc<DisplayImage>)>>,
}

impl ImageCache {
    /// A picture by its number, decoded from `file` when it is not at hand.
    pub fn get(&self, number: usize, file: &PictureFile<'_>) -> anyhow::Result<Arc<DisplayImage>> {
        let mut kept = self.kept.lock().unwrap_or_else(std::sync::PoisonError::into_inner);
        if let Some(place) = kept.iter().position(|(n, _)| *n == number) {
            let item = kept.remove(place).context("the cache lost a picture")?;
            kept.push_front(item.clone());
            return Ok(item.1);
        }
        let shown = Arc::new(DisplayImage::new(file.read()?));
        kept.push_front((number, shown.clone()));
        let mut bytes = 0;
        let fitting = kept.iter().take_while(|(_, p)| {
            bytes += p.bytes();
            bytes <= ROOM
        });
        let n_kept = fitting.count().max(1);
        kept.truncate(n_kept);
        Ok(shown)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// 40 × 30, left half dark, right half bright, one bright dot at (10, 5).
    fn picture() -> DisplayImage {
        let mut p = GrayImage::from_fn(40, 30, |x, _| image::Luma([if x < 20 { 20 } else { 200 }]));
        p.put_pixel(10, 5, image::Luma([255]));
        DisplayImage::Grey(p)
    }

    fn grey(jpeg: &[u8]) -> GrayImage {
        image::load_from_memory(jpeg).unwrap().to_luma8()
    }

    #[test]
    fn tiles_cover_the_picture_and_nothing_else() {
        let shown = picture();
        assert_eq!(grey(&shown.tile(0, 0, 0).unwrap().unwrap()).dimensions(), (40, 30));
        assert_eq!(grey(&shown.tile(2, 0, 0).unwrap().unwrap()).dimensions(), (10, 8));
        assert!(shown.tile(0, 1, 0).is_none());
        assert!(shown.tile(31, 4, 0).is_none());
        assert!(shown.tile(32, 0, 0).is_none());
        assert!(shown.tile(40, u32::MAX, u32::MAX).is_none());
    }

    #[test]
    fn a_cut_has_the_axis_upright_and_is_not_mirrored() {
        let shown = picture();
        // The axis points right (towards the bright half): the bright half must come to lie on top,
        // and what is above the axis in the picture (the dot) must come to lie on the left.
        let cut = CropRequest { tip: Point::new(19.5, 12.0), axis_deg: 0.0, span_px: 24.0, size: 240, at: (0.5, 0.5) };
        let seen = grey(&shown.cut(&cut).unwrap());
        assert!(seen.get_pixel(120, 20)[0] > 180 && seen.get_pixel(120, 220)[0] < 40);
        // The dot: 9.5 px behind the tip, 7 px to its left.
        assert!(seen.get_pixel(50, 215)[0] > 150, "{}", seen.get_pixel(50, 215)[0]);
        // With the axis up in the picture, the cut is the picture itself.
        let upright = CropRequest { axis_deg: -90.0, ..cut };
        let seen = grey(&shown.cut(&upright).unwrap());
        assert!(seen.get_pixel(20, 120)[0] < 40 && seen.get_pixel(220, 120)[0] > 180);
    }
}
