//! A colour picture to draw on: smooth strokes and text, each with a dark rim so that it reads on any ground.
//!
//! Lines of `imageproc` are one pixel wide or rough at their edges, so strokes and letters are drawn by `tiny-skia`, each
//! mark on a small sheet of its own that is then laid over the picture.

use crate::units::Point;
use ab_glyph::{Font, FontRef, OutlineCurve, PxScale, ScaleFont};
use image::RgbImage;
use tiny_skia::{FillRule, LineCap, LineJoin, Paint, Path, PathBuilder, Pixmap, Transform};

/// DejaVu Sans Bold, cut down to the letters used here; its licence lies beside it.
const FONT: &[u8] = include_bytes!("dejavu-sans-bold-subset.ttf");

/// A colour of a mark, 8-bit RGB.
pub(super) type Colour = [u8; 3];

/// The rim around marks and letters.
const RIM: Colour = [12, 12, 16];
/// How opaque the rim is, 0..255.
const RIM_OPACITY: u8 = 217;

/// What is drawn on.
pub(super) struct Canvas {
    pub picture: RgbImage,
    font: Option<FontRef<'static>>,
}

/// A line through points, or closed around them; a single point is a dot.
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
        let widest = strokes.iter().map(|s| s.half_width).fold(0.0, f32::max) + rim + 1.0;
        let points = strokes.iter().flat_map(|s| s.points.iter().map(|p| (p.x as f32 + 0.5, p.y as f32 + 0.5)));
        let Some(mut sheet) = Sheet::over(points, widest, self.picture.dimensions()) else { return };
        let paths: Vec<(Path, &Stroke)> = strokes.iter().filter_map(|s| Some((path(&s.points)?, s))).collect();
        if 0.0 < rim {
            for (path, stroke) in &paths {
                sheet.line(path, stroke.half_width + rim, RIM, RIM_OPACITY);
            }
        }
        for (path, stroke) in &paths {
            sheet.line(path, stroke.half_width, stroke.colour, u8::MAX);
        }
        sheet.lay_over(&mut self.picture);
    }

    /// Width of a line of text, px.
    pub(super) fn text_width(&self, text: &str, size: f32) -> f32 {
        let Some(font) = &self.font else { return 0.0 };
        let scaled = font.as_scaled(PxScale::from(size));
        text.chars().map(|c| scaled.h_advance(scaled.glyph_id(c))).sum()
    }

    /// Writes a line of text; `left` and `middle` place its left end and its middle height.
    pub(super) fn text(&mut self, text: &str, (left, middle): (f32, f32), size: f32, colour: Colour, rim: f32) {
        let corners = [(left, middle - size), (left + self.text_width(text, size), middle + size)];
        let letters = self.font.as_ref().and_then(|font| letters(font, text, (left, middle), size));
        let sheet = Sheet::over(corners.into_iter(), rim + 1.0, self.picture.dimensions());
        let (Some(path), Some(mut sheet)) = (letters, sheet) else { return };
        if 0.0 < rim {
            sheet.line(&path, rim, RIM, RIM_OPACITY);
        }
        sheet.fill(&path, colour);
        sheet.lay_over(&mut self.picture);
    }
}

/// A transparent sheet over a part of the picture.
struct Sheet {
    pixels: Pixmap,
    left: u32,
    top: u32,
}

impl Sheet {
    /// A sheet that holds all points with so much around them; `None` when no part of it lies on the picture.
    fn over(points: impl Iterator<Item = (f32, f32)>, reach: f32, (width, height): (u32, u32)) -> Option<Self> {
        let start = [f32::INFINITY, f32::INFINITY, f32::NEG_INFINITY, f32::NEG_INFINITY];
        let [x0, y0, x1, y1] =
            points.fold(start, |[x0, y0, x1, y1], (x, y)| [x0.min(x), y0.min(y), x1.max(x), y1.max(y)]);
        if ![x0, y0, x1, y1].iter().all(|v| v.is_finite()) {
            return None;
        }
        // Casts clamp: what lies left of the picture becomes 0.
        let (left, top) = ((x0 - reach) as u32, (y0 - reach) as u32);
        let (right, bottom) = (((x1 + reach).ceil() as u32).min(width), ((y1 + reach).ceil() as u32).min(height));
        let pixels = Pixmap::new(right.checked_sub(left)?, bottom.checked_sub(top)?)?;
        Some(Self { pixels, left, top })
    }

