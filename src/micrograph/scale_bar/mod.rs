//! Picture -> burnt-in scale bars and their length in pixels. The one search for them: what it finds is measured as a scale, and
//! is no fibre.
//!
//! A bar is a straight, level or upright stroke of one colour with sharp ends that stands out from what lies around it, plain
//! or with ticks at its ends, anywhere in the picture. Its real length is what the user says; the caption is not read.

mod bar;
mod beyond;
mod caption;
mod choice;
mod ends;
mod runs;
mod stroke;

use super::Micrograph;
use crate::settings::BarSettings;
use crate::units::{Point, PxBox};
pub use bar::ScaleBar;
use caption::Caption;
use choice::Candidate;
pub use choice::{NoBar, TakenFor};
use stroke::{Canvas, Stroke};

/// Programs differ in drawing a plain bar: most draw a line from the pixel of one end to that of the other, both included, which
/// is one pixel more than the length; some fill as many pixels as the length. The length is taken as from the first to the last
/// pixel, as with ticks, and its standard uncertainty is that of an even spread over 2 px (GUM 4.3.7).
const PLAIN_DRAWN_MORE_PX: f64 = 1.0;
const PLAIN_SPREAD_PX: f64 = 2.0;
/// Standard deviation of an even spread of width 1: 1 / √12. Bars with ticks may be meant from middle to middle or from
/// outer edge to outer edge, which is an even spread over the thickness of a tick.
const EVEN_SPREAD_SD: f64 = 0.288_675;

/// The scale bar of the picture; `None` when nothing looks like one, or it is not certain which stroke is it.
pub fn find_scale_bar(micrograph: &Micrograph, settings: &BarSettings) -> Option<ScaleBar> {
    choose_scale_bar(micrograph, settings).ok().map(|(bar, _)| bar)
}

/// As [`find_scale_bar`], with what it is taken for.
///
/// # Errors
/// When nothing looks like a scale bar, or it is not certain which stroke is it.
pub fn choose_scale_bar(micrograph: &Micrograph, settings: &BarSettings) -> Result<(ScaleBar, TakenFor), NoBar> {
    choice::choose(candidates(micrograph, settings), settings)
}

/// The scale bar at a place, px, within `at_share` of the longer side of the picture. It need not look much like one.
///
/// # Errors
/// When no stroke is there.
pub fn scale_bar_at(micrograph: &Micrograph, at: Point, settings: &BarSettings) -> Result<(ScaleBar, TakenFor), NoBar> {
    let any = BarSettings { min_score: 0.0, ..settings.clone() };
    let longer_side = f64::from(micrograph.grey.width().max(micrograph.grey.height()));
    choice::at(candidates(micrograph, &any), at, settings.at_share * longer_side)
}

/// Every stroke that looks like a scale bar, with what stands around it.
fn candidates(micrograph: &Micrograph, settings: &BarSettings) -> Vec<Candidate> {
    each_bar(micrograph, settings, |canvas, stroke, bar| Candidate {
        bar,
        caption: Caption::beside(canvas, stroke, settings),
        corner: stroke.corner(canvas, settings),
        runs_on: stroke.runs_on(canvas, settings),
    })
}

/// Every stroke of the picture that looks like a scale bar: level ones, then upright ones, each from top to bottom.
pub(super) fn bars(micrograph: &Micrograph, settings: &BarSettings) -> Vec<ScaleBar> {
    // A part of a bar is masked as it is; beyond what crosses it a fibre may go on.
    let uncrossed = BarSettings { crossing_px: 0, ..settings.clone() };
    each_bar(micrograph, &uncrossed, |_, _, bar| bar)
}

fn each_bar<T>(
    micrograph: &Micrograph,
    settings: &BarSettings,
    make: impl Fn(&Canvas, &Stroke, ScaleBar) -> T,
) -> Vec<T> {
    let mut found = Vec::new();
    for upright in [false, true] {
        let canvas = Canvas::new(micrograph, upright);
        for stroke in stroke::strokes(&canvas, settings) {
            let least = least_px(&canvas, &stroke, settings);
            // Its ends are looked for near those of the stroke.
            if ((stroke.x1 - stroke.x0 + 2 * ends::NEAR_PX) as f64) < least {
                continue;
            }
            let stroke = stroke.beyond_crossings(&canvas, settings);
            if !stroke.has_form_of_bar(&canvas, settings) {
                continue;
            }
            let Some(mut bar) = judge(&canvas, &stroke, micrograph, settings) else { continue };
            if bar.length_px < least {
                continue;
            }
            if upright {
                bar = set_upright(bar, settings);
            }
            if settings.min_score <= bar.score {
                found.push(make(&canvas, &stroke, bar));
            }
        }
    }
    found
}

