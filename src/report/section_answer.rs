//! The first screen: which knot was cut least, how sure that is, and what to be wary of.

use super::context::Context;
use super::html::{self, escape, name};
use super::plot_ruler::{Ruler, ruler};
use super::story::Knot;
use super::{mark, warn, words};
use crate::table::{FaceVerdict, KnotRow, PairRow};
use std::fmt::Write as _;

/// The section.
pub(crate) fn section(context: &Context<'_>) -> String {
    let mut out = String::from("<section class=\"first\" id=\"answer\" aria-labelledby=\"answer-h\">\n");
    let _ = write!(out, "<h2 id=\"answer-h\">{}</h2>\n{}", heading(context), warn::first(context));
    let _ = write!(out, "<p class=\"lead\">{}</p>\n", lead(context));
    if !context.story.knots.is_empty() {
        out.push_str(&table(context));
    }
    out.push_str("</section>\n");
    out
}

fn heading(context: &Context<'_>) -> &'static str {
    match context.story.knots.len() {
        0 => "How the specimens broke",
        1 => "How the knot broke",
        _ => "Which knot was cut least",
    }
}

/// What was looked at and what came out, in a few sentences.
fn lead(context: &Context<'_>) -> String {
    let story = &context.story;
    let mut out = format!(
        "{} of {}, {}. ",
        words::counted(story.results.ends.len(), "fibre end", "fibre ends"),
        words::counted(story.specimens.len(), "specimen", "specimens"),
        words::counted(story.results.images.len(), "picture", "pictures"),
    );
    let scored: Vec<&Knot<'_>> =
        story.knots.iter().filter(|k| k.row.is_some_and(|r| r.sheared_fraction.is_some())).collect();
    if scored.is_empty() {
        out.push_str(match story.knots.len() {
            0 => "No knots among them, so there is nothing to rank.",
            _ => "No knot has enough graded ends to be scored.",
        });
    }
    for of_line in scored.chunk_by(|a, b| a.line == b.line) {
        out.push_str(&extremes(context, of_line));
    }
    if scored.len() > 1 {
        out.push_str(&differences(context));
    }
    out
}

/// The least and the most sheared knot of one line, which come first and last.
fn extremes(context: &Context<'_>, knots: &[&Knot<'_>]) -> String {
    let told = |k: &Knot<'_>| format!("<strong>{}</strong>, {}", knot_name(context, k), interval(k.row));
    match knots {
        [least, .., most] => {
            let scope = match least.line.filter(|_| context.story.several_lines()) {
                Some(line) => format!("Of the knots in {}, least", name(line)),
                None => "Least".to_owned(),
            };
            format!("{scope} sheared: {}. Most sheared: {}. ", told(least), told(most))
        }
        [one] => format!("{} sheared. ", told(one)),
        [] => String::new(),
    }
}

fn interval(row: Option<&KnotRow>) -> String {
    row.map_or_else(html::missing, |r| html::percent_interval(r.sheared_fraction, r.sheared_low, r.sheared_high))
}

/// Name of a knot, with its line where several lines were tested.
pub(crate) fn knot_name(context: &Context<'_>, knot: &Knot<'_>) -> String {
    let shown = if knot.name.is_empty() { "unnamed knot".to_owned() } else { name(knot.name) };
    match knot.line.filter(|_| context.story.several_lines()) {
        Some(line) => format!("{shown} in {}", name(line)),
        None => shown,
    }
}

/// Which differences between knots hold.
fn differences(context: &Context<'_>) -> String {
    let tested: Vec<&PairRow> = context.story.results.pairs.iter().filter(|p| p.p_adjusted.is_some()).collect();
    let limit = context.settings.report.clear_p;
    let clear = tested.iter().filter(|p| p.p_adjusted.is_some_and(|v| v < limit)).count();
    let few = tested.iter().all(|p| p.n_a.min(p.n_b) <= 3);
    let mut out = match (tested.as_slice(), clear) {
        ([], _) => {
            return "No two knots have the three specimens each that a test needs, so read the order as a first impression."
                .to_owned();
        }
        ([pair], _) => format!(
            "The difference is {} (adjusted p = {}).",
            if clear == 1 { "clear" } else { "not clear" },
            pair.p_adjusted.map_or_else(html::missing, |p| html::number(p, 3, ""))
        ),
        (_, n) => format!(
            "{} of {} differ clearly (adjusted p below {}).",
            if n == 0 { "None".to_owned() } else { words::thousands(n) },
            words::counted(tested.len(), "tested pair of knots", "tested pairs of knots"),
            html::fixed(limit, 2)
        ),
    };
    if clear == 0 && few {
        // Exact two-sided permutation test: 2 / C(6, 3) = 0.1, 2 / C(8, 4) = 0.03.
        out.push_str(" With three specimens a side no test can fall below p = 0.1; with four it can reach 0.03.");
    }
    out
}

