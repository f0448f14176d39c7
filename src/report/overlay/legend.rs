//! The strip below an overlay: what the marks mean and how many of each there are.

use super::canvas::{Canvas, Colour, Stroke};
use super::marks::{self, Mark, Size};
use crate::tree::Label;
use crate::units::Point;

/// Ground of the strip.
pub(super) const GROUND: Colour = [24, 24, 28];
const INK: Colour = [235, 235, 235];
const FAINT: Colour = [170, 170, 176];

/// The strip before it is drawn.
pub(super) struct Legend {
    unit: f32,
    width: u32,
    counts: [(Label, usize); 3],
}

/// Plans the strip of a picture of this width; `unit` scales lines and letters.
pub(super) fn plan(width: u32, unit: f32, ends: &[Mark<'_>]) -> Legend {
    let count = |label| (label, ends.iter().filter(|m| m.row.label == label).count());
    // Narrow pictures get smaller letters rather than a cut legend.
    let unit = unit.min(width as f32 / 760.0).max(0.45);
    Legend { unit, width, counts: [Label::Sheared, Label::Tensile, Label::Unclear].map(count) }
}

impl Legend {
    /// Height of the strip, px.
    pub(super) fn height(&self) -> u32 {
        (40.0 * self.unit).round() as u32
    }

    /// Draws the strip below a picture of this height.
    pub(super) fn draw(&self, canvas: &mut Canvas, picture_height: u32, numbers_left_out: bool) {
        let unit = self.unit;
        let middle = picture_height as f32 + self.height() as f32 / 2.0;
        let letter = 16.0 * unit;
        let size =
            Size { diameter: f64::from(13.0 * unit), strong: 1.6 * unit, thin: 0.9 * unit, rim: 0.0, roomy: true };
        let mut left = 22.0 * unit;
        for (label, count) in self.counts {
            let at = Point::new(f64::from(left), f64::from(middle));
            canvas.strokes(&marks::sample(label, at, size), size.rim);
            left += 22.0 * unit;
            let text = format!("{} {count}", label.word());
            canvas.text(&text, (left, middle), letter, INK, 0.0);
            left += canvas.text_width(&text, letter) + 34.0 * unit;
        }
        let samples: [(&str, fn(f32, f32, Size) -> Vec<Stroke>); 2] = [("axis", axis), ("width", width)];
        for (text, sample) in samples {
            canvas.strokes(&sample(left, middle, size), size.rim);
            canvas.text(text, (left + 24.0 * unit, middle), letter, FAINT, 0.0);
            left += 24.0 * unit + canvas.text_width(text, letter) + 30.0 * unit;
        }
        let note = if numbers_left_out { "not all numbers fit: see ends.csv" } else { "" };
        let wide = canvas.text_width(note, letter);
        if left + wide + 10.0 * unit < self.width as f32 {
            canvas.text(note, (self.width as f32 - wide - 12.0 * unit, middle), letter, FAINT, 0.0);
        }
    }
}

fn axis(left: f32, middle: f32, size: Size) -> Vec<Stroke> {
    let at = Point::new(f64::from(left), f64::from(middle));
    vec![Stroke { points: vec![at, at.towards(0.0, 1.3 * size.diameter)], half_width: size.thin, colour: FAINT }]
}

fn width(left: f32, middle: f32, size: Size) -> Vec<Stroke> {
    let at = Point::new(f64::from(left) + 0.6 * size.diameter, f64::from(middle));
    let line = |points| Stroke { points, half_width: size.thin, colour: FAINT };
    let (top, bottom) = (at.towards(-90.0, 0.55 * size.diameter), at.towards(90.0, 0.55 * size.diameter));
    let foot = |p: Point| vec![p.towards(0.0, 0.25 * size.diameter), p.towards(180.0, 0.25 * size.diameter)];
    vec![line(vec![top, bottom]), line(foot(top)), line(foot(bottom))]
}
