//! A colour picture to draw on: anti-aliased strokes and text, each with a dark rim so that it reads on any ground.

use crate::units::Point;
use ab_glyph::{Font, FontRef, GlyphId, PxScale, ScaleFont};
use image::{Rgb, RgbImage};

/// DejaVu Sans Bold, cut down to the letters used here; its licence lies beside it.
const FONT: &[u8] = include_bytes!("dejavu-sans-bold-subset.ttf");

/// A colour of a mark, 8-bit RGB.
pub(super) type Colour = [u8; 3];

/// The rim around marks and letters.
const RIM: Colour = [12, 12, 16];
/// How opaque the rim is.
const RIM_OPACITY: f32 = 0.85;

/// What is drawn on.
pub(super) struct Canvas {
    pub picture: RgbImage,
    font: Option<FontRef<'static>>,
}

/// A line through points, or closed around them.
pub(super) struct Stroke {
    pub points: Vec<Point>,
    /// Half of its width, px.
    pub half_width: f32,
    pub colour: Colour,
}

impl Canvas {
    pub(super) fn new(picture: RgbImage) -> Self {
        Self { picture, font: FontRef::try_from_slice(FONT).ok() }
    }

    /// Draws strokes that belong together: first all rims, then all cores, so that no rim cuts a core.
    pub(super) fn strokes(&mut self, strokes: &[Stroke], rim: f32) {
        for stroke in strokes {
            self.cover(&stroke.points, stroke.half_width + rim, RIM, RIM_OPACITY);
        }
        for stroke in strokes {
            self.cover(&stroke.points, stroke.half_width, stroke.colour, 1.0);
        }
    }

    fn cover(&mut self, points: &[Point], half_width: f32, colour: Colour, opacity: f32) {
        let reach = f64::from(half_width) + 1.0;
        let Some(bounds) = bounds(points, reach, self.picture.dimensions()) else { return };
        let single = [points[0], points[0]];
        let line = if points.len() == 1 { &single[..] } else { points };
        for y in bounds.1..bounds.3 {
            for x in bounds.0..bounds.2 {
                let at = Point::new(f64::from(x), f64::from(y));
                let distance =
                    line.windows(2).map(|s| to_segment2(at, s[0], s[1])).fold(f64::INFINITY, f64::min).sqrt();
                let share = (half_width + 0.5 - distance as f32).clamp(0.0, 1.0) * opacity;
                if 0.0 < share {
                    self.blend(x, y, colour, share);
                }
            }
        }
    }

    fn blend(&mut self, x: u32, y: u32, colour: Colour, share: f32) {
        let Rgb(old) = self.picture.get_pixel_mut(x, y);
        for (old, new) in old.iter_mut().zip(colour) {
            *old = (f32::from(*old) * (1.0 - share) + f32::from(new) * share).round() as u8;
        }
    }

    /// Width of a line of text, px.
    pub(super) fn text_width(&self, text: &str, size: f32) -> f32 {
        let Some(font) = &self.font else { return 0.0 };
        let scaled = font.as_scaled(PxScale::from(size));
        text.chars().map(|c| scaled.h_advance(scaled.glyph_id(c))).sum()
    }

    /// Writes a line of text; `left` and `middle` place its left end and its middle height.
    pub(super) fn text(&mut self, text: &str, (left, middle): (f32, f32), size: f32, colour: Colour, rim: f32) {
        let Some(font) = self.font.clone() else { return };
        let scaled = font.as_scaled(PxScale::from(size));
        // Capitals and digits stand about 0.73 em high in this face.
        let baseline =
            middle + 0.365 * scaled.scale().y * font.units_per_em().unwrap_or(2048.0) / font.height_unscaled();
        let mut pen = left;
        let mut ink: Vec<(u32, u32, f32)> = Vec::new();
        for letter in text.chars() {
            let id: GlyphId = scaled.glyph_id(letter);
            let glyph = id.with_scale_and_position(size, ab_glyph::point(pen, baseline));
            pen += scaled.h_advance(id);
            let Some(outline) = scaled.outline_glyph(glyph) else { continue };
            let corner = outline.px_bounds().min;
            outline.draw(|x, y, share| {
                let (x, y) = (corner.x as i64 + i64::from(x), corner.y as i64 + i64::from(y));
                if let (Ok(x), Ok(y)) = (u32::try_from(x), u32::try_from(y))
                    && x < self.picture.width()
                    && y < self.picture.height()
                {
                    ink.push((x, y, share));
                }
            });
        }
        if 0.0 < rim {
            self.rim_of(&ink, rim);
        }
        for (x, y, share) in ink {
            self.blend(x, y, colour, share.min(1.0));
        }
    }

