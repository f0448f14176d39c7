//! The page as a whole: head, contents, sections in order.

use super::context::Context;
use super::html::escape;
use super::section_answer::knot_name;
use super::{section_answer, section_controls, section_knot, section_load, section_method};
use std::fmt::Write as _;

/// Nothing may be loaded from anywhere: pictures are part of the page, there are no scripts.
const POLICY: &str =
    "default-src 'none'; img-src data:; style-src 'unsafe-inline'; base-uri 'none'; form-action 'none'";

/// The whole page.
pub(crate) fn page(context: &Context<'_>) -> String {
    let title = escape(&context.title);
    let mut out = format!(
        "<!DOCTYPE html>\n<html lang=\"en\">\n<head>\n<meta charset=\"utf-8\"/>\n<meta http-equiv=\"Content-Security-Policy\" content=\"{POLICY}\"/>\n\
         <meta name=\"viewport\" content=\"width=device-width, initial-scale=1\"/>\n<meta name=\"color-scheme\" content=\"light dark\"/>\n\
         <title>{title}</title>\n<style>\n{}</style>\n</head>\n<body>\n<a class=\"skip\" href=\"#answer\">Skip to the answer</a>\n<div class=\"sheet\">\n\
         <header>\n<h1>{title}</h1>\n{}</header>\n{}<main>\n",
        include_str!("style.css"),
        subtitle(context),
        contents(context)
    );
    out.push_str(&section_answer::section(context));
    out.push_str(&section_load::section(context));
    out.push_str(&section_knot::sections(context));
    out.push_str(&section_controls::others(context));
    out.push_str(&section_controls::section(context));
    out.push_str(&section_method::section(context));
    let _ = write!(
        out,
        "</main>\n<footer>\n<p>Made by breakface {} from saved tables. Describes test specimens only; see <a href=\"#safety\">limits and safety</a>.</p>\n</footer>\n</div>\n</body>\n</html>\n",
        env!("CARGO_PKG_VERSION")
    );
    out
}

fn subtitle(context: &Context<'_>) -> String {
    let mut parts = vec!["How much of each break of a braided line was sheared".to_owned()];
    if let Some(run) = &context.story.results.run {
        parts.push(format!("classified {}", escape(run.ended.get(..10).unwrap_or(&run.ended))));
        parts.push(format!("model {}", escape(&run.model.name)));
    }
    format!("<p>{}</p>\n", parts.join("; "))
}

fn contents(context: &Context<'_>) -> String {
    let mut out = String::from("<nav aria-label=\"Contents\"><ul>\n<li><a href=\"#answer\">Answer</a></li>\n");
    for (i, knot) in context.story.knots.iter().enumerate() {
        let _ = write!(out, "<li><a href=\"#knot-{}\">{}</a></li>\n", i + 1, knot_name(context, knot));
    }
    if !context.story.others.is_empty() {
        out.push_str("<li><a href=\"#others\">Other specimens</a></li>\n");
    }
    out.push_str(
        "<li><a href=\"#controls\">Controls</a></li>\n<li><a href=\"#left-out\">Warnings</a></li>\n\
         <li><a href=\"#method\">Method</a></li>\n<li><a href=\"#safety\">Safety</a></li>\n</ul></nav>\n",
    );
    out
}
