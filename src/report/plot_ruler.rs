//! A share of a whole on a ruler from 0 to 100 %: the value, its interval, and the single specimens above it.

use crate::page::plot::{self, Area, Drawn, INK, PAPER, SHEARED, SOFT, px, stroke, text};
use maud::Markup;
use plotters::prelude::*;
use plotters::style::text_anchor::{HPos, VPos};

/// What one ruler shows.
#[derive(Debug, Clone, Default)]
pub(crate) struct Ruler<'a> {
    /// Value, 0..1.
    pub value: Option<f64>,
    /// Interval, 0..1.
    pub interval: Option<(f64, f64)>,
    /// Single specimens, 0..1, shown as open circles above the ruler.
    pub singles: &'a [f64],
    /// What it shows, in words.
    pub alt: &'a str,
}

const WIDTH: f64 = 300.0;
const HEIGHT: f64 = 50.0;
const MARGIN: f64 = 16.0;
const LINE: f64 = 28.0;

fn x_of(share: f64) -> i32 {
    px(MARGIN + share.clamp(0.0, 1.0) * (WIDTH - 2.0 * MARGIN))
}

/// Draws the ruler.
pub(crate) fn ruler(what: &Ruler<'_>) -> Markup {
    plot::figure((WIDTH as u32, HEIGHT as u32), what.alt, |area| {
        scale(area)?;
        if let Some((low, high)) = what.interval {
            let band = [(x_of(low), px(LINE - 4.0)), (x_of(high), px(LINE + 4.0))];
            area.draw(&Rectangle::new(band, SHEARED.mix(0.28).filled()))?;
            plot::outline(area, band, stroke(SHEARED, 1.2))?;
        }
        for &single in what.singles {
            let at = (x_of(single), px(LINE - 17.0));
            area.draw(&Circle::new(at, px(3.2), PAPER.filled()))?;
            area.draw(&Circle::new(at, px(3.2), stroke(INK, 1.0)))?;
        }
        if let Some(value) = what.value {
            let x = x_of(value);
            area.draw(&Rectangle::new(
                [(x - px(2.2), px(LINE - 9.0)), (x + px(2.2), px(LINE + 9.0))],
                SHEARED.filled(),
            ))?;
        }
        Ok(())
    })
}

/// The ruler itself: a line with a tick every tenth.
fn scale(area: &Area<'_>) -> Drawn {
    area.draw(&PathElement::new(vec![(x_of(0.0), px(LINE)), (x_of(1.0), px(LINE))], stroke(INK, 1.0)))?;
    for tenth in 0..=10 {
        let x = x_of(f64::from(tenth) / 10.0);
        let length = if tenth % 5 == 0 { 7.0 } else { 4.0 };
        area.draw(&PathElement::new(vec![(x, px(LINE)), (x, px(LINE + length))], stroke(INK, 0.8)))?;
    }
    for (share, words) in [(0.0, "0 %"), (0.5, "50"), (1.0, "100 %")] {
        let style = text(10.5, SOFT, HPos::Center, VPos::Top);
        area.draw(&Text::new(words, (x_of(share), px(LINE + 10.0)), style))?;
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_value_stands_at_its_place() {
        let svg =
            ruler(&Ruler { value: Some(0.25), interval: Some((0.0, 0.5)), singles: &[0.5], alt: "a" }).into_string();
        // 16 + 0.25 * 268 = 83 px, less half the bar's 4.4 px.
        assert!(svg.contains("<rect x=\"808\""), "{svg}");
        // The interval reaches from the left end over 134 px.
        assert!(svg.contains("<rect x=\"160\" y=\"240\" width=\"1340\" height=\"80\""), "{svg}");
        assert!(svg.contains("<circle cx=\"1500\""));
    }

    #[test]
    fn nothing_known_is_an_empty_ruler() {
        let svg = ruler(&Ruler::default()).into_string();
        assert!(!svg.contains("<circle") && !svg.contains("<rect"));
    }
}
