//! Knot efficiency against the share of fibres left whole: did the knot break as "cut first, then overloaded"?

use crate::page::plot::{self, Area, Axes, Chart, Drawn, INK, PAPER, SHEARED, SOFT, px, stroke, text};
use maud::Markup;
use plotters::prelude::*;
use plotters::style::text_anchor::{HPos, VPos};

/// One knot with both figures.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct KnotPoint {
    /// Letters that stand for the knot in the plot; no ranking.
    pub key: String,
    /// 1 − sheared fraction, 0..1.
    pub whole: f64,
    /// Its interval.
    pub whole_range: Option<(f64, f64)>,
    /// Knot efficiency.
    pub efficiency: f64,
    /// Its interval.
    pub efficiency_range: Option<(f64, f64)>,
}

/// A curve of capacity against the share of carriers left: (share left, share of the load), and its name.
#[derive(Debug, Clone, Default, PartialEq)]
pub(crate) struct Curve {
    /// Places, from none to all carriers left.
    pub places: Vec<(f64, f64)>,
}

/// Draws knots, the line η = 1 − f and the bundle curve; `alt` says in words what the plot shows.
pub(crate) fn capacity(knots: &[KnotPoint], bundle: &Curve, alt: &str) -> Markup {
    let highest = knots.iter().map(|k| k.efficiency_range.map_or(k.efficiency, |r| r.1)).fold(1.0, f64::max);
    // Far out intervals are cut off at the frame rather than squeezing everything else.
    let top = (highest.min(1.4) * 10.0).ceil() * 10.0;
    plot::figure((430, 380), alt, |area| {
        let axes = Axes {
            x: 0.0..100.0,
            y: 0.0..top,
            x_name: "fibres not sheared, % (100 \u{2212} sheared)",
            y_name: "knot efficiency, % of the straight pull",
            ticks: (6, 6),
            digits: (0, 0),
            mirrored: false,
        };
        let chart = plot::chart(area, &axes)?;
        let at = |x: f64, y: f64| chart.backend_coord(&(x * 100.0, (y * 100.0).min(top)));
        area.draw(&PathElement::new(vec![at(0.0, 0.0), at(1.0, 1.0)], stroke(INK, 1.4)))?;
        for pair in bundle.places.windows(2) {
            dashes(area, at(pair[0].0, pair[0].1), at(pair[1].0, pair[1].1))?;
        }
        for knot in knots {
            cross(area, &chart, knot, top)?;
        }
        keys(area, &chart, knots, top)
    })
}

/// A dashed straight piece.
fn dashes(area: &Area<'_>, (x0, y0): (i32, i32), (x1, y1): (i32, i32)) -> Drawn {
    let length = f64::from(x1 - x0).hypot(f64::from(y1 - y0));
    let dash = f64::from(px(5.0));
    let n = ((length / dash / 2.0).round() as usize).max(1);
    for i in 0..n {
        let (a, b) = (i as f64 / n as f64, (i as f64 + 0.55) / n as f64);
        let place = |t: f64| (x0 + (f64::from(x1 - x0) * t) as i32, y0 + (f64::from(y1 - y0) * t) as i32);
        area.draw(&PathElement::new(vec![place(a), place(b)], stroke(SOFT, 1.4)))?;
    }
    Ok(())
}

/// The intervals of a knot in both directions.
fn cross(area: &Area<'_>, chart: &Chart<'_, '_>, knot: &KnotPoint, top: f64) -> Drawn {
    let at = |x: f64, y: f64| chart.backend_coord(&(x.clamp(0.0, 1.0) * 100.0, (y * 100.0).clamp(0.0, top)));
    if let Some((low, high)) = knot.whole_range {
        let line = vec![at(low, knot.efficiency), at(high, knot.efficiency)];
        area.draw(&PathElement::new(line, stroke(SHEARED, 1.2)))?;
    }
    if let Some((low, high)) = knot.efficiency_range {
        let line = vec![at(knot.whole, low), at(knot.whole, high)];
        area.draw(&PathElement::new(line, stroke(SHEARED, 1.2)))?;
    }
    Ok(())
}

/// The knots themselves: its initials in a disc, over all intervals.
fn keys(area: &Area<'_>, chart: &Chart<'_, '_>, knots: &[KnotPoint], top: f64) -> Drawn {
    for knot in knots {
        let at = chart.backend_coord(&(knot.whole * 100.0, (knot.efficiency * 100.0).min(top)));
        area.draw(&Circle::new(at, px(8.5), PAPER.filled()))?;
        area.draw(&Circle::new(at, px(8.5), stroke(SHEARED, 1.6)))?;
        let style = text(if knot.key.len() > 1 { 9.0 } else { 11.0 }, INK, HPos::Center, VPos::Center);
        area.draw(&Text::new(knot.key.clone(), at, style))?;
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_efficiency_far_out_stays_in_the_frame() {
        let knot = KnotPoint {
            key: "A".into(),
            whole: 0.5,
            whole_range: None,
            efficiency: 9.0,
            efficiency_range: Some((0.5, 50.0)),
        };
        let svg = capacity(&[knot], &Curve::default(), "a").into_string();
        assert!(!svg.contains("cy=\"-") && svg.contains(">A<") || svg.contains("A</text>"), "{svg}");
    }
}
