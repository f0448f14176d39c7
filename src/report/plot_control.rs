//! The control chart of one kind of control: wrong labels over time, with the limits of the first run.

use crate::page::plot::{self, Axes, INK, PAPER, SHEARED, SOFT, TENSILE, px, stroke};
use crate::stats::control_chart::Chart;
use plotters::prelude::*;

/// Draws the chart as an SVG file of its own; `names` are the specimens in their order, `alt` says in words what is shown.
pub fn control_chart_svg(chart: &Chart, names: &[String], alt: &str) -> String {
    let top = chart.points.iter().map(|p| p.value.max(p.high)).fold(0.05, f64::max);
    let n = chart.points.len() as f64;
    // A file of its own says which number is which specimen.
    let list: Vec<String> = names.iter().enumerate().map(|(i, name)| format!("{}: {name}", i + 1)).collect();
    plot::file((680, 300), alt, &list.join("; "), |area| {
        let axes = Axes {
            x: 0.0..n + 1.0,
            y: 0.0..(100.0 * top * 1.1).ceil().min(100.0),
            x_name: "control specimens in their order in time",
            y_name: "wrong labels, % (line: centre, steps: control limits, filled: outside)",
            ticks: (chart.points.len().min(12) + 1, 5),
            digits: (0, 0),
            mirrored: false,
        };
        let drawn = plot::chart(area, &axes)?;
        let at = |x: f64, y: f64| drawn.backend_coord(&(x, 100.0 * y));
        area.draw(&PathElement::new(vec![at(0.5, chart.centre), at(n + 0.5, chart.centre)], stroke(INK, 1.2)))?;
        for (i, point) in chart.points.iter().enumerate() {
            let x = i as f64 + 1.0;
            for limit in [point.low, point.high] {
                area.draw(&PathElement::new(vec![at(x - 0.5, limit), at(x + 0.5, limit)], stroke(SOFT, 1.0)))?;
            }
        }
        let line: Vec<_> = chart.points.iter().enumerate().map(|(i, p)| at(i as f64 + 1.0, p.value)).collect();
        area.draw(&PathElement::new(line.clone(), stroke(SHEARED, 1.0)))?;
        for (place, point) in line.into_iter().zip(&chart.points) {
            let (fill, size) = if point.outside { (TENSILE, 5.0) } else { (PAPER, 4.0) };
            area.draw(&Circle::new(place, px(size), fill.filled()))?;
            area.draw(&Circle::new(place, px(size), stroke(if point.outside { TENSILE } else { SHEARED }, 1.4)))?;
        }
        Ok(())
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::stats::control_chart::{Count, control_chart};

    #[test]
    fn the_chart_is_a_well_formed_file() {
        let counts = [3, 5, 4, 40].map(|wrong| Count { wrong, of: 100 });
        let chart = control_chart(&counts, 3).unwrap();
        let names = ["A <1>", "B", "C", "D"].map(str::to_owned);
        let svg = control_chart_svg(&chart, &names, "wrong labels of scissor cuts");
        assert!(svg.starts_with("<svg xmlns=") && svg.contains("1: A &lt;1&gt;"));
        let mut reader = quick_xml::Reader::from_str(&svg);
        while reader.read_event().expect("well-formed") != quick_xml::events::Event::Eof {}
    }
}
