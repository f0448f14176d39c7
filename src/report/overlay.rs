//! A picture with every end marked, as JPEG: tip, axis, measured width, end line, label, number, and a legend below.

mod canvas;
mod legend;
mod marks;

pub use marks::Mark;

use super::thumbnails::{JpegError, jpeg};
use crate::micrograph::Micrograph;
use crate::units::Point;
use canvas::Canvas;
use image::{Rgb, RgbImage};

/// Marks the ends of a picture and encodes it as JPEG.
///
/// # Errors
/// When the picture with its legend has a side of more than 65 535 px, the most that JPEG has (ITU-T T.81, table B.2).
pub fn draw(micrograph: &Micrograph, ends: &[Mark<'_>]) -> Result<Vec<u8>, JpegError> {
    jpeg(&draw_picture(micrograph, ends), QUALITY)
}

/// The picture with its marks and, below it, the legend.
fn draw_picture(micrograph: &Micrograph, ends: &[Mark<'_>]) -> RgbImage {
    let (width, height) = (micrograph.grey.width(), micrograph.grey.height());
    // Lines and letters keep their look when a large picture is seen as a whole.
    let unit = (f64::from(width.max(height)) / 1600.0).max(0.75) as f32;
    let legend = legend::plan(width, unit, ends);
    let mut canvas = Canvas::new(with_strip(micrograph, legend.height()));
    let sizes: Vec<marks::Size> = ends.iter().map(|mark| size_of(mark, ends, unit)).collect();
    for (mark, size) in ends.iter().zip(&sizes) {
        canvas.strokes(&marks::strokes(mark, *size), size.rim);
    }
    let left_out = number(&mut canvas, ends, &sizes, unit, height);
    legend.draw(&mut canvas, height, 0 < left_out);
    canvas.picture
}

/// A copy of the picture in 8-bit colour with room below it.
fn with_strip(micrograph: &Micrograph, strip: u32) -> RgbImage {
    let (width, height) = (micrograph.grey.width(), micrograph.grey.height());
    let mut bytes = Vec::with_capacity(3 * width as usize * (height + strip) as usize);
    match &micrograph.rgb {
        Some(rgb) => bytes.extend_from_slice(rgb.as_raw()),
        None => bytes.extend(micrograph.grey.values().iter().flat_map(|v| [(v >> 8) as u8; 3])),
    }
    bytes.extend(std::iter::repeat_n(legend::GROUND, (width * strip) as usize).flatten());
    // The number of bytes is that of the pixels by construction.
    RgbImage::from_raw(width, height + strip, bytes).unwrap_or_else(|| RgbImage::from_pixel(width, height, Rgb([0; 3])))
}

/// Mark sizes: by the fibre, but no larger than the room up to the next end allows; in a crowd lines become thinner too.
fn size_of(mark: &Mark<'_>, ends: &[Mark<'_>], unit: f32) -> marks::Size {
    let tip = marks::tip(mark);
    let measured = mark.row.features.get("shaft_diameter_px").unwrap_or(f64::from(12.0 * unit));
    let room = ends
        .iter()
        .map(|other| marks::tip(other).distance(tip))
        .filter(|distance| 0.0 < *distance)
        .fold(f64::INFINITY, f64::min);
    let diameter = measured.min(0.55 * room).max(f64::from(4.0 * unit));
    // 1 = as much room as a full mark takes, 0 = none.
    let ease = (room / (1.6 * measured)).clamp(0.0, 1.0) as f32;
    let strong = (0.08 * diameter as f32).clamp(0.5 * unit, 2.2 * unit);
    marks::Size {
        diameter,
        strong,
        thin: (0.5 * strong).max(0.4 * unit),
        rim: unit * (0.4 + 0.7 * ease),
        roomy: 1.6 * measured < room,
    }
}

/// Writes the numbers where they cover neither an end nor another number; how many found no place.
fn number(canvas: &mut Canvas, ends: &[Mark<'_>], sizes: &[marks::Size], unit: f32, height: u32) -> usize {
    let letter = 15.0 * unit;
    let mut taken: Vec<Rect> =
        ends.iter().zip(sizes).map(|(m, s)| Rect::around(marks::tip(m), 0.8 * s.diameter)).collect();
    let mut left_out = 0;
    for (index, (mark, size)) in ends.iter().zip(sizes).enumerate() {
        let text = mark.row.end.to_string();
        let half = (0.5 * canvas.text_width(&text, letter) + unit, 0.42 * letter);
        let reach = 1.25 * size.diameter + f64::from(0.55 * letter);
        let place = [0.0, 50.0, -50.0, 90.0, -90.0, 130.0, -130.0].into_iter().find_map(|turn| {
            let middle = marks::tip(mark).towards(mark.row.axis_deg + turn, reach);
            let rect = Rect::new(middle, half);
            let inside =
                0.0 <= rect.x0 && 0.0 <= rect.y0 && rect.x1 < canvas.picture.width() as f32 && rect.y1 < height as f32;
            let free = taken.iter().enumerate().all(|(i, other)| i == index || !rect.meets(other));
            (inside && free).then_some((middle, rect))
        });
        match place {
            Some((middle, rect)) => {
                let corner = (middle.x as f32 - half.0 + unit, middle.y as f32);
                canvas.text(&text, corner, letter, marks::colour(mark.row.label), 1.6 * unit);
                taken.push(rect);
            }
            None => left_out += 1,
        }
    }
    left_out
}

/// A place on the picture that is taken.
struct Rect {
    x0: f32,
    y0: f32,
    x1: f32,
    y1: f32,
}

impl Rect {
    fn new(middle: Point, half: (f32, f32)) -> Self {
        let (x, y) = (middle.x as f32, middle.y as f32);
        Self { x0: x - half.0, y0: y - half.1, x1: x + half.0, y1: y + half.1 }
    }

    fn around(middle: Point, half: f64) -> Self {
        Self::new(middle, (half as f32, half as f32))
    }

    fn meets(&self, other: &Self) -> bool {
        self.x0 < other.x1 && other.x0 < self.x1 && self.y0 < other.y1 && other.y0 < self.y1
    }
}

/// JPEG quality of overlays: marks stay sharp, grain of the picture need not.
const QUALITY: u8 = 85;
