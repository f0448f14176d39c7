//! The shapes of the marks: what stands for a sheared, a tensile and an unclear end.

use super::canvas::{Colour, Stroke};
use crate::measure::Drawn;
use crate::table::EndRow;
use crate::tree::Label;
use crate::units::Point;

/// One end to mark.
#[derive(Debug, Clone, Copy)]
pub struct Mark<'a> {
    /// Its row.
    pub row: &'a EndRow,
    /// Its traced lines, where known.
    pub drawn: &'a Drawn,
}

/// Colours that people with any colour vision tell apart (Okabe and Ito 2008): sky blue, vermillion lightened for
/// dark grounds, yellow. Shapes differ too, so that a grey print still reads.
pub(super) fn colour(label: Label) -> Colour {
    match label {
        Label::Sheared => [86, 180, 233],
        Label::Tensile => [243, 110, 33],
        Label::Unclear => [240, 228, 66],
    }
}

/// Sizes of one mark, px.
#[derive(Debug, Clone, Copy)]
pub(super) struct Size {
    /// Shaft diameter.
    pub diameter: f64,
    /// Half width of the strong lines.
    pub strong: f32,
    /// Half width of the thin ones.
    pub thin: f32,
    /// Width of the rim around lines.
    pub rim: f32,
    /// Whether there is room for axis and width.
    pub roomy: bool,
}

/// All lines of one mark.
pub(super) fn strokes(mark: &Mark<'_>, size: Size) -> Vec<Stroke> {
    let mut strokes = Vec::new();
    if size.roomy {
        strokes.extend(axis_and_width(mark, size));
    } else {
        strokes.push(stem(mark, size));
    }
    strokes.extend(head(mark.row.label, tip(mark), mark.row.axis_deg, end_line(mark, size), size));
    strokes
}

pub(super) fn tip(mark: &Mark<'_>) -> Point {
    Point::new(mark.row.x_px, mark.row.y_px)
}

/// Thin and short: where the shaft comes from, so that a mark in a crowd still tells its fibre.
fn stem(mark: &Mark<'_>, size: Size) -> Stroke {
    let tip = tip(mark);
    let points = vec![tip, tip.towards(mark.row.axis_deg + 180.0, 2.2 * size.diameter)];
    Stroke { points, half_width: size.thin, colour: colour(mark.row.label) }
}

/// Thin: the shaft's course over the last diameters, and its width as a tick with feet where it was measured.
fn axis_and_width(mark: &Mark<'_>, size: Size) -> Vec<Stroke> {
    let (tip, back, d) = (tip(mark), mark.row.axis_deg + 180.0, size.diameter);
    let traced: Vec<Point> =
        mark.drawn.centre_line.iter().copied().take_while(|p| p.distance(tip) <= 3.2 * d).collect();
    let course = if 2 <= traced.len() { traced } else { vec![tip, tip.towards(back, 3.2 * d)] };
    let thin = |points| Stroke { points, half_width: size.thin, colour: colour(mark.row.label) };
    // Measured between 1.5 and 4 diameters behind the tip: shown in between.
    let at = course.iter().copied().find(|p| 2.6 * d <= p.distance(tip)).unwrap_or(tip.towards(back, 2.6 * d));
    let across = mark.row.axis_deg + 90.0;
    let (left, right) = (at.towards(across, d / 2.0), at.towards(across, -d / 2.0));
    let foot = 0.22 * d;
    vec![
        thin(course),
        thin(vec![left, right]),
        thin(vec![left.towards(back, foot), left.towards(back, -foot)]),
        thin(vec![right.towards(back, foot), right.towards(back, -foot)]),
    ]
}

/// The fitted straight edge of the end, or a square one where none was fitted.
fn end_line(mark: &Mark<'_>, size: Size) -> (Point, Point) {
    mark.drawn.end_line.unwrap_or_else(|| square_edge(tip(mark), mark.row.axis_deg, size.diameter))
}

fn square_edge(tip: Point, axis_deg: f64, diameter: f64) -> (Point, Point) {
    (tip.towards(axis_deg + 90.0, diameter / 2.0), tip.towards(axis_deg - 90.0, diameter / 2.0))
}

/// Strong: a bar along the cut, a cap over the bulb, or a diamond around the question.
fn head(label: Label, tip: Point, axis_deg: f64, (a, b): (Point, Point), size: Size) -> Vec<Stroke> {
    let d = size.diameter;
    let stroke = |points, half_width| Stroke { points, half_width, colour: colour(label) };
    let dot = stroke(vec![tip], size.strong * 1.1);
    match label {
        Label::Sheared => {
            let along = (b.y - a.y).atan2(b.x - a.x).to_degrees();
            let over = 0.3 * d;
            vec![stroke(vec![a.towards(along, -over), b.towards(along, over)], size.strong), dot]
        }
        Label::Tensile => {
            let arc = (-6..=6).map(|i| tip.towards(axis_deg + f64::from(i) * 17.0, 0.95 * d)).collect();
            vec![stroke(arc, size.strong), dot]
        }
        Label::Unclear => {
            let mut corners: Vec<Point> = (0..=4).map(|i| tip.towards(f64::from(i) * 90.0, 0.9 * d)).collect();
            corners[4] = corners[0];
            vec![stroke(corners, size.strong * 0.8)]
        }
    }
}

/// A mark by itself, pointing right, for the legend.
pub(super) fn sample(label: Label, at: Point, size: Size) -> Vec<Stroke> {
    head(label, at, 0.0, square_edge(at, 0.0, size.diameter), size)
}
