//! Flags and warnings in the page: alarms first, each with what it means and what to do.

use super::context::Context;
use super::phrasing;
use crate::flag::{self, About, Flag, Severity};
use crate::knot::flagged;
use crate::page::values::name;
use crate::table::{ImageRow, KnotRow, SpecimenRow};
use maud::{Markup, html};
use std::collections::BTreeMap;

fn class(severity: Option<Severity>) -> &'static str {
    match severity {
        Some(Severity::Alarm) => "alarm",
        Some(Severity::Finding) => "finding",
        Some(Severity::Caution) => "caution",
        _ => "note-",
    }
}

/// Flags as small labels; their meaning as a tooltip and in the section about them.
pub(crate) fn chips(joined: &str) -> Markup {
    html! {
        @for flag_name in flag::split(joined) {
            @let entry = Flag::from_name(flag_name);
            span class={ "flag " (class(entry.map(Flag::severity))) } title=[entry.map(Flag::meaning)] {
                (phrasing::flag(flag_name))
            }
        }
    }
}

/// Meaning, figures and remedy of each flag of a specimen.
pub(crate) fn of_specimen(context: &Context<'_>, row: &SpecimenRow) -> Markup {
    explained(context, &row.flags, (About::Specimen, &row.specimen), row.knot.is_some())
}

/// Meaning, figures and remedy of each flag of a knot.
pub(crate) fn of_knot(context: &Context<'_>, row: &KnotRow) -> Markup {
    explained(context, &row.flags, (About::Knot, &flagged::knot_subject(row)), true)
}

fn explained(context: &Context<'_>, joined: &str, (about, subject): (About, &str), is_knot: bool) -> Markup {
    let figures = |name: &str| {
        context.flagged.iter().find(|f| f.about == about && f.subject == subject && f.flag == name).map(|f| &f.figures)
    };
    html! {
        @for entry in flag::known(joined) {
            div class={ "note " (class(Some(entry.severity()))) } {
                strong { (phrasing::capital(&phrasing::flag(entry.name()))) "." }
                " " (entry.meaning())
                @if let Some(figures) = figures(entry.name()).filter(|f| !f.is_empty()) { " Here: " (figures) "." }
                " " (remedy(entry, is_knot))
            }
        }
    }
}

/// What to do about a flag; where nobody said that a knot broke, no advice about knots.
fn remedy(flag: Flag, is_knot: bool) -> &'static str {
    match flag {
        Flag::MostlyShear if !is_knot => "Look for what cut the line here: a knot, an edge, a blade.",
        _ => flag.remedy(),
    }
}

/// What stands before everything else: alarms of the run and of any specimen, with where they were raised.
pub(crate) fn first(context: &Context<'_>) -> Markup {
    let n = context.view.results.run.as_ref().map_or(0, |r| r.warnings.len());
    html! {
        @for (entry, places) in raised(context) {
            div.note.alarm role="note" {
                strong { "Look here first: " (phrasing::flag(entry.name())) "." }
                " " (entry.meaning()) " " (entry.remedy()) " Raised on "
                @for (i, place) in places.into_iter().enumerate() {
                    @if i > 0 { ", " }
                    (name(place))
                }
                "."
            }
        }
        @if n > 0 {
            p.small { a href="#left-out" { (phrasing::counted(n, "warning", "warnings")) " about this run" } }
        }
    }
}

/// Alarms, and the specimens and knots that they were raised on.
fn raised<'a>(context: &'a Context<'_>) -> BTreeMap<Flag, Vec<&'a str>> {
    let mut raised: BTreeMap<Flag, Vec<&str>> = BTreeMap::new();
    let mut note = |joined: &'a str, place| {
        for flag in flag::known(joined).filter(|f| f.severity() == Severity::Alarm) {
            raised.entry(flag).or_default().push(place);
        }
    };
    for specimen in &context.view.specimens {
        note(&specimen.row.flags, specimen.row.specimen.as_str());
    }
    for knot in &context.view.knots {
        note(knot.row.map_or("", |r| &r.flags), knot.name);
    }
    raised
}

/// The warnings of a picture, each as markup.
pub(crate) fn of_picture(image: &ImageRow) -> Vec<Markup> {
    let told = |(flag_name, text): (&str, &str)| {
        html! { b { (phrasing::flag(flag_name)) } @if !text.is_empty() { ": " (text) } }
    };
    image.warning_list().map(told).collect()
}
