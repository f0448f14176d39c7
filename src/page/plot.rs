//! What all plots share: the drawing surface, colours, text and axes.
//!
//! Colours are plain in the drawing; the style sheet of the page finds them by value and turns them for dark screens.

use super::values::fixed;
use maud::{Markup, PreEscaped, html};
use plotters::chart::ChartContext;
use plotters::coord::Shift;
use plotters::coord::types::RangedCoordf64;
use plotters::prelude::*;
use plotters::style::text_anchor::{HPos, Pos, VPos};
use std::ops::Range;

/// Units of the drawing per CSS pixel: the library draws on whole units, a tenth of a pixel is fine enough.
pub(crate) const UNITS: i32 = 10;

/// Text and axes.
pub(crate) const INK: RGBColor = RGBColor(0x1D, 0x24, 0x30);
/// Lesser text.
pub(crate) const SOFT: RGBColor = RGBColor(0x55, 0x5D, 0x69);
/// Grid lines.
pub(crate) const GRID: RGBColor = RGBColor(0xDD, 0xD9, 0xCC);
/// Fill of open marks.
pub(crate) const PAPER: RGBColor = RGBColor(0xFF, 0xFE, 0xFA);
/// Sheared: blue (Okabe and Ito 2008).
pub(crate) const SHEARED: RGBColor = RGBColor(0x00, 0x72, 0xB2);
/// Tensile: vermillion (Okabe and Ito 2008).
pub(crate) const TENSILE: RGBColor = RGBColor(0xD5, 0x5E, 0x00);
/// Unclear: yellow, dark enough for paper.
pub(crate) const UNCLEAR: RGBColor = RGBColor(0x94, 0x7D, 0x00);

/// A surface to draw on, in units.
pub(crate) type Area<'a> = DrawingArea<SVGBackend<'a>, Shift>;
/// A surface with axes.
pub(crate) type Chart<'a, 'b> = ChartContext<'a, SVGBackend<'b>, Cartesian2d<RangedCoordf64, RangedCoordf64>>;
/// Drawing in memory fails only for our own faults; the page then says that a plot is missing.
pub(crate) type Drawn = Result<(), DrawingAreaErrorKind<std::io::Error>>;

