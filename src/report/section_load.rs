//! Load and cut fibres: does what was left whole explain the load?

use super::context::Context;
use super::html;
use super::plot_capacity::{Curve, KnotPoint, capacity, letter};
use super::section_answer::knot_name;
use crate::knot::{Association, Capacity, CapacityPoint, compare};
use std::fmt::Write as _;

/// The section; empty when no knot has both an efficiency and a sheared fraction.
pub(crate) fn section(context: &Context<'_>) -> String {
    let points = points(context);
    if points.is_empty() {
        return String::new();
    }
    let alt = alt(&points);
    // Theory and correlation are no columns of any table; they follow from the specimens' rows alone.
    let comparison = compare(&context.story.results.specimens, &context.settings.face);
    let mut legend = String::new();
    for (i, knot) in context.story.knots.iter().enumerate() {
        let Some(row) = knot.row.filter(|r| r.efficiency.is_some() && r.sheared_fraction.is_some()) else { continue };
        let _ = write!(
            legend,
            "<li><b>{}</b> {}: efficiency {}, n = {} loads</li>\n",
            letter(i),
            knot_name(context, knot),
            html::percent_interval(row.efficiency, row.efficiency_low, row.efficiency_high),
            row.n_loads
        );
    }
    format!(
        "<section id=\"load\" aria-labelledby=\"load-h\">\n<h2 id=\"load-h\">Load against cut fibres</h2>\n\
         <div class=\"row\"><figure class=\"load-plot\">{}<figcaption>Letters: knots, with 95&#160;% intervals. Solid line: efficiency = share of fibres not sheared. {}n = {} knots.</figcaption></figure>\n\
         <div class=\"beside\"><p>A knot on the solid line holds what its uncut fibres can hold: cut first, then overloaded. \
         A knot below it lost strength to something else as well; a knot above it was still whole when it carried its peak, and was cut while it broke.</p>\n\
         <p class=\"soft\">Both lines are upper bounds, not predictions: a cut carrier loads its neighbours more than the rest, the braid goes out of balance, and cut ends may grip again by friction.</p>\n\
         {}<ul class=\"plain small\">{legend}</ul></div></div>\n</section>\n",
        capacity(&points, &bundle(&comparison.capacities), &alt),
        bundle_words(&comparison.capacities),
        points.len(),
        associations(context, &comparison.associations)
    )
}

fn points(context: &Context<'_>) -> Vec<KnotPoint> {
    let knots = context.story.knots.iter().enumerate();
    knots
        .filter_map(|(i, knot)| {
            let row = knot.row?;
            Some(KnotPoint {
                letter: letter(i),
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
        let _ = write!(
            out,
            " {}: {} % not sheared, {} % efficiency.",
            p.letter,
            html::whole_percent(p.whole),
            html::whole_percent(p.efficiency)
        );
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
fn bundle_words(capacities: &[Capacity]) -> String {
    let [capacity] = capacities else { return String::new() };
    let from = if capacity.modulus_estimated { "estimated from the straight pulls" } else { "from the settings" };
    format!(
        "Dashed line: equal-load-sharing bundle of {} carriers (Daniels 1945), Weibull modulus {} {from}. ",
        capacity.carriers,
        html::fixed(capacity.modulus, 1)
    )
}

/// Whether more cutting goes with less load, one sentence for each line.
fn associations(context: &Context<'_>, found: &[Association]) -> String {
    let mut out = String::new();
    for association in found {
        let Some(rho) = association.rho else { continue };
        let line = association.line.as_deref().filter(|_| context.story.several_lines());
        let range = association
            .low
            .zip(association.high)
            .filter(|(low, high)| low < high)
            .map_or(String::new(), |(low, high)| {
                format!(", 95&#160;% interval {} to {}", html::fixed(low, 2), html::fixed(high, 2))
            });
        let _ = write!(
            out,
            "<p>Sheared fraction against peak load{}: rank correlation {} (Spearman{range}; n = {} knot specimens). \
             Below zero means that more cutting goes with less load.</p>\n",
            line.map_or(String::new(), |l| format!(" in {}", html::name(l))),
            html::fixed(rho, 2),
            association.n
        );
    }
    out
}
