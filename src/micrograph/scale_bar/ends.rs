//! Stroke -> where it ends: middles of its ticks, or its outer edges to a fraction of a pixel.

use super::stroke::{Canvas, Stroke, gap};
use crate::settings::BarSettings;

/// How far from the end of a stroke its tick may stand, or its edge lie, px.
pub(super) const NEAR_PX: i64 = 6;

/// Middles of the ticks at both ends and their mean thickness, px; `None` unless there are two.
pub(super) fn ticks(canvas: &Canvas, stroke: &Stroke, settings: &BarSettings) -> Option<(f64, f64, f64)> {
    let left = tick(canvas, stroke, stroke.x0, settings)?;
    let right = tick(canvas, stroke, stroke.x1, settings)?;
    Some((left.middle, right.middle, (left.thickness + right.thickness) / 2.0))
}

/// A tick at one end.
struct Tick {
    middle: f64,
    thickness: f64,
}

/// Middle of the tick near one end: columns that carry the stroke's colour on beyond it, weighted by how much.
fn tick(canvas: &Canvas, stroke: &Stroke, end: i64, settings: &BarSettings) -> Option<Tick> {
    let reach = i64::from(settings.tick_reach_px);
    let above = (stroke.y0 - reach - 1, stroke.y0 - 2);
    let below = (stroke.y1 + 2, stroke.y1 + reach + 1);
    let sides: Vec<Tick> = [above, below]
        .into_iter()
        .filter_map(|(from, to)| middle_of(canvas, stroke, (end, from, to), settings))
        .collect();
    let n = sides.len() as f64;
    let mean = |value: fn(&Tick) -> f64| sides.iter().map(value).sum::<f64>() / n;
    (!sides.is_empty()).then(|| Tick { middle: mean(|t| t.middle), thickness: mean(|t| t.thickness) })
}

fn middle_of(
    canvas: &Canvas,
    stroke: &Stroke,
    (end, from, to): (i64, i64, i64),
    settings: &BarSettings,
) -> Option<Tick> {
    // Colour of the surroundings: the side of the end away from the stroke and the stroke's inner side, whichever is farther.
    let outside = [end - NEAR_PX - 2, end + NEAR_PX + 2].map(|x| canvas.column(x, from, to));
    if outside.iter().any(|c| gap(*c, stroke.colour) < settings.contrast) {
        return None;
    }
    let (mut sum, mut moment, mut full, mut first, mut last) = (0.0, 0.0, 0.0_f64, i64::MAX, i64::MIN);
    for x in end - NEAR_PX..=end + NEAR_PX {
        let share = (x - (end - NEAR_PX)) as f32 / (2 * NEAR_PX) as f32;
        let around = [0, 1, 2].map(|i| outside[0][i] * (1.0 - share) + outside[1][i] * share);
        let whole = gap(around, stroke.colour);
        let part = 1.0 - (gap(canvas.column(x, from, to), stroke.colour) / whole).min(1.0);
        full = full.max(part);
        // Faint traces of JPEG and of the surroundings' texture must not pull the middle.
        const TRACE: f64 = 0.25;
        if TRACE < part {
            sum += part;
            moment += part * x as f64;
            first = first.min(x);
            last = last.max(x);
        }
    }
    // A tick is a narrow upright stroke; a wide one is something that the bar runs into.
    const WIDEST: i64 = 8;
    const FULL: f64 = 0.6;
    (FULL <= full && last - first < WIDEST && 0.0 < sum).then(|| Tick { middle: moment / sum, thickness: sum })
}

/// Outer edges of a plain stroke, at half contrast, px.
pub(super) fn plain_edges(canvas: &Canvas, stroke: &Stroke) -> Option<(f64, f64)> {
    Some((edge(canvas, stroke, stroke.x0, -1)?, edge(canvas, stroke, stroke.x1, 1)?))
}

/// Where the colour is half way to its surroundings, going outwards from an end.
fn edge(canvas: &Canvas, stroke: &Stroke, end: i64, out: i64) -> Option<f64> {
    const INSIDE_PX: i64 = 3;
    const OUTSIDE_PX: i64 = 5;
    let (y0, y1) = if 3 <= stroke.y1 - stroke.y0 { (stroke.y0 + 1, stroke.y1 - 1) } else { (stroke.y0, stroke.y1) };
    let outside = canvas.column(end + OUTSIDE_PX * out, y0, y1);
    let whole = gap(outside, stroke.colour);
    let left_over = |x: i64| gap(canvas.column(x, y0, y1), stroke.colour) / whole;
    let mut before = left_over(end - INSIDE_PX * out);
    for step in -INSIDE_PX + 1..=OUTSIDE_PX {
        let x = end + step * out;
        let here = left_over(x);
        if before < 0.5 && 0.5 <= here {
            let part = (0.5 - before) / (here - before);
            return Some((x - out) as f64 + out as f64 * part);
        }
        before = here;
    }
    None
}