    /// A rim around letters: every inked pixel spreads over its surroundings, each place takes the strongest.
    fn rim_of(&mut self, ink: &[(u32, u32, f32)], rim: f32) {
        let Some(x0) = ink.iter().map(|i| i.0).min() else { return };
        let (x1, y0) = (ink.iter().map(|i| i.0).max().unwrap_or(x0), ink.iter().map(|i| i.1).min().unwrap_or(0));
        let y1 = ink.iter().map(|i| i.1).max().unwrap_or(y0);
        let reach = rim.ceil() as i64;
        let width = (i64::from(x1 - x0) + 1 + 2 * reach) as usize;
        let height = (i64::from(y1 - y0) + 1 + 2 * reach) as usize;
        let mut shares = vec![0.0_f32; width * height];
        for (x, y, share) in ink {
            for dy in -reach..=reach {
                for dx in -reach..=reach {
                    let near = (rim + 0.5 - ((dx * dx + dy * dy) as f32).sqrt()).clamp(0.0, 1.0) * share;
                    let column = (i64::from(x - x0) + reach + dx) as usize;
                    let row = (i64::from(y - y0) + reach + dy) as usize;
                    let place = &mut shares[row * width + column];
                    *place = place.max(near);
                }
            }
        }
        for (index, share) in shares.into_iter().enumerate().filter(|(_, s)| 0.0 < *s) {
            let x = i64::from(x0) - reach + (index % width) as i64;
            let y = i64::from(y0) - reach + (index / width) as i64;
            if let (Ok(x), Ok(y)) = (u32::try_from(x), u32::try_from(y))
                && x < self.picture.width()
                && y < self.picture.height()
            {
                self.blend(x, y, RIM, share.min(1.0) * RIM_OPACITY);
            }
        }
    }
}

/// Pixels that a line with this reach can touch: left, top, right, bottom (excluded); `None` = none.
fn bounds(points: &[Point], reach: f64, (width, height): (u32, u32)) -> Option<(u32, u32, u32, u32)> {
    if points.is_empty() || points.iter().any(|p| !p.x.is_finite() || !p.y.is_finite()) {
        return None;
    }
    let least = |values: &mut dyn Iterator<Item = f64>| values.fold(f64::INFINITY, f64::min) - reach;
    let most = |values: &mut dyn Iterator<Item = f64>| values.fold(f64::NEG_INFINITY, f64::max) + reach;
    let x0 = least(&mut points.iter().map(|p| p.x)).max(0.0);
    let y0 = least(&mut points.iter().map(|p| p.y)).max(0.0);
    let x1 = (most(&mut points.iter().map(|p| p.x)) + 1.0).min(f64::from(width));
    let y1 = (most(&mut points.iter().map(|p| p.y)) + 1.0).min(f64::from(height));
    (x0 < x1 && y0 < y1).then_some((x0 as u32, y0 as u32, x1 as u32, y1 as u32))
}

/// Square of the distance of a point from the segment between two others.
fn to_segment2(at: Point, from: Point, to: Point) -> f64 {
    let (dx, dy) = (to.x - from.x, to.y - from.y);
    let length2 = dx * dx + dy * dy;
    let along = if length2 == 0.0 { 0.0 } else { ((at.x - from.x) * dx + (at.y - from.y) * dy) / length2 };
    let along = along.clamp(0.0, 1.0);
    (at.x - from.x - along * dx).powi(2) + (at.y - from.y - along * dy).powi(2)
}
