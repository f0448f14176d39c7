//! Where the fibres ended along the line: sheared ends counted upwards, tensile ends downwards.

use crate::page::plot::{self, Axes, INK, PAPER, SHEARED, TENSILE, px, stroke};
use crate::table::EndRow;
use crate::tree::Label;
use maud::Markup;
use plotters::prelude::*;

/// Bars along the line: enough to see a cluster, few enough for a handful of ends.
const BARS: usize = 16;

/// Positions of tips along the mean direction of their shafts.
#[derive(Debug, Clone, PartialEq, Default)]
pub(crate) struct Tips {
    /// Sheared ends.
    pub sheared: Vec<f64>,
    /// Tensile ends.
    pub tensile: Vec<f64>,
    /// Unit of the positions.
    pub unit: &'static str,
}

/// Positions of the labelled ends of one picture, 0 = the tip that lies deepest in the line; µm when the scale is known.
///
/// `None` when fewer than two ends are labelled, or their shafts have no common direction.
pub(crate) fn tips(ends: &[&EndRow], um_per_px: Option<f64>) -> Option<Tips> {
    let labelled: Vec<_> = ends.iter().filter(|e| e.label != Label::Unclear).collect();
    let (sin, cos) = labelled.iter().fold((0.0, 0.0), |(s, c), e| {
        let (sin, cos) = e.axis_deg.to_radians().sin_cos();
        (s + sin, c + cos)
    });
    let length = f64::hypot(sin, cos);
    if labelled.len() < 2 || length < f64::EPSILON {
        return None;
    }
    let along = |e: &EndRow| (e.x_px * cos + e.y_px * sin) / length * um_per_px.unwrap_or(1.0);
    let first = labelled.iter().map(|e| along(e)).fold(f64::INFINITY, f64::min);
    let of = |label| labelled.iter().filter(|e| e.label == label).map(|e| along(e) - first).collect();
    let unit = if um_per_px.is_some() { "µm" } else { "px" };
    Some(Tips { sheared: of(Label::Sheared), tensile: of(Label::Tensile), unit })
}

fn counts(values: &[f64], top: f64) -> [usize; BARS] {
    let mut bars = [0; BARS];
    for v in values {
        bars[((v / top * BARS as f64) as usize).min(BARS - 1)] += 1;
    }
    bars
}

/// Draws the two counts back to back; `alt` says in words what the plot shows.
pub(crate) fn along(tips: &Tips, alt: &str) -> Markup {
    let far = tips.sheared.iter().chain(&tips.tensile).copied().fold(0.0, f64::max).max(1.0);
    let (up, down) = (counts(&tips.sheared, far), counts(&tips.tensile, far));
    let most = up.iter().chain(&down).copied().max().unwrap_or(1).max(3) as f64;
    plot::figure((340, 250), alt, |area| {
        let axes = Axes {
            x: 0.0..far,
            y: -most * 1.05..most * 1.05,
            x_name: &format!("along the line towards the tip, {}", tips.unit),
            y_name: "ends: sheared up, tensile down",
            ticks: (5, 5),
            digits: (0, 0),
            mirrored: true,
        };
        let chart = plot::chart(area, &axes)?;
        let width = far / BARS as f64;
        for bar in 0..BARS {
            let (left, right) = (bar as f64 * width, (bar + 1) as f64 * width);
            let gap = px(1.0);
            let corner = |x: f64, y: f64| chart.backend_coord(&(x, y));
            let ((x0, y0), (x1, zero)) = (corner(left, up[bar] as f64), corner(right, 0.0));
            if up[bar] > 0 {
                area.draw(&Rectangle::new([(x0 + gap, y0), (x1 - gap, zero)], SHEARED.filled()))?;
            }
            if down[bar] > 0 {
                let y2 = corner(left, -(down[bar] as f64)).1;
                area.draw(&Rectangle::new([(x0 + gap, zero), (x1 - gap, y2)], PAPER.filled()))?;
                plot::outline(area, [(x0 + gap, zero), (x1 - gap, y2)], stroke(TENSILE, 1.4))?;
            }
        }
        let (left, zero) = chart.backend_coord(&(0.0, 0.0));
        let right = chart.backend_coord(&(far, 0.0)).0;
        area.draw(&PathElement::new(vec![(left, zero), (right, zero)], stroke(INK, 1.0)))
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn end(label: Label, x: f64, y: f64, axis_deg: f64) -> EndRow {
        EndRow {
            image: "a".into(),
            specimen: "s".into(),
            end: 1,
            x_px: x,
            y_px: y,
            axis_deg,
            label,
            quality: 1.0,
            counted: true,
            ..EndRow::default()
        }
    }

    #[test]
    fn positions_run_along_the_mean_axis_from_the_deepest_tip() {
        // Shafts point up the picture: smaller y is further out.
        let ends = [end(Label::Sheared, 0.0, 100.0, -85.0), end(Label::Tensile, 50.0, 40.0, -95.0)];
        let refs: Vec<&EndRow> = ends.iter().collect();
        let tips = tips(&refs, Some(0.5)).expect("two ends");
        assert_eq!(tips.unit, "µm");
        assert!((tips.sheared[0]).abs() < 1e-9 && (tips.tensile[0] - 30.0).abs() < 1e-9);
    }

    #[test]
    fn without_a_common_direction_there_is_no_plot() {
        let ends = [end(Label::Sheared, 0.0, 0.0, 0.0)];
        assert_eq!(tips(&[&ends[0]], None), None);
    }
}