/// Shortest stroke of its kind that can be a bar, px: upright strokes and single rows occur in letters and along fibres.
fn least_px(canvas: &Canvas, stroke: &Stroke, settings: &BarSettings) -> f64 {
    let longer_side = canvas.width.max(canvas.height) as f64;
    let doubtful = canvas.is_turned() || stroke.y0 == stroke.y1;
    longer_side * if doubtful { settings.doubtful_least_share } else { settings.least_share }
}

/// A bar of the turned canvas in the picture's own frame. Most bars lie level, so an upright one must look the better.
fn set_upright(bar: ScaleBar, settings: &BarSettings) -> ScaleBar {
    let PxBox { x0, y0, x1, y1 } = bar.area;
    let area = PxBox { x0: y0, y0: x0, x1: y1, y1: x1 };
    ScaleBar { area, upright: true, score: bar.score - settings.upright_charge, ..bar }
}

/// Length and score of a stroke.
fn judge(canvas: &Canvas, stroke: &Stroke, micrograph: &Micrograph, settings: &BarSettings) -> Option<ScaleBar> {
    if !stroke.ends_stand_out(canvas, settings) {
        return None;
    }
    let clear = stroke.clearness(canvas, settings);
    if clear < settings.clear_share {
        return None;
    }
    let ticks = ends::ticks(canvas, stroke, settings);
    let (left_px, right_px, length_px, length_u_px) = match ticks {
        Some((left, right, thickness)) => (left, right, right - left, thickness * EVEN_SPREAD_SD),
        None => {
            let (left, right) = ends::plain_edges(canvas, stroke)?;
            (left, right, right - left - PLAIN_DRAWN_MORE_PX, PLAIN_SPREAD_PX * EVEN_SPREAD_SD)
        }
    };
    let (left, right) = ((stroke.x0 - 1).max(0) as u32, (stroke.x1 + 2) as u32);
    let area = PxBox { x0: left, y0: stroke.y0 as u32, x1: right.min(canvas.width as u32), y1: stroke.y1 as u32 + 1 };
    let (x, y) = (f64::from(area.x0 + area.x1) / 2.0, f64::from(area.y0 + area.y1) / 2.0);
    let middle = if canvas.is_turned() { Point::new(y, x) } else { Point::new(x, y) };
    let written = micrograph.burnt_in.iter().any(|b| b.contains(middle));
    Some(ScaleBar {
        area,
        upright: false,
        left_px,
        right_px,
        length_px,
        length_u_px,
        ticks: ticks.is_some(),
        // Where much of one side touches something of its own colour it may be the rest of a larger shape.
        score: score(canvas, stroke, ticks.is_some(), written) * clear,
    })
}

/// How bar-like a stroke is. Every part is a share of 0..1; the weights say what tells most (ours, from training pictures).
fn score(canvas: &Canvas, stroke: &Stroke, ticks: bool, written: bool) -> f64 {
    const WEIGHTS: [f64; 5] = [0.25, 0.2, 0.15, 0.25, 0.15];
    // Written colours are even; light on fibres drifts.
    let even = 1.0 - (stroke.spread(canvas) / 12.0).min(1.0);
    // Written strokes are several rows thick and end in one column.
    let sharp = stroke.sharpness(canvas);
    // Bars stand near the edge of the picture or on an information bar.
    let middle = (stroke.y0 + stroke.y1) as f64 / 2.0;
    let from_edge = middle.min(canvas.height as f64 - middle) / (canvas.height as f64 / 2.0);
    let placed = if written { 1.0 } else { 1.0 - from_edge };
    let square = if 2 <= stroke.y1 - stroke.y0 + 1 { 1.0 - f64::from(stroke.wobble) / 2.0 } else { 0.3 };
    let parts = [even, sharp, square, if ticks { 1.0 } else { 0.4 }, placed];
    parts.iter().zip(WEIGHTS).map(|(p, w)| p.clamp(0.0, 1.0) * w).sum()
}
