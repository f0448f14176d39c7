//! Flags and warnings in the page: alarms first, each with what it means and what to do.

use super::context::Context;
use super::html::{escape, name};
use super::words;
use crate::flag::{self, Flag, Severity};
use std::collections::BTreeMap;
use std::fmt::Write as _;

fn class(severity: Option<Severity>) -> &'static str {
    match severity {
        Some(Severity::Alarm) => "alarm",
        Some(Severity::Finding) => "finding",
        Some(Severity::Caution) => "caution",
        _ => "note-",
    }
}

/// Flags as small labels; their meaning as a tooltip and in the section about them.
pub(crate) fn chips(joined: &str) -> String {
    let mut out = String::new();
    for flag_name in flag::split(joined) {
        let entry = Flag::from_name(flag_name);
        let title = entry.map_or(String::new(), |f| format!(" title=\"{}\"", escape(f.meaning())));
        let _ = write!(
            out,
            "<span class=\"flag {}\"{title}>{}</span>",
            class(entry.map(Flag::severity)),
            escape(&words::spelled(flag_name))
        );
    }
    out
}

/// Meaning and remedy of each flag, one line each.
pub(crate) fn explained(joined: &str) -> String {
    let mut out = String::new();
    for entry in flag::known(joined) {
        let _ = write!(
            out,
            "<div class=\"note {}\"><strong>{}.</strong> {} {}</div>\n",
            class(Some(entry.severity())),
            escape(&words::capital(&words::spelled(entry.name()))),
            escape(entry.meaning()),
            escape(entry.remedy())
        );
    }
    out
}

/// What stands before everything else: alarms of the run and of any specimen, with where they were raised.
pub(crate) fn first(context: &Context<'_>) -> String {
    let mut raised: BTreeMap<Flag, Vec<&str>> = BTreeMap::new();
    let mut note = |joined: &str, place| {
        for flag in flag::known(joined).filter(|f| f.severity() == Severity::Alarm) {
            raised.entry(flag).or_default().push(place);
        }
    };
    for specimen in &context.story.specimens {
        note(&specimen.row.flags, specimen.row.specimen.as_str());
    }
    for knot in &context.story.knots {
        note(knot.row.map_or("", |r| &r.flags), knot.name);
    }
    let mut out = String::new();
    for (entry, places) in raised {
        let listed: Vec<String> = places.iter().map(|p| name(p)).collect();
        let _ = write!(
            out,
            "<div class=\"note alarm\" role=\"note\"><strong>Look here first: {}.</strong> {} {} Raised on {}.</div>\n",
            escape(&words::spelled(entry.name())),
            escape(entry.meaning()),
            escape(entry.remedy()),
            listed.join(", ")
        );
    }
    let n = context.story.results.run.as_ref().map_or(0, |r| r.warnings.len());
    if n > 0 {
        let _ = write!(
            out,
            "<p class=\"small\"><a href=\"#left-out\">{} about this run</a></p>\n",
            words::counted(n, "warning", "warnings")
        );
    }
    out
}

/// `name: text | name: text` of a picture, one line each.
pub(crate) fn of_picture(joined: &str) -> Vec<String> {
    joined
        .split(" | ")
        .map(str::trim)
        .filter(|t| !t.is_empty())
        .map(|t| match t.split_once(": ") {
            Some((flag_name, text)) if Flag::from_name(flag_name).is_some() => {
                format!("<b>{}</b>: {}", escape(&words::spelled(flag_name)), escape(text))
            }
            _ => escape(t),
        })
        .collect()
}