/// Knots in order, each with a ruler.
fn table(context: &Context<'_>) -> String {
    let order = if context.story.several_lines() {
        "Knots of each line from least to most sheared; knots of different lines are not ranked against each other."
    } else {
        "Knots from least to most sheared."
    };
    let mut out = format!(
        "<table class=\"answer\" role=\"table\"><caption>{order} Blue bar: mean over specimens, \
         band: its 95&#160;% interval; open circles: single specimens.</caption>\n<thead role=\"rowgroup\"><tr role=\"row\">\
         <th role=\"columnheader\" scope=\"col\">Knot</th><th role=\"columnheader\" scope=\"col\">Sheared, on a ruler</th>\
         <th role=\"columnheader\" scope=\"col\" class=\"n\">Sheared</th>\
         <th role=\"columnheader\" scope=\"col\" class=\"n\">Efficiency</th>\
         <th role=\"columnheader\" scope=\"col\">Flags</th></tr></thead>\n<tbody role=\"rowgroup\">\n",
    );
    for (i, knot) in context.story.knots.iter().enumerate() {
        out.push_str(&row(context, i, knot));
    }
    out.push_str("</tbody></table>\n");
    out.push_str(&mark::key());
    out
}

fn row(context: &Context<'_>, index: usize, knot: &Knot<'_>) -> String {
    let row = knot.row;
    let singles: Vec<f64> =
        knot.specimens.iter().filter_map(|&s| context.story.specimens[s].row.sheared_fraction).collect();
    let alt = ruler_alt(row, &singles);
    let drawn = ruler(&Ruler {
        value: row.and_then(|r| r.sheared_fraction),
        interval: row.and_then(|r| Some((r.sheared_low?, r.sheared_high?))),
        singles: &singles,
        alt: &alt,
    });
    let verdict = row.and_then(|r| r.verdict).map(FaceVerdict::word);
    format!(
        "<tr role=\"row\"><th role=\"rowheader\" scope=\"row\"><a href=\"#knot-{n}\">{letter}. {name}</a>\
         <span class=\"say\">{say}</span></th>\n<td role=\"cell\" class=\"ruler\">{drawn}</td>\
         <td role=\"cell\" class=\"n\" data-label=\"Sheared\">{sheared}</td>\
         <td role=\"cell\" class=\"n\" data-label=\"Efficiency\">{efficiency}</td><td role=\"cell\">{flags}</td></tr>\n",
        n = index + 1,
        letter = super::plot_capacity::letter(index),
        name = knot_name(context, knot),
        say = escape(&words::sentence(row.and_then(|r| r.sheared_fraction), verdict)),
        sheared = stacked(
            row.and_then(|r| r.sheared_fraction),
            row.and_then(|r| Some((r.sheared_low?, r.sheared_high?))),
            row.map(|r| format!("n = {}", words::counted(r.n_specimens as usize, "specimen", "specimens"))),
        ),
        efficiency = stacked(
            row.and_then(|r| r.efficiency),
            row.and_then(|r| Some((r.efficiency_low?, r.efficiency_high?))),
            row.filter(|r| r.efficiency.is_some())
                .map(|r| format!("n = {}", words::counted(r.n_loads as usize, "load", "loads"))),
        ),
        flags = row.map_or_else(String::new, |r| warn::chips(&r.flags)),
    )
}

/// A fraction, its interval and its number of observations, one below the other.
fn stacked(value: Option<f64>, range: Option<(f64, f64)>, n: Option<String>) -> String {
    let mut out = match value {
        Some(v) => format!("<span class=\"big\">{}</span>", html::percent(v)),
        None => html::missing(),
    };
    if let (Some(_), Some((low, high))) = (value, range) {
        let _ = write!(
            out,
            "<span class=\"sub\"><data value=\"{low}\">{}</data> to {}</span>",
            html::whole_percent(low),
            html::percent(high)
        );
    }
    if let Some(n) = n {
        let _ = write!(out, "<span class=\"sub\">{}</span>", escape(&n));
    }
    out
}

fn ruler_alt(row: Option<&KnotRow>, singles: &[f64]) -> String {
    let Some(value) = row.and_then(|r| r.sheared_fraction) else { return "Ruler without a value".to_owned() };
    let mut out = format!("Ruler: {} % sheared", html::whole_percent(value));
    if let Some((low, high)) = row.and_then(|r| Some((r.sheared_low?, r.sheared_high?))) {
        let _ = write!(out, ", interval {} to {} %", html::whole_percent(low), html::whole_percent(high));
    }
    let list: Vec<String> = singles.iter().map(|s| html::whole_percent(*s)).collect();
    if !list.is_empty() {
        let _ = write!(out, "; specimens at {} %", list.join(", "));
    }
    out
}