/// Draws a plot of so many CSS pixels for a page; `alt` says in words what it shows.
pub(crate) fn figure(size: (u32, u32), alt: &str, paint: impl FnOnce(&Area<'_>) -> Drawn) -> Markup {
    let units = (size.0 * UNITS as u32, size.1 * UNITS as u32);
    match drawing(units, paint) {
        Some(inside) => html! {
            svg.plot viewBox={ "0 0 " (units.0) " " (units.1) } width=(size.0) height=(size.1) role="img" aria-label=(alt) {
                (PreEscaped(inside))
            }
        },
        None => html! { p.none { (alt) } },
    }
}

/// Draws a plot of so many CSS pixels as a file of its own, on white. `alt` says in words what it shows, `description` what
/// else is to know (empty = nothing). Empty when it cannot be drawn.
pub(crate) fn file(size: (u32, u32), alt: &str, description: &str, paint: impl FnOnce(&Area<'_>) -> Drawn) -> String {
    let units = (size.0 * UNITS as u32, size.1 * UNITS as u32);
    let drawn = drawing(units, |area| {
        area.fill(&WHITE)?;
        paint(area)
    });
    let Some(inside) = drawn else { return String::new() };
    let file = html! {
        svg xmlns="http://www.w3.org/2000/svg" width=(size.0) height=(size.1) viewBox={ "0 0 " (units.0) " " (units.1) }
            font-family="sans-serif" role="img" aria-label=(alt) {
            @if !description.is_empty() { desc { (description) } }
            (PreEscaped(inside))
        }
    };
    file.into_string() + "\n"
}

/// What stands between the tags of the drawing.
fn drawing(units: (u32, u32), paint: impl FnOnce(&Area<'_>) -> Drawn) -> Option<String> {
    let mut raw = String::new();
    {
        let area = SVGBackend::with_string(&mut raw, units).into_drawing_area();
        paint(&area).and_then(|()| area.present()).ok()?;
    }
    let inside = raw.split_once('>')?.1.trim_end().strip_suffix("</svg>")?;
    // The library says what is the default; leaving it away makes a plot a third smaller.
    Some(inside.replace("opacity=\"1\" ", "").replace(" font-family=\"sans-serif\"", "").replace('\n', ""))
}

/// CSS pixels in units.
pub(crate) fn px(value: f64) -> i32 {
    (value * f64::from(UNITS)).round() as i32
}

/// A line of so many CSS pixels.
pub(crate) fn stroke(color: RGBColor, width: f64) -> ShapeStyle {
    color.stroke_width(px(width).max(1) as u32)
}

/// Text of a height in CSS pixels.
pub(crate) fn text(size: f64, color: RGBColor, across: HPos, down: VPos) -> TextStyle<'static> {
    // The SVG backend divides sizes by 1.24.
    let font = ("sans-serif", size * 1.24 * f64::from(UNITS)).into_font();
    let mut style = TextStyle::from(font).pos(Pos::new(across, down));
    style.color = color.to_backend_color();
    style
}

/// Draws the outline of a box: the SVG backend forgets the width of a rectangle's line.
pub(crate) fn outline(area: &Area<'_>, [a, b]: [(i32, i32); 2], style: ShapeStyle) -> Drawn {
    area.draw(&PathElement::new(vec![a, (b.0, a.1), b, (a.0, b.1), a], style))
}

/// What to write at the axes of a chart.
pub(crate) struct Axes<'a> {
    /// Range of the horizontal axis.
    pub x: Range<f64>,
    /// Range of the vertical axis.
    pub y: Range<f64>,
    /// Name and unit of the horizontal axis.
    pub x_name: &'a str,
    /// Name and unit of the vertical axis.
    pub y_name: &'a str,
    /// About how many numbers along each axis.
    pub ticks: (usize, usize),
    /// Decimals of the numbers along each axis.
    pub digits: (usize, usize),
    /// Whether the vertical axis counts away from zero both ways, so that no number there has a sign.
    pub mirrored: bool,
}

/// Farthest number that an axis may show: no angle, ratio or length of a picture comes near, and its digits would fill the
/// plot. The library that draws does not end where a step is smaller than what numbers of that size can tell apart.
const FARTHEST: f64 = 1e9;
/// Smallest share of its farthest number that an axis may span, for the same reason.
const NARROWEST: f64 = 1e-9;

fn can_be_ruled(axis: &Range<f64>) -> bool {
    let far = axis.start.abs().max(axis.end.abs());
    far <= FARTHEST && NARROWEST * far <= axis.end - axis.start
}

/// Sets up axes with a faint ruling; the name of the vertical axis stands above it, where it can be read without turning the head.
pub(crate) fn chart<'a, 'b>(
    area: &'a Area<'b>,
    axes: &Axes<'_>,
) -> Result<Chart<'a, 'b>, DrawingAreaErrorKind<std::io::Error>> {
    if !(can_be_ruled(&axes.x) && can_be_ruled(&axes.y)) {
        return Err(DrawingAreaErrorKind::LayoutError);
    }
    let mut chart = ChartBuilder::on(area)
        .margin_top(px(24.0))
        .margin_right(px(14.0))
        .margin_left(px(2.0))
        .x_label_area_size(px(38.0))
        .y_label_area_size(px(38.0))
        .build_cartesian_2d(axes.x.clone(), axes.y.clone())?;
    let small = text(11.0, SOFT, HPos::Center, VPos::Top);
    let ((dx, dy), mirrored) = (axes.digits, axes.mirrored);
    chart
        .configure_mesh()
        .x_labels(axes.ticks.0)
        .y_labels(axes.ticks.1)
        .x_label_formatter(&move |v| fixed(*v, dx))
        .y_label_formatter(&move |v| fixed(if mirrored { v.abs() } else { *v }, dy))
        .label_style(small)
        .axis_style(stroke(INK, 1.0))
        .bold_line_style(stroke(GRID, 0.8))
        .light_line_style(TRANSPARENT)
        .set_all_tick_mark_size(px(4.0))
        .draw()?;
    let (width, height) = area.dim_in_pixel();
    let name = text(11.5, INK, HPos::Left, VPos::Top);
    area.draw(&Text::new(axes.y_name.to_owned(), (px(2.0), px(3.0)), name))?;
    let name = text(11.5, INK, HPos::Right, VPos::Bottom);
    area.draw(&Text::new(axes.x_name.to_owned(), (width as i32 - px(14.0), height as i32 - px(2.0)), name))?;
    Ok(chart)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn axes() -> Axes<'static> {
        Axes {
            x: 0.0..1.0,
            y: -1.0..1.0,
            x_name: "x <m>",
            y_name: "y & z",
            ticks: (3, 3),
            digits: (1, 1),
            mirrored: false,
        }
    }

    fn well_formed(svg: &str) -> bool {
        let mut reader = quick_xml::Reader::from_str(svg);
        std::iter::from_fn(|| Some(reader.read_event())).find_map(|event| match event {
            Ok(quick_xml::events::Event::Eof) => Some(true),
            Err(_) => Some(false),
            Ok(_) => None,
        }) == Some(true)
    }

    #[test]
    fn a_plot_is_well_formed_and_says_what_it_shows() {
        let svg = figure((100, 60), "\"a\" <b> & c", |area| chart(area, &axes()).map(|_| ())).into_string();
        assert!(svg.contains("aria-label=\"&quot;a&quot; &lt;b&gt; &amp; c\"") && svg.contains("x &lt;m&gt;"));
        assert!(well_formed(&svg));
    }

    #[test]
    fn axes_that_cannot_be_ruled_leave_the_words() {
        for y in [0.0..1e308, f64::NAN..1.0, 1e8..1e8 + 1e-8, 0.0..f64::INFINITY] {
            let drawn = figure((100, 60), "words", |area| chart(area, &Axes { y: y.clone(), ..axes() }).map(drop));
            assert_eq!(drawn.into_string(), "<p class=\"none\">words</p>", "{y:?}");
        }
        assert!(can_be_ruled(&(-1e9..1e9)) && can_be_ruled(&(0.0..1e-6)));
    }

    #[test]
    fn a_file_stands_alone() {
        let svg = file((100, 60), "a", "b <c>", |area| chart(area, &axes()).map(|_| ()));
        assert!(svg.starts_with("<svg xmlns=") && svg.contains("y &amp; z") && well_formed(&svg));
        assert!(svg.contains("<desc>b &lt;c&gt;</desc>"));
    }
}
