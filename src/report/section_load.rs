//! Load and cut fibres: does what was left whole explain the load?

use super::context::Context;
use super::phrasing;
use super::plot_capacity::{Curve, KnotPoint, capacity};
use crate::knot::{Association, Capacity, CapacityPoint, compare};
use crate::page::values::{fixed, name, percent_interval, whole_percent};
use maud::{Markup, html};
use std::fmt::Write as _;

/// The section; empty when no knot has both an efficiency and a sheared fraction.
pub(crate) fn section(context: &Context<'_>) -> Markup {
    let points = points(context);
    if points.is_empty() {
        return html! {};
    }
    // Theory and correlation are no columns of any table; they follow from the specimens' rows alone.
    let comparison = compare(&context.view.results.specimens, &context.settings.face);
    html! {
        section id="load" aria-labelledby="load-h" {
            h2 id="load-h" { "Load against cut fibres" }
            div.row {
                figure.load-plot {
                    (capacity(&points, &bundle(&comparison.capacities), &alt(&points)))
                    figcaption {
                        "Initials: knots, with 95\u{a0}% intervals. Solid line: efficiency = share of fibres not sheared. "
                        (about_bundle(&comparison.capacities)) "n = " (phrasing::counted(points.len(), "knot", "knots")) "."
                    }
                }
                div.beside {
                    p {
                        "A knot on the solid line holds what its uncut fibres can hold: cut first, then overloaded. A knot \
                         below it lost strength to something else as well; a knot above it was still whole when it carried \
                         its peak, and was cut while it broke."
                    }
                    p.soft {
                        "Both lines are idealised and bound nothing: a cut carrier loads its neighbours more than the rest, \
                         the braid goes out of balance, and cut ends may grip again by friction."
                    }
                    (associations(context, &comparison.associations))
                    (legend(context))
                }
            }
        }
    }
}

/// The knots of the plot with their initials.
fn legend(context: &Context<'_>) -> Markup {
    html! {
        ul.plain.small {
            @for knot in context.view.knots.iter() {
                @if let Some(row) = knot.row.filter(|r| r.efficiency.is_some() && r.sheared_fraction.is_some()) {
                    li {
                        b { (knot.initials) } " " (name(&context.view.knot_name(knot))) ": efficiency "
                        (percent_interval(row.efficiency, row.efficiency_low, row.efficiency_high))
                        ", n = " (phrasing::counted(row.n_loads as usize, "load", "loads"))
                    }
                }
            }
        }
    }
}

fn points(context: &Context<'_>) -> Vec<KnotPoint> {
    let knots = context.view.knots.iter();
    knots
        .filter_map(|knot| {
            let row = knot.row?;
            Some(KnotPoint {
                key: knot.initials.clone(),
                whole: 1.0 - row.sheared_fraction?,
                whole_range: row.sheared_low.zip(row.sheared_high).map(|(low, high)| (1.0 - high, 1.0 - low)),
                efficiency: row.efficiency?,
                efficiency_range: row.efficiency_low.zip(row.efficiency_high),
            })
        })
        .collect()
}

fn alt(points: &[KnotPoint]) -> String {
    let mut out = String::from("Knot efficiency against the share of fibres not sheared.");
    for p in points {
        let (whole, efficiency) = (whole_percent(p.whole), whole_percent(p.efficiency));
        let _ = write!(out, " {}: {whole} % not sheared, {efficiency} % efficiency.", p.key);
    }
    out
}

/// The bundle curve for the carriers of the braid, when all knots are of one line.
fn bundle(capacities: &[Capacity]) -> Curve {
    let [capacity] = capacities else { return Curve::default() };
    let n = f64::from(capacity.carriers);
    let place = |p: &CapacityPoint| Some((1.0 - f64::from(p.cut) / n, p.bundle?));
    Curve { places: capacity.points.iter().filter_map(place).collect() }
}

/// What the dashed line is.
fn about_bundle(capacities: &[Capacity]) -> String {
    let [capacity] = capacities else { return String::new() };
    let from = if capacity.modulus_estimated { "estimated from the straight pulls" } else { "from the settings" };
    format!(
        "Dashed line: equal-load-sharing bundle of {} carriers (Daniels 1945), Weibull modulus {} {from}. ",
        capacity.carriers,
        fixed(capacity.modulus, 1)
    )
}

/// Whether more cutting goes with less load, one sentence for each line.
fn associations(context: &Context<'_>, found: &[Association]) -> Markup {
    html! {
        @for association in found {
            @if let Some(rho) = association.rho {
                @let range = association.low.zip(association.high).filter(|(low, high)| low < high);
                p {
                    "Sheared fraction against peak load"
                    @if let Some(line) = association.line.as_deref().filter(|_| context.view.several_lines()) {
                        " in " (name(line))
                    }
                    ": rank correlation " (fixed(rho, 2)) " (Spearman"
                    @if let Some((low, high)) = range { ", 95\u{a0}% interval " (fixed(low, 2)) " to " (fixed(high, 2)) }
                    "; n = " (association.n) " knot specimens). Below zero means that more cutting goes with less load."
                }
            }
        }
    }
}
