//! The first screen: the answer in a few sentences, what to be wary of, and one table of everything that was tested.

use super::answer::{headline, knots_heading};
use super::context::Context;
use super::plot_ruler::{Ruler, ruler};
use super::view_model::Knot;
use super::{marks, phrasing, warnings};
use crate::page::values::{count, missing, name, percent, percent_range, whole_percent};
use crate::table::SpecimenRow;
use maud::{Markup, Render as _, html};
use std::fmt::Write as _;

/// The section.
pub(crate) fn section(context: &Context<'_>) -> Markup {
    let view = &context.view;
    html! {
        section.first id="answer" aria-labelledby="answer-h" {
            h2 id="answer-h" { (heading(context)) }
            (warnings::first(context))
            p.lead {
                (phrasing::counted(view.results.ends.len(), "fibre end", "fibre ends"))
                " of " (phrasing::counted(view.specimens.len(), "specimen", "specimens"))
                ", " (phrasing::counted(view.results.images.len(), "picture", "pictures")) "."
                @for sentence in headline(view, &context.settings.report) { " " (sentence) }
            }
            @if !view.specimens.is_empty() { (table(context)) }
        }
    }
}

fn heading(context: &Context<'_>) -> &'static str {
    let ranked = context.view.knots.iter().any(|k| k.rank.is_some());
    match context.view.knots.len() {
        0 => "How the specimens broke",
        1 => "How the knot broke",
        _ if ranked => "Which knot was cut least",
        _ => "How the knots broke",
    }
}

/// Everything that was tested, each with a ruler: knots line by line, specimens of no knot, controls.
fn table(context: &Context<'_>) -> Markup {
    let view = &context.view;
    let efficiency = view.knots.iter().any(|k| k.row.is_some_and(|r| r.efficiency.is_some()));
    let columns = if efficiency { 5 } else { 4 };
    html! {
        table.answer role="table" {
            caption {
                "Blue bar: sheared fraction, of a knot the mean over its specimens; band: its 95\u{a0}% interval; open \
                 circles: single specimens."
            }
            thead role="rowgroup" {
                tr role="row" {
                    @for head in ["Knot or specimen", "Sheared, 0 to 100 %"] { th role="columnheader" scope="col" { (head) } }
                    th.n role="columnheader" scope="col" { "Sheared" }
                    @if efficiency { th.n role="columnheader" scope="col" { "Efficiency" } }
                    th role="columnheader" scope="col" { "Flags" }
                }
            }
            @for knots in view.knots.chunk_by(|a, b| a.line == b.line) {
                tbody role="rowgroup" {
                    (group(columns, knots_heading(knots[0].line, knots.iter().any(|k| k.rank.is_some())).render()))
                    @for knot in knots { (knot_row(context, knot, efficiency)) }
                }
            }
            @for (title, members) in [("Specimens of no named knot", &view.others), ("Controls", &view.controls)] {
                @if !members.is_empty() {
                    tbody role="rowgroup" {
                        (group(columns, html! { (title) }))
                        @for &i in members { (specimen_row(i, view.specimens[i].row, efficiency)) }
                    }
                }
            }
        }
        (marks::key())
    }
}

/// The row that opens a group of rows.
fn group(columns: usize, title: Markup) -> Markup {
    html! { tr.group role="row" { th role="rowheader" scope="rowgroup" colspan=(columns) { (title) } } }
}

fn knot_row(context: &Context<'_>, knot: &Knot<'_>, efficiency: bool) -> Markup {
    let view = &context.view;
    let row = knot.row;
    let singles: Vec<f64> = knot.specimens.iter().filter_map(|&s| view.specimens[s].row.sheared_fraction).collect();
    let position = view.knots.iter().position(|k| std::ptr::eq(k, knot)).unwrap_or_default();
    let shown = Ruler { value: knot.fraction(), interval: knot.interval(), singles: &singles, alt: "" };
    let label = if knot.name.is_empty() { "unnamed knot" } else { knot.name };
    html! {
        tr role="row" {
            th role="rowheader" scope="row" {
                @if let Some(rank) = knot.rank { span.rank { (rank) ". " } }
                a href={ "#knot-" (position + 1) } { (name(label)) }
                span.say { (phrasing::sentence(knot.fraction(), knot.verdict())) }
            }
            (figure_cells(&shown, row.map(|r| phrasing::counted(r.n_specimens as usize, "specimen", "specimens"))))
            @if efficiency {
                td.n role="cell" data-label="Efficiency" {
                    @if let Some(row) = row.filter(|r| r.efficiency.is_some()) {
                        (stacked(
                            row.efficiency,
                            row.efficiency_low.zip(row.efficiency_high),
                            Some(phrasing::counted(row.n_loads as usize, "load", "loads")),
                        ))
                    }
                }
            }
            td role="cell" { @if let Some(row) = row { (warnings::chips(&row.flags)) } }
        }
    }
}

fn specimen_row(position: usize, row: &SpecimenRow, efficiency: bool) -> Markup {
    let interval = row.sheared_low.zip(row.sheared_high);
    let shown = Ruler { value: row.sheared_fraction, interval, singles: &[], alt: "" };
    let ends = (row.n_sheared + row.n_tensile) as usize;
    html! {
        tr role="row" {
            th role="rowheader" scope="row" {
                a href={ "#specimen-" (position + 1) } { (name(&row.specimen)) }
                span.say {
                    (count(row.n_sheared)) " sheared, " (count(row.n_tensile)) " tensile, " (count(row.n_unclear)) " unclear"
                    @if let Some(verdict) = row.verdict { "; " (phrasing::verdict_words(verdict)) }
                    "."
                }
            }
            (figure_cells(&shown, Some(phrasing::counted(ends, "end", "ends"))))
            @if efficiency { td.n role="cell" {} }
            td role="cell" { (warnings::chips(&row.flags)) }
        }
    }
}

/// The ruler and the fraction beside it.
fn figure_cells(shown: &Ruler<'_>, n: Option<String>) -> Markup {
    let alt = ruler_alt(shown);
    html! {
        td.ruler role="cell" { (ruler(&Ruler { alt: &alt, ..*shown })) }
        td.n role="cell" data-label="Sheared" { (stacked(shown.value, shown.interval, n)) }
    }
}

/// A fraction, its interval and its number of observations, one below the other.
fn stacked(value: Option<f64>, range: Option<(f64, f64)>, n: Option<String>) -> Markup {
    html! {
        @match value {
            Some(value) => {
                span.big { (percent(value)) }
                @if let Some((low, high)) = range { span.sub { (percent_range(low, high)) } }
            }
            None => (missing())
        }
        @if let Some(n) = n { span.sub { "n = " (n) } }
    }
}

fn ruler_alt(shown: &Ruler<'_>) -> String {
    let Some(value) = shown.value else { return "No sheared fraction".to_owned() };
    let mut out = format!("{} % sheared", whole_percent(value));
    if let Some((low, high)) = shown.interval {
        let _ = write!(out, ", interval {} to {} %", whole_percent(low), whole_percent(high));
    }
    let list: Vec<String> = shown.singles.iter().map(|s| whole_percent(*s)).collect();
    if !list.is_empty() {
        let _ = write!(out, "; specimens at {} %", list.join(", "));
    }
    out
}
