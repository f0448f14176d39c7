//! Picture -> level strokes of one colour.

use super::runs::{self, Run};
use crate::micrograph::Micrograph;
use crate::settings::BarSettings;

/// Distance from a stroke at which its surroundings are looked at, px: beyond the blur of JPEG and anti-aliasing.
pub(super) const BESIDE_PX: i64 = 3;

/// The picture in 8-bit colours, as it is or with rows and columns exchanged.
pub(super) struct Canvas<'a> {
    micrograph: &'a Micrograph,
    turned: bool,
    pub width: i64,
    pub height: i64,
}

impl<'a> Canvas<'a> {
    /// With `turned`, upright bars lie level: (x, y) of the canvas is (y, x) of the picture.
    pub(super) fn new(micrograph: &'a Micrograph, turned: bool) -> Self {
        let (across, down) = (i64::from(micrograph.grey.width()), i64::from(micrograph.grey.height()));
        let (width, height) = if turned { (down, across) } else { (across, down) };
        Self { micrograph, turned, width, height }
    }

    pub(super) fn is_turned(&self) -> bool {
        self.turned
    }

    /// Colour of a pixel, 0..255; the nearest pixel for places outside.
    pub(super) fn at(&self, x: i64, y: i64) -> [f32; 3] {
        let (x, y) = (x.clamp(0, self.width - 1), y.clamp(0, self.height - 1));
        let (x, y) = if self.turned { (y, x) } else { (x, y) };
        match &self.micrograph.rgb {
            Some(rgb) => rgb.get_pixel(x as u32, y as u32).0.map(f32::from),
            None => [self.micrograph.grey.at(x, y) * 255.0; 3],
        }
    }

    /// Mean colour of a column of pixels.
    pub(super) fn column(&self, x: i64, y0: i64, y1: i64) -> [f32; 3] {
        let n = (y1 - y0 + 1).max(1) as f32;
        let mut sum = [0.0; 3];
        for y in y0..=y1 {
            let c = self.at(x, y);
            (0..3).for_each(|i| sum[i] += c[i]);
        }
        sum.map(|s| s / n)
    }
}

/// Largest difference in any channel.
pub(super) fn gap(a: [f32; 3], b: [f32; 3]) -> f64 {
    f64::from((0..3).map(|i| (a[i] - b[i]).abs()).fold(0.0, f32::max))
}

/// A level stroke: rows whose runs of one colour begin and end together.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Stroke {
    pub x0: i64,
    pub x1: i64,
    pub y0: i64,
    pub y1: i64,
    pub colour: [f32; 3],
    /// Largest move of an end from row to row, px.
    pub wobble: u32,
}

/// All strokes with the shape of a bar, in order of their last row.
pub(super) fn strokes(canvas: &Canvas, settings: &BarSettings) -> Vec<Stroke> {
    let is_bar = |s: &Stroke| s.has_form_of_bar(canvas, settings);
    let mut open: Vec<Stroke> = Vec::new();
    let mut bars = Vec::new();
    let wobble = i64::from(settings.end_wobble_px);
    runs::each_row(canvas.micrograph, canvas.turned, settings, |y, runs| {
        // Runs of a row do not meet, and a stroke lies within its last run: both lists are in order of their columns.
        let mut before = std::mem::take(&mut open).into_iter().peekable();
        for run in runs {
            while let Some(stroke) = before.next_if(|s| s.x1 + wobble < run.x1) {
                bars.extend(Some(stroke).filter(is_bar));
            }
            let goes_on = before
                .next_if(|s| s.wobble_to(run) <= wobble && gap(s.colour, run.colour) <= settings.colour_tolerance);
            open.push(match goes_on {
                Some(stroke) => stroke.joined_with(run, y),
                None => Stroke { x0: run.x0, x1: run.x1, y0: y, y1: y, colour: run.colour, wobble: 0 },
            });
        }
        bars.extend(before.filter(is_bar));
    });
    bars.extend(open.into_iter().filter(is_bar));
    bars
}

impl Stroke {
    /// Largest move of an end from this stroke to a run of the next row, px.
    fn wobble_to(&self, run: &Run) -> i64 {
        (self.x0 - run.x0).abs().max((self.x1 - run.x1).abs())
    }

    /// The stroke with a run of the next row.
    fn joined_with(self, run: &Run, y: i64) -> Self {
        let wobble = self.wobble.max(self.wobble_to(run) as u32);
        Self { wobble, y1: y, x0: self.x0.max(run.x0), x1: self.x1.min(run.x1), ..self }
    }

