//! One section for each knot: its figures, its specimens on rulers, how it compares, then each specimen.

use super::context::Context;
use super::plot_ruler::{Ruler, ruler};
use super::{phrasing, section_specimen, warnings};
use crate::page::values::{count, facts, name, number, percent_interval, whole_percent};
use crate::table::{KnotRow, PairRow, SpecimenRow};
use maud::{Markup, html};

/// The sections of all knots, in order.
pub(crate) fn sections(context: &Context<'_>) -> Markup {
    html! { @for i in 0..context.view.knots.len() { (section(context, i)) } }
}

fn section(context: &Context<'_>, index: usize) -> Markup {
    let knot = &context.view.knots[index];
    let id = format!("knot-{}", index + 1);
    html! {
        section.knot id=(id) aria-labelledby={ (id) "-h" } {
            h2 id={ (id) "-h" } { (name(&context.view.knot_name(knot))) }
            @if let Some(row) = knot.row {
                p.lead { (phrasing::sentence(row.sheared_fraction, row.verdict)) }
                (warnings::of_knot(context, row))
                (figures(row))
                (context.reviewed.of_knot(&row.knot, row.line.as_deref()))
            }
            (specimens(context, index))
            (pairs(context, index))
            @for &specimen in &knot.specimens { (section_specimen::article(context, specimen)) }
        }
    }
}

fn figures(row: &KnotRow) -> Markup {
    let range = |value: Option<f64>, low, high| value.map(|_| percent_interval(value, low, high));
    let load = |v| html! { (number(v, 1, "N")) " (n = " (count(row.n_loads)) ")" };
    facts(&[
        ("Specimens scored", Some(count(row.n_specimens))),
        ("Sheared, mean of specimens", range(row.sheared_fraction, row.sheared_low, row.sheared_high)),
        ("Its interval from", row.interval_from.map(|from| html! { (from.word()) })),
        ("Mean peak load", row.mean_load_n.map(load)),
        ("Knot efficiency", range(row.efficiency, row.efficiency_low, row.efficiency_high)),
        ("Efficiency interval by", row.efficiency_method.map(|m| html! { (phrasing::capital(m.word())) })),
        ("Carriers of the braid", row.carriers.map(count)),
        ("Carriers lost, equal shares", row.carriers_lost.map(|v| number(v, 1, ""))),
        ("Carriers lost, bundle theory", row.carriers_lost_bundle.map(|v| number(v, 1, ""))),
        ("Line", row.line.as_deref().map(name)),
    ])
}

/// The specimens of the knot, each on a ruler.
fn specimens(context: &Context<'_>, index: usize) -> Markup {
    let specimens = &context.view.knots[index].specimens;
    html! {
        @if !specimens.is_empty() {
            div.scroll tabindex="0" role="group" aria-label="Specimens of this knot" {
                table.rulers {
                    caption { "Specimens of this knot. Bar: published sheared fraction, band: its 95\u{a0}% interval." }
                    thead {
                        tr {
                            @for head in ["Specimen", "Sheared, 0 to 100 %"] { th scope="col" { (head) } }
                            @for head in ["Sheared", "Labelled ends", "Load"] { th.n scope="col" { (head) } }
                            th scope="col" { "Flags" }
                        }
                    }
                    tbody { @for &s in specimens { (specimen(s, context.view.specimens[s].row)) } }
                }
            }
        }
    }
}

fn specimen(position: usize, row: &SpecimenRow) -> Markup {
    let alt = match row.sheared_fraction {
        Some(v) => format!("{} % sheared", whole_percent(v)),
        None => "No sheared fraction".to_owned(),
    };
    let interval = row.sheared_low.zip(row.sheared_high);
    html! {
        tr {
            th scope="row" { a href={ "#specimen-" (position + 1) } { (name(&row.specimen)) } }
            td { (ruler(&Ruler { value: row.sheared_fraction, interval, singles: &[], alt: &alt })) }
            td.n { (percent_interval(row.sheared_fraction, row.sheared_low, row.sheared_high)) }
            td.n { (row.n_sheared + row.n_tensile) }
            td.n { @if let Some(load) = row.peak_load_n { (number(load, 1, "N")) } }
            td { (warnings::chips(&row.flags)) }
        }
    }
}

/// How this knot compares with the others of its line.
fn pairs(context: &Context<'_>, index: usize) -> Markup {
    let knot = &context.view.knots[index];
    let of_line = context.view.results.pairs.iter().filter(|p| p.line.as_deref() == knot.line);
    let lines: Vec<Markup> = of_line.filter_map(|p| pair(p, knot.name)).collect();
    html! {
        @if !lines.is_empty() {
            h3 { "Against the other knots" }
            ul.plain { @for line in lines { li { (line) } } }
        }
    }
}

/// A pair as seen from one of its knots; `None` when the knot is not one of them.
fn pair(pair: &PairRow, knot: &str) -> Option<Markup> {
    let (other, sign, n) = match (pair.knot_a == knot, pair.knot_b == knot) {
        (true, false) => (&pair.knot_b, 1.0, (pair.n_a, pair.n_b)),
        (false, true) => (&pair.knot_a, -1.0, (pair.n_b, pair.n_a)),
        _ => return None,
    };
    let difference = pair.difference?;
    Some(html! {
        data value=(difference) { (whole_percent(difference.abs())) }
        " points " (if difference * sign < 0.0 { "less" } else { "more" }) " sheared than " (name(other)) " ("
        @match pair.p_adjusted {
            Some(p) => { "adjusted p = " (number(p, 3, "")) }
            None => "not tested: fewer than three specimens on a side"
        }
        "; n = " (n.0) " and " (n.1) ")"
    })
}
