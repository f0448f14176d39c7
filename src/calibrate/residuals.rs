//! Fitted ruling -> residual plot as SVG text.

use super::ruling::RulingFit;
use crate::page::plot::{self, Axes, INK, SHEARED, SOFT, px, stroke, text};
use plotters::prelude::*;
use plotters::style::text_anchor::{HPos, VPos};

/// Size of the plot, CSS px.
const SIZE: (u32, u32) = (720, 320);
/// Height of its title, CSS px.
const TITLE: f64 = 30.0;

/// Distance of every line from its place against its number, with the title given.
pub fn residual_plot(fit: &RulingFit, title: &str) -> String {
    let last = fit.lines.iter().map(|l| l.index).max().unwrap_or(1).max(1) as f64;
    let peak = fit.lines.iter().map(|l| l.residual_px.abs()).fold(0.0, f64::max);
    let reach = nice(peak * 1.1);
    plot::file(SIZE, title, "", |area| {
        let (top, below) = area.split_vertically(px(TITLE));
        top.draw(&Text::new(title.to_owned(), (px(8.0), px(8.0)), text(15.0, INK, HPos::Left, VPos::Top)))?;
        let axes = Axes {
            x: 0.0..last,
            y: -reach..reach,
            x_name: "line",
            y_name: "off its place, px",
            ticks: (9, 5),
            digits: (0, 3),
            mirrored: false,
        };
        let chart = plot::chart(&below, &axes)?;
        let at = |x: f64, y: f64| chart.backend_coord(&(x, y));
        area.draw(&PathElement::new(vec![at(0.0, 0.0), at(last, 0.0)], stroke(SOFT, 1.0)))?;
        for line in &fit.lines {
            area.draw(&Circle::new(at(line.index as f64, line.residual_px), px(3.2), SHEARED.filled()))?;
        }
        Ok(())
    })
}

/// The next number of the kind 1, 2, 5 times a power of ten.
fn nice(value: f64) -> f64 {
    if !(0.0 < value && value.is_finite()) {
        return 1e-3;
    }
    let power = 10.0_f64.powf(value.log10().floor());
    let step = [1.0, 2.0, 5.0, 10.0].into_iter().find(|s| value <= s * power * (1.0 + 1e-9)).unwrap_or(10.0);
    step * power
}