    /// Whether length and thickness are those of a bar.
    pub(super) fn has_form_of_bar(&self, canvas: &Canvas, settings: &BarSettings) -> bool {
        let longest = (settings.max_width_share * canvas.width as f64) as i64;
        let thickest = (settings.max_thickness_share * canvas.height as f64).ceil() as i64;
        let (length, thickness) = (self.x1 - self.x0 + 1, self.y1 - self.y0 + 1);
        length <= longest && thickness <= thickest && settings.min_aspect * thickness as f64 <= length as f64
    }

    /// The stroke with what there is of it beyond narrow marks that cross it, such as the lines of a grid.
    pub(super) fn beyond_crossings(&self, canvas: &Canvas, settings: &BarSettings) -> Self {
        let widest = i64::from(settings.crossing_px);
        if widest == 0 {
            return self.clone();
        }
        let own = |x: i64| {
            (0..canvas.width).contains(&x)
                && gap(canvas.column(x, self.y0, self.y1), self.colour) <= settings.colour_tolerance
        };
        let count =
            |x: i64, step: i64, is_own: bool| (0..=widest).take_while(|k| own(x + k * step) == is_own).count() as i64;
        let end = |mut end: i64, step: i64| loop {
            let crossing = count(end + step, step, false);
            let beyond = count(end + step * (1 + crossing), step, true);
            // More must lie beyond than was crossed.
            if widest < crossing || beyond <= crossing {
                return end;
            }
            end += step * (crossing + beyond);
        };
        Self { x0: end(self.x0, -1), x1: end(self.x1, 1), ..self.clone() }
    }

    /// Share of the length at which the stroke stands out both above and below.
    pub(super) fn clearness(&self, canvas: &Canvas, settings: &BarSettings) -> f64 {
        let side = |y: i64| {
            let clear = (self.x0..=self.x1).filter(|x| settings.contrast <= gap(canvas.at(*x, y), self.colour)).count();
            clear as f64 / (self.x1 - self.x0 + 1) as f64
        };
        if self.y0 < 1 || canvas.height <= self.y1 + 1 {
            return 0.0;
        }
        // A bar at the bottom of an information bar may lie nearer to the frame than that.
        side((self.y0 - BESIDE_PX).max(0)).min(side((self.y1 + BESIDE_PX).min(canvas.height - 1)))
    }

    /// Whether the colour changes beyond both ends; ticks are as wide as the stroke is thick, so farther out counts too.
    pub(super) fn ends_stand_out(&self, canvas: &Canvas, settings: &BarSettings) -> bool {
        let differs = |x: i64| settings.contrast <= gap(canvas.column(x, self.y0, self.y1), self.colour);
        let thick = self.y1 - self.y0 + 1;
        let (left, right) = (self.x0 - BESIDE_PX, self.x1 + BESIDE_PX);
        0 <= left - thick && right + thick < canvas.width && differs(left) && differs(right)
    }

    /// Standard deviation of the grey along the middle row, 0..255, the ends left out.
    pub(super) fn spread(&self, canvas: &Canvas) -> f64 {
        let y = (self.y0 + self.y1) / 2;
        let values: Vec<f64> = (self.x0 + 2..=self.x1 - 2)
            .map(|x| canvas.at(x, y).iter().map(|v| f64::from(*v)).sum::<f64>() / 3.0)
            .collect();
        let mean = values.iter().sum::<f64>() / values.len().max(1) as f64;
        (values.iter().map(|v| (v - mean).powi(2)).sum::<f64>() / values.len().max(1) as f64).sqrt()
    }

    /// Share of the contrast at the edges above and below that falls within two pixels, 0..1: drawn edges are sharp.
    pub(super) fn sharpness(&self, canvas: &Canvas) -> f64 {
        const FAR_PX: i64 = 6;
        let side = |edge: i64, out: i64| {
            let mean = |y: i64| {
                let n = (self.x1 - self.x0 + 1) as f64;
                (self.x0..=self.x1).map(|x| gap(canvas.at(x, y), self.colour)).sum::<f64>() / n
            };
            let far = mean(edge + FAR_PX * out);
            if far <= 0.0 { 0.0 } else { (mean(edge + 2 * out) / far).min(1.0) }
        };
        side(self.y0, -1).min(side(self.y1, 1))
    }
}
