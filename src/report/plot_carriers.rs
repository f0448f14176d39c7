//! The carriers of one picture as a strip: one column each, filled from below by the share of its ends that were sheared.

use crate::page::plot::{self, Area, Drawn, INK, PAPER, SHEARED, SOFT, TENSILE, px, stroke, text};
use crate::table::CarrierRow;
use maud::{Markup, html};
use plotters::prelude::*;
use plotters::style::text_anchor::{HPos, VPos};

const COLUMN: f64 = 24.0;
const BODY: f64 = 58.0;
const TOP: f64 = 16.0;
const LEFT: f64 = 4.0;

/// Draws the strip, from the most to the least sheared carrier; `alt` says in words what it shows. Empty without carriers.
pub(crate) fn carriers(rows: &[&CarrierRow], alt: &str) -> Markup {
    if rows.is_empty() {
        return html! {};
    }
    let mut rows = rows.to_vec();
    rows.sort_by(|a, b| {
        let key = |r: &CarrierRow| r.sheared_fraction.unwrap_or(-1.0);
        key(b).total_cmp(&key(a)).then(a.carrier.cmp(&b.carrier))
    });
    let width = LEFT * 2.0 + COLUMN * rows.len() as f64;
    plot::figure((width.ceil() as u32, (TOP + BODY + 18.0) as u32), alt, |area| {
        for (i, row) in rows.iter().enumerate() {
            column(area, LEFT + COLUMN * i as f64 + 3.0, row)?;
        }
        Ok(())
    })
}

fn column(area: &Area<'_>, left: f64, row: &CarrierRow) -> Drawn {
    let (right, bottom) = (left + COLUMN - 6.0, TOP + BODY);
    let middle = px((left + right) / 2.0);
    let body = [(px(left), px(TOP)), (px(right), px(bottom))];
    area.draw(&Rectangle::new(body, PAPER.filled()))?;
    if let Some(share) = row.sheared_fraction {
        let split = bottom - BODY * share.clamp(0.0, 1.0);
        ruled(area, (left, right), (TOP, split))?;
        area.draw(&Rectangle::new([(px(left), px(split)), (px(right), px(bottom))], SHEARED.filled()))?;
    }
    plot::outline(area, body, stroke(INK, 1.0))?;
    let n = row.n_sheared + row.n_tensile + row.n_unclear;
    let style = text(10.0, SOFT, HPos::Center, VPos::Bottom);
    area.draw(&Text::new(format!("{n}"), (middle, px(TOP - 1.0)), style))?;
    let style = text(10.5, INK, HPos::Center, VPos::Top);
    area.draw(&Text::new(format!("{}", row.carrier), (middle, px(bottom + 4.0)), style))
}

/// The tensile part: ruled across, so that it differs from the solid sheared part without colour.
fn ruled(area: &Area<'_>, (left, right): (f64, f64), (top, bottom): (f64, f64)) -> Drawn {
    const STEP: f64 = 5.0;
    let mut y = bottom - 3.0;
    while y > top + 1.0 {
        area.draw(&PathElement::new(vec![(px(left + 2.0), px(y)), (px(right - 2.0), px(y))], stroke(TENSILE, 1.6)))?;
        y -= STEP;
    }
    Ok(())
}
