//! The page as a whole: head, contents, sections in order.

use super::context::Context;
use super::viewer;
use super::{section_answer, section_controls, section_knot, section_load, section_method};
use crate::page::Document;
use crate::page::values::name;
use maud::{Markup, html};

/// The whole page.
pub(crate) fn page(context: &Context<'_>) -> String {
    let body = html! {
        a.skip href="#answer" { "Skip to the answer" }
        div.sheet {
            header { h1 { (context.title) } (subtitle(context)) }
            (contents(context))
            main {
                (section_answer::section(context))
                (section_load::section(context))
                (section_knot::sections(context))
                (section_controls::others(context))
                (section_controls::section(context))
                (section_method::section(context))
            }
            footer {
                p {
                    "Made by breakface " (env!("CARGO_PKG_VERSION"))
                    " from saved tables. Describes test specimens only; see "
                    a href="#safety" { "limits and safety" } "."
                }
            }
        }
        (viewer::dialog())
    };
    Document { title: &context.title, style: include_str!("style.css"), body, script: Some(viewer::SCRIPT) }.into_page()
}

fn subtitle(context: &Context<'_>) -> Markup {
    html! {
        p {
            "How much of each break of a braided line was sheared"
            @if let Some(run) = &context.view.results.run {
                "; classified " (run.ended.get(..10).unwrap_or(&run.ended)) "; model " (run.model.name)
            }
        }
    }
}

fn contents(context: &Context<'_>) -> Markup {
    let entry = |target: &str, text: Markup| html! { li { a href={ "#" (target) } { (text) } } };
    html! {
        nav aria-label="Contents" {
            ul {
                (entry("answer", html! { "Answer" }))
                @for (i, knot) in context.view.knots.iter().enumerate() {
                    (entry(&format!("knot-{}", i + 1), name(&context.view.knot_name(knot))))
                }
                @if !context.view.others.is_empty() { (entry("others", html! { "Other specimens" })) }
                (entry("controls", html! { "Controls" }))
                (entry("left-out", html! { "Warnings" }))
                (entry("method", html! { "Method" }))
                (entry("safety", html! { "Safety" }))
            }
        }
    }
}
