//! What all plots share: the drawing surface, colours, text, marks and axes.
//!
//! Colours are plain in the drawing; the style sheet of the page finds them by value and turns them for dark screens.

use super::html::escape;
use crate::tree::Label;
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
/// Unclear: grey.
pub(crate) const UNCLEAR: RGBColor = RGBColor(0x6B, 0x70, 0x78);

/// A surface to draw on, in units.
pub(crate) type Area<'a> = DrawingArea<SVGBackend<'a>, Shift>;
/// A surface with axes.
pub(crate) type Chart<'a, 'b> = ChartContext<'a, SVGBackend<'b>, Cartesian2d<RangedCoordf64, RangedCoordf64>>;
/// Drawing in memory fails only for our own faults; the page then says that a plot is missing.
pub(crate) type Drawn = Result<(), DrawingAreaErrorKind<std::io::Error>>;

/// Draws a plot of so many CSS pixels; `alt` says in words what it shows.
pub(crate) fn draw(size: (u32, u32), alt: &str, paint: impl FnOnce(&Area<'_>) -> Drawn) -> String {
    let mut raw = String::new();
    let units = (size.0 * UNITS as u32, size.1 * UNITS as u32);
    let painted = {
        let area = SVGBackend::with_string(&mut raw, units).into_drawing_area();
        paint(&area).and_then(|()| area.present())
    };
    match (painted, raw.split_once('>')) {
        (Ok(()), Some((_, inside))) => format!(
            "<svg class=\"plot\" viewBox=\"0 0 {} {}\" width=\"{}\" height=\"{}\" role=\"img\" aria-label=\"{}\">{}",
            units.0,
            units.1,
            size.0,
            size.1,
            escape(alt),
            // The library says what is the default; leaving it away makes a plot a third smaller.
            inside.replace("opacity=\"1\" ", "").replace(" font-family=\"sans-serif\"", "").replace('\n', "")
        ),
        _ => format!("<p class=\"none\">{}</p>", escape(alt)),
    }
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

/// Draws the mark of a label with its middle at a place, in units; `size` is half its width in CSS pixels.
pub(crate) fn mark(area: &Area<'_>, label: Label, at: (i32, i32), size: f64) -> Drawn {
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

/// Sets up axes with a faint ruling; the name of the vertical axis stands above it, where it can be read without turning the head.
pub(crate) fn chart<'a, 'b>(
    area: &'a Area<'b>,
    axes: &Axes<'_>,
) -> Result<Chart<'a, 'b>, DrawingAreaErrorKind<std::io::Error>> {
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
        .x_label_formatter(&move |v| super::html::fixed(*v, dx))
        .y_label_formatter(&move |v| super::html::fixed(if mirrored { v.abs() } else { *v }, dy))
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

    #[test]
    fn a_plot_is_well_formed_and_says_what_it_shows() {
        let svg = draw((100, 60), "\"a\" <b> & c", |area| {
            let axes = Axes {
                x: 0.0..1.0,
                y: -1.0..1.0,
                x_name: "x <m>",
                y_name: "y & z",
                ticks: (3, 3),
                digits: (1, 1),
                mirrored: false,
            };
            chart(area, &axes)?;
            for label in super::super::mark::LABELS {
                mark(area, label, (500, 300), 4.0)?;
            }
            Ok(())
        });
        assert!(svg.contains("aria-label=\"&quot;a&quot; &lt;b&gt; &amp; c\"") && svg.contains("x &lt;m&gt;"));
        let mut reader = quick_xml::Reader::from_str(&svg);
        loop {
            if reader.read_event().expect("well-formed") == quick_xml::events::Event::Eof {
                break;
            }
        }
    }
}
