//! One section for each knot: its figures, its specimens on rulers, how it compares, then each specimen.

use super::context::Context;
use super::html::{self, escape, name};
use super::plot_ruler::{Ruler, ruler};
use super::section_answer::knot_name;
use super::{section_specimen, warn, words};
use crate::table::FaceVerdict;
use std::fmt::Write as _;

/// The sections of all knots, in order.
pub(crate) fn sections(context: &Context<'_>) -> String {
    (0..context.story.knots.len()).map(|i| section(context, i)).collect()
}

fn section(context: &Context<'_>, index: usize) -> String {
    let knot = &context.story.knots[index];
    let mut out = format!(
        "<section class=\"knot\" id=\"knot-{n}\" aria-labelledby=\"knot-{n}-h\">\n<h2 id=\"knot-{n}-h\">{}. {}</h2>\n",
        super::plot_capacity::letter(index),
        knot_name(context, knot),
        n = index + 1
    );
    if let Some(row) = knot.row {
        let verdict = row.verdict.map(FaceVerdict::word);
        let _ = write!(out, "<p class=\"lead\">{}</p>\n", escape(&words::sentence(row.sheared_fraction, verdict)));
        out.push_str(&warn::explained(&row.flags));
        out.push_str(&figures(row));
        out.push_str(&context.reviewed.of_knot(&row.knot, row.line.as_deref()));
    }
    out.push_str(&specimens(context, index));
    out.push_str(&pairs(context, index));
    for &specimen in &knot.specimens {
        out.push_str(&section_specimen::article(context, specimen));
    }
    out.push_str("</section>\n");
    out
}

fn figures(row: &crate::table::KnotRow) -> String {
    let n = |v: u32| format!("<data value=\"{v}\">{v}</data>");
    let range = |value: Option<f64>, low, high| value.map(|_| html::percent_interval(value, low, high));
    html::facts(&[
        ("Specimens scored", Some(n(row.n_specimens))),
        ("Sheared, mean of specimens", range(row.sheared_fraction, row.sheared_low, row.sheared_high)),
        ("Its interval from", row.interval_from.map(|from| escape(from.word()))),
        ("Mean peak load", row.mean_load_n.map(|v| format!("{} (n = {})", html::number(v, 1, "N"), n(row.n_loads)))),
        ("Knot efficiency", range(row.efficiency, row.efficiency_low, row.efficiency_high)),
        ("Efficiency interval by", row.efficiency_method.map(|m| escape(&words::capital(m.word())))),
        ("Carriers of the braid", row.carriers.map(n)),
        ("Carriers lost, plain share", row.carriers_lost.map(|v| html::number(v, 1, ""))),
        ("Carriers lost, bundle theory", row.carriers_lost_bundle.map(|v| html::number(v, 1, ""))),
        ("Line", row.line.as_deref().map(name)),
    ])
}

/// The specimens of the knot, each on a ruler.
fn specimens(context: &Context<'_>, index: usize) -> String {
    let knot = &context.story.knots[index];
    if knot.specimens.is_empty() {
        return String::new();
    }
    let mut out = String::from(
        "<div class=\"scroll\" tabindex=\"0\" role=\"group\" aria-label=\"Specimens of this knot\"><table class=\"rulers\"><caption>Specimens of this knot. Bar: published sheared fraction, band: its 95&#160;% interval.</caption>\n\
         <thead><tr><th scope=\"col\">Specimen</th><th scope=\"col\">Sheared, on a ruler</th><th scope=\"col\" class=\"n\">Sheared</th>\
         <th scope=\"col\" class=\"n\">Graded ends</th><th scope=\"col\" class=\"n\">Load</th><th scope=\"col\">Flags</th></tr></thead><tbody>\n",
    );
    for &s in &knot.specimens {
        let row = context.story.specimens[s].row;
        let alt = match row.sheared_fraction {
            Some(v) => format!("Ruler: {} % sheared", html::whole_percent(v)),
            None => "Ruler without a value".to_owned(),
        };
        let drawn = ruler(&Ruler {
            value: row.sheared_fraction,
            interval: row.sheared_low.zip(row.sheared_high),
            singles: &[],
            alt: &alt,
        });
        let graded = row.n_sheared + row.n_tensile;
        let _ = write!(
            out,
            "<tr><th scope=\"row\"><a href=\"#specimen-{}\">{}</a></th><td>{drawn}</td><td class=\"n\">{}</td>\
             <td class=\"n\">{graded}</td><td class=\"n\">{}</td><td>{}</td></tr>\n",
            s + 1,
            name(&row.specimen),
            html::percent_interval(row.sheared_fraction, row.sheared_low, row.sheared_high),
            row.peak_load_n.map_or_else(String::new, |v| html::number(v, 1, "N")),
            warn::chips(&row.flags)
        );
    }
    out.push_str("</tbody></table></div>\n");
    out
}

/// How this knot compares with the others of its line.
fn pairs(context: &Context<'_>, index: usize) -> String {
    let knot = &context.story.knots[index];
    let mut lines = String::new();
    for pair in &context.story.results.pairs {
        if pair.line.as_deref() != knot.line {
            continue;
        }
        let (other, sign) = match (pair.knot_a == knot.name, pair.knot_b == knot.name) {
            (true, false) => (&pair.knot_b, 1.0),
            (false, true) => (&pair.knot_a, -1.0),
            _ => continue,
        };
        let Some(difference) = pair.difference.map(|d| d * sign) else { continue };
        let size = html::whole_percent(difference.abs());
        let words = if difference < 0.0 { "less" } else { "more" };
        let test = match pair.p_adjusted {
            Some(p) => format!("adjusted p = {}", html::number(p, 3, "")),
            None => "not tested: fewer than three specimens on a side".to_owned(),
        };
        let _ = write!(
            lines,
            "<li><data value=\"{}\">{size}</data> points {words} sheared than {} ({test}; n = {} and {})</li>\n",
            pair.difference.unwrap_or_default(),
            name(other),
            if sign > 0.0 { pair.n_a } else { pair.n_b },
            if sign > 0.0 { pair.n_b } else { pair.n_a }
        );
    }
    if lines.is_empty() {
        lines
    } else {
        format!("<h3>Against the other knots</h3>\n<ul class=\"plain\">{lines}</ul>\n")
    }
}
