//! Bulb ratio against cut angle: where sheared and tensile ends part.

use super::marks::{self, LABELS};
use crate::page::plot::{self, Axes};
use crate::table::EndRow;
use crate::tree::Label;
use maud::{Markup, html};

/// Ends with both measures: (label, size of the cut angle in degrees, bulb ratio).
pub(crate) fn points(ends: &[&EndRow]) -> Vec<(Label, f64, f64)> {
    ends.iter()
        .filter_map(|e| Some((e.label, e.features.get("cut_angle_deg")?.abs(), e.features.get("bulb_ratio")?)))
        .collect()
}

/// Draws the ends; `alt` says in words what the plot shows. Empty without ends that have both measures.
pub(crate) fn shape(points: &[(Label, f64, f64)], alt: &str) -> Markup {
    let Some(top) = points.iter().map(|p| p.2).max_by(f64::total_cmp) else { return html! {} };
    let low = points.iter().map(|p| p.2).fold(0.9, f64::min);
    let widest = points.iter().map(|p| p.1).fold(30.0, f64::max);
    plot::figure((340, 250), alt, |area| {
        let axes = Axes {
            x: 0.0..(widest / 10.0).ceil() * 10.0,
            y: (low * 5.0).floor() / 5.0..((top * 5.0).ceil() / 5.0).max(1.6),
            x_name: "cut angle from square, degrees",
            y_name: "bulb ratio (1 = no cap)",
            ticks: (6, 5),
            digits: (0, 1),
            mirrored: false,
        };
        let chart = plot::chart(area, &axes)?;
        // Unclear ends first, so that they never hide a verdict.
        for label in LABELS.into_iter().rev() {
            for &(_, angle, bulb) in points.iter().filter(|p| p.0 == label) {
                let at = chart.backend_coord(&(angle, bulb));
                marks::plot(area, label, at, 3.4)?;
            }
        }
        Ok(())
    })
}