    fn place(&self) -> Transform {
        Transform::from_translate(-(self.left as f32), -(self.top as f32))
    }

    fn line(&mut self, path: &Path, half_width: f32, colour: Colour, opacity: u8) {
        let stroke = tiny_skia::Stroke {
            width: 2.0 * half_width,
            line_cap: LineCap::Round,
            line_join: LineJoin::Round,
            ..tiny_skia::Stroke::default()
        };
        let place = self.place();
        self.pixels.stroke_path(path, &paint(colour, opacity), &stroke, place, None);
    }

    fn fill(&mut self, path: &Path, colour: Colour) {
        let place = self.place();
        self.pixels.fill_path(path, &paint(colour, u8::MAX), FillRule::Winding, place, None);
    }

    fn lay_over(&self, picture: &mut RgbImage) {
        let width = self.pixels.width();
        for (i, pixel) in (0u32..).zip(self.pixels.pixels()) {
            if pixel.alpha() == 0 {
                continue;
            }
            let below = picture.get_pixel_mut(self.left + i % width, self.top + i / width);
            let kept = u32::from(u8::MAX - pixel.alpha());
            for (old, new) in below.0.iter_mut().zip([pixel.red(), pixel.green(), pixel.blue()]) {
                // Colours of the sheet are already multiplied by their opacity.
                *old = new.saturating_add(((u32::from(*old) * kept + 127) / 255) as u8);
            }
        }
    }
}

fn paint(colour: Colour, opacity: u8) -> Paint<'static> {
    let mut paint = Paint { anti_alias: true, ..Paint::default() };
    paint.set_color_rgba8(colour[0], colour[1], colour[2], opacity);
    paint
}

/// The line through points; middles of pixels lie at halves here.
fn path(points: &[Point]) -> Option<Path> {
    let place = |p: &Point| (p.x as f32 + 0.5, p.y as f32 + 0.5);
    let (first, rest) = points.split_first()?;
    let mut line = PathBuilder::new();
    let (x, y) = place(first);
    line.move_to(x, y);
    if rest.is_empty() {
        // A round cap on a line of no length is a dot.
        line.line_to(x, y);
    }
    for (x, y) in rest.iter().map(place) {
        line.line_to(x, y);
    }
    if 2 < points.len() && points.first() == points.last() {
        line.close();
    }
    line.finish()
}

/// The outlines of the letters of a line of text.
fn letters(font: &FontRef<'_>, text: &str, (left, middle): (f32, f32), size: f32) -> Option<Path> {
    let scaled = font.as_scaled(PxScale::from(size));
    let factor = scaled.h_scale_factor();
    // Capitals and digits stand about 0.73 em high in this face.
    let baseline = middle + 0.365 * factor * font.units_per_em().unwrap_or(2048.0);
    let mut outlines = PathBuilder::new();
    let mut pen = left;
    for id in text.chars().map(|c| scaled.glyph_id(c)) {
        let at = |p: ab_glyph::Point| (pen + p.x * factor, baseline - p.y * factor);
        let mut last = None;
        for curve in font.outline(id).iter().flat_map(|o| &o.curves) {
            let (from, to) = match *curve {
                OutlineCurve::Line(a, b) | OutlineCurve::Quad(a, _, b) | OutlineCurve::Cubic(a, _, _, b) => (a, b),
            };
            if last != Some(from) {
                let (x, y) = at(from);
                outlines.move_to(x, y);
            }
            last = Some(to);
            let (x, y) = at(to);
            match *curve {
                OutlineCurve::Line(..) => outlines.line_to(x, y),
                OutlineCurve::Quad(_, a, _) => outlines.quad_to(at(a).0, at(a).1, x, y),
                OutlineCurve::Cubic(_, a, b, _) => outlines.cubic_to(at(a).0, at(a).1, at(b).0, at(b).1, x, y),
            }
        }
        pen += scaled.h_advance(id);
    }
    outlines.finish()
}
