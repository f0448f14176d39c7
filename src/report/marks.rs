//! The marks of sheared, tensile and unclear ends: told apart by shape first, by colour second.
//!
//! Sheared: a flat bar across the fibre. Tensile: a round cap. Unclear: an open diamond.
//! The colours are two that colour-blind people tell apart (Okabe and Ito 2008): blue and vermillion.

use crate::page::plot::{Area, Drawn, PAPER, SHEARED, TENSILE, UNCLEAR, px, stroke};
use crate::tree::Label;
use crate::units::Point;
use maud::{Markup, html};
use plotters::prelude::*;
use std::fmt::Write as _;

/// Every label in the order in which the page shows them.
pub(crate) const LABELS: [Label; 3] = [Label::Sheared, Label::Tensile, Label::Unclear];

/// Class name of a label's marks.
pub(crate) fn class(label: Label) -> &'static str {
    match label {
        Label::Sheared => "m-s",
        Label::Tensile => "m-t",
        Label::Unclear => "m-u",
    }
}

/// Appends the outline of one mark to the data of an SVG path.
///
/// `tip` and `size` (half the width of the mark) in the units of the drawing; `axis_deg` out of the fibre.
pub(crate) fn append(path: &mut String, label: Label, tip: Point, axis_deg: f64, size: f64) {
    let out = |along: f64, across: f64| tip.towards(axis_deg, along * size).towards(axis_deg + 90.0, across * size);
    let p = |q: Point| format!("{:.1} {:.1}", q.x, q.y);
    let _ = match label {
        Label::Sheared => write!(path, "M{}L{}", p(out(0.35, -1.1)), p(out(0.35, 1.1))),
        Label::Tensile => {
            let r = size * 0.95;
            write!(path, "M{}A{r:.1} {r:.1} 0 0 1 {}", p(out(-0.2, -0.95)), p(out(-0.2, 0.95)))
        }
        Label::Unclear => {
            write!(path, "M{}L{}L{}L{}Z", p(out(0.9, 0.0)), p(out(0.0, 0.9)), p(out(-0.9, 0.0)), p(out(0.0, -0.9)))
        }
    };
}

/// A small mark to stand in a line of text, hidden from screen readers (its word stands beside it).
pub(crate) fn inline(label: Label) -> Markup {
    let mut path = String::new();
    append(&mut path, label, Point::new(8.0, 9.0), -90.0, 6.0);
    html! { svg.mk viewBox="0 0 16 16" aria-hidden="true" { path class=(class(label)) d=(path) {} } }
}

/// The key to the marks.
pub(crate) fn key() -> Markup {
    let meaning = |label| match label {
        Label::Sheared => "sheared: a flat bar across the fibre",
        Label::Tensile => "tensile: a round cap",
        Label::Unclear => "unclear: an open diamond",
    };
    html! {
        ul.key aria-label="Key to the marks" {
            @for label in LABELS { li { (inline(label)) (meaning(label)) } }
        }
    }
}

/// Draws the mark of a label in a plot with its middle at a place, in units; `size` is half its width in CSS pixels.
pub(crate) fn plot(area: &Area<'_>, label: Label, at: (i32, i32), size: f64) -> Drawn {
    let (x, y) = at;
    let r = px(size);
    match label {
        Label::Sheared => {
            let h = px(size * 0.42);
            area.draw(&Rectangle::new([(x - r, y - h), (x + r, y + h)], SHEARED.filled()))
        }
        Label::Tensile => {
            area.draw(&Circle::new(at, r, PAPER.filled()))?;
            area.draw(&Circle::new(at, r, stroke(TENSILE, 1.4)))
        }
        Label::Unclear => {
            let corners = vec![(x, y - r), (x + r, y), (x, y + r), (x - r, y), (x, y - r)];
            area.draw(&PathElement::new(corners, stroke(UNCLEAR, 1.0)))
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_bar_lies_across_the_fibre() {
        let mut path = String::new();
        append(&mut path, Label::Sheared, Point::new(10.0, 10.0), 0.0, 10.0);
        // Axis along +x: the bar stands upright, 3.5 beyond the tip.
        assert_eq!(path, "M13.5 -1.0L13.5 21.0");
    }

    #[test]
    fn the_cap_bulges_outwards() {
        // Axis up the picture: from left to right, clockwise (sweep 1) goes over the top.
        let mut path = String::new();
        append(&mut path, Label::Tensile, Point::new(0.0, 0.0), -90.0, 10.0);
        assert_eq!(path, "M-9.5 2.0A9.5 9.5 0 0 1 9.5 2.0");
    }
}
