//! Fitted ruling -> residual plot as SVG text.

use super::ruling::RulingFit;
use std::fmt::Write;

/// Size of the plot and its margins, SVG units.
const WIDTH: f64 = 720.0;
const HEIGHT: f64 = 320.0;
const LEFT: f64 = 70.0;
const RIGHT: f64 = 20.0;
const TOP: f64 = 46.0;
const BOTTOM: f64 = 48.0;

/// Distance of every line from its place against its number, with the title given.
pub fn residual_plot(fit: &RulingFit, title: &str) -> String {
    let last = fit.lines.iter().map(|l| l.index).max().unwrap_or(1).max(1) as f64;
    let peak = fit.lines.iter().map(|l| l.residual_px.abs()).fold(0.0, f64::max);
    let reach = nice(peak * 1.1);
    let x = |index: f64| LEFT + (WIDTH - LEFT - RIGHT) * index / last;
    let y = |residual: f64| TOP + (HEIGHT - TOP - BOTTOM) * (0.5 - residual / reach / 2.0);
    let mut svg = String::new();
    let _ = write!(
        svg,
        "<svg xmlns=\"http://www.w3.org/2000/svg\" viewBox=\"0 0 {WIDTH} {HEIGHT}\" font-family=\"sans-serif\" \
         font-size=\"13\" fill=\"#222\">\n<rect width=\"{WIDTH}\" height=\"{HEIGHT}\" fill=\"#fff\"/>\n\
         <text x=\"{LEFT}\" y=\"24\" font-size=\"15\">{}</text>\n",
        escape(title)
    );
    for level in [-1.0, -0.5, 0.0, 0.5, 1.0] {
        let (at, value) = (y(level * reach), level * reach);
        let stroke = if level == 0.0 { "#666" } else { "#ddd" };
        let _ = writeln!(
            svg,
            "<line x1=\"{LEFT}\" x2=\"{:.1}\" y1=\"{at:.1}\" y2=\"{at:.1}\" stroke=\"{stroke}\"/>\
             <text x=\"{:.1}\" y=\"{:.1}\" text-anchor=\"end\">{value:.3}</text>",
            WIDTH - RIGHT,
            LEFT - 6.0,
            at + 4.0
        );
    }
    let step = (nice(last / 8.0)).max(1.0);
    let mut tick = 0.0;
    while tick <= last {
        let _ = writeln!(
            svg,
            "<text x=\"{:.1}\" y=\"{:.1}\" text-anchor=\"middle\">{tick:.0}</text>",
            x(tick),
            HEIGHT - BOTTOM + 18.0
        );
        tick += step;
    }
    for line in &fit.lines {
        let (cx, cy) = (x(line.index as f64), y(line.residual_px));
        let _ = writeln!(svg, "<circle cx=\"{cx:.1}\" cy=\"{cy:.1}\" r=\"3.2\" fill=\"#1f6f8b\"/>");
    }
    let _ = write!(
        svg,
        "<text x=\"{:.1}\" y=\"{:.1}\" text-anchor=\"middle\">line</text>\n\
         <text x=\"16\" y=\"{:.1}\" text-anchor=\"middle\" transform=\"rotate(-90 16 {:.1})\">off its place, px</text>\n</svg>\n",
        (LEFT + WIDTH - RIGHT) / 2.0,
        HEIGHT - 10.0,
        (TOP + HEIGHT - BOTTOM) / 2.0,
        (TOP + HEIGHT - BOTTOM) / 2.0
    );
    svg
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

fn escape(text: &str) -> String {
    text.replace('&', "&amp;").replace('<', "&lt;").replace('>', "&gt;")
}
