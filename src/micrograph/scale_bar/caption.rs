//! Stroke -> the line of writing beside it: a scale bar has its length written above or below its middle, in its own colour.

use super::stroke::{Canvas, Stroke};
use crate::raster::{self, Part, Run};
use crate::settings::BarSettings;
use crate::units::PxBox;

/// A line of writing above or below a stroke.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub(super) struct Caption {
    /// Letters that stand apart.
    pub letters: usize,
    /// Distance of its middle from that of the stroke, over the length of the stroke.
    off_middle: f64,
    /// How much longer than the stroke it is, over the length of the stroke; 0 where it is shorter.
    overhang: f64,
}

impl Caption {
    /// The line with the most letters on either side.
    pub(super) fn beside(canvas: &Canvas, stroke: &Stroke, settings: &BarSettings) -> Self {
        let reach = reach_px(canvas, settings);
        let beside = reach.max(stroke.x1 - stroke.x0 + 1);
        let columns = ((stroke.x0 - beside).max(0), (stroke.x1 + beside).min(canvas.width - 1));
        let above = ((stroke.y0 - reach).max(0), stroke.y0 - 2);
        let below = (stroke.y1 + 2, (stroke.y1 + reach).min(canvas.height - 1));
        let sides = [above, below].into_iter().filter(|(from, to)| from < to);
        let lines = sides.map(|rows| best_line(&letters(canvas, stroke, (columns, rows), settings), stroke));
        lines.reduce(|a, b| if a.letters < b.letters { b } else { a }).unwrap_or_default()
    }

    /// Whether it is the caption of a bar: long enough for a length, about the middle, hardly longer than the bar.
    pub(super) fn names_length(&self, settings: &BarSettings) -> bool {
        settings.caption_letters as usize <= self.letters
            && self.off_middle <= settings.caption_off_middle
            && self.overhang <= settings.caption_overhang
    }
}

/// How far from a stroke letters are looked for, which is as tall as they may be, px.
fn reach_px(canvas: &Canvas, settings: &BarSettings) -> i64 {
    (settings.caption_reach * canvas.height.min(canvas.width) as f64).ceil() as i64
}

/// Boxes of parts in a window that are nearer to the stroke's colour than to the ground, sharp and of a letter's form.
fn letters(
    canvas: &Canvas,
    stroke: &Stroke,
    ((x0, x1), (y0, y1)): ((i64, i64), (i64, i64)),
    settings: &BarSettings,
) -> Vec<PxBox> {
    /// Shares of the way from the ground to the stroke's colour: ink has more, a sharp letter leaves less beside it.
    const INK: f32 = 0.5;
    const BESIDE: f32 = 0.25;
    let ground = ground(canvas, stroke, (y0, y1));
    let axis: Vec<f32> = stroke.colour.iter().zip(&ground).map(|(c, g)| c - g).collect();
    let length2 = axis.iter().map(|a| a * a).sum::<f32>().max(1.0);
    let inked = |x: i64, y: i64| {
        let pixel = canvas.at(x, y);
        (0..3).map(|c| (pixel[c] - ground[c]) * axis[c]).sum::<f32>() / length2
    };
    let runs = raster::runs_of((x1 - x0 + 1) as usize, (y1 - y0 + 1) as usize, |y, row| {
        row.iter_mut().enumerate().for_each(|(x, ink)| *ink = u8::from(INK < inked(x0 + x as i64, y0 + y as i64)));
    });
    let sharp = |run: &&Run| {
        let (y, left, right) = (y0 + i64::from(run.y), x0 + i64::from(run.x0), x0 + i64::from(run.x1));
        inked(left - 2, y) < BESIDE && inked(right + 1, y) < BESIDE
    };
    let is_letter = |part: &Part| {
        let sharp_runs = part.runs.iter().filter(sharp).count();
        settings.letter_least_px <= part.height()
            && part.width() <= 2 * part.height()
            && part.runs.len() <= 2 * sharp_runs
    };
    let tallest = reach_px(canvas, settings) as u32;
    let placed =
        |b: &PxBox| PxBox { x0: b.x0 + x0 as u32, y0: b.y0 + y0 as u32, x1: b.x1 + x0 as u32, y1: b.y1 + y0 as u32 };
    let parts = raster::parts(&runs, (2 * tallest, tallest));
    parts.iter().filter(|p| is_letter(p)).map(|p| placed(&p.bounds)).collect()
}

/// Median colour of what lies right above or below a stroke.
fn ground(canvas: &Canvas, stroke: &Stroke, (y0, y1): (i64, i64)) -> [f32; 3] {
    /// Columns that are looked at, about.
    const COLUMNS: i64 = 40;
    let step = ((stroke.x1 - stroke.x0) / COLUMNS).max(1) as usize;
    let columns = (stroke.x0..=stroke.x1).step_by(step);
    let pixels: Vec<[f32; 3]> =
        columns.flat_map(|x| (y0..=y1).map(move |y| (x, y))).map(|(x, y)| canvas.at(x, y)).collect();
    std::array::from_fn(|c| {
        let mut values: Vec<f32> = pixels.iter().map(|p| p[c]).collect();
        crate::robust::upper_median(&mut values).unwrap_or(0.0)
    })
}

/// The line of most letters that reaches over a stroke: others belong to something else.
fn best_line(letters: &[PxBox], stroke: &Stroke) -> Caption {
    let length = (stroke.x1 - stroke.x0 + 1) as f64;
    let mut best = Caption::default();
    for first in letters {
        let (line, count) = line_of(first, letters);
        let (left, right) = (i64::from(line.x0), i64::from(line.x1));
        if left < stroke.x1 && stroke.x0 <= right && best.letters < count {
            let off = (left + right - stroke.x0 - stroke.x1).abs() as f64 / 2.0;
            let over = ((right - left) as f64 - length).max(0.0);
            best = Caption { letters: count, off_middle: off / length, overhang: over / length };
        }
    }
    best
}

/// The letters that stand on one line with a first one, of its height and near each other: their box and their number.
fn line_of(first: &PxBox, letters: &[PxBox]) -> (PxBox, usize) {
    let (height, mut line, mut count) = (first.y1 - first.y0, *first, 1);
    let mut order: Vec<&PxBox> = letters.iter().filter(|l| *l != first).collect();
    order.sort_by_key(|l| l.x0.abs_diff(first.x0));
    for letter in order {
        let same_height = 2 * (letter.y1 - letter.y0).abs_diff(height) <= height;
        let same_foot = 2 * letter.y1.abs_diff(first.y1) <= height;
        let near = letter.x0 <= line.x1 + height && line.x0 <= letter.x1 + height;
        if same_height && same_foot && near {
            line = line.union(letter);
            count += 1;
        }
    }
    (line, count)
}
