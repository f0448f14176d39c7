//! Controls: specimens whose answer is known, and what they say about the labeller.

use super::context::Context;
use super::{phrasing, section_specimen};
use crate::page::values::{count, name};
use crate::series::Kind;
use crate::table::Basis;
use maud::{Markup, html};

/// The section of the controls; says so when there are none.
pub(crate) fn section(context: &Context<'_>) -> Markup {
    let controls = &context.view.controls;
    html! {
        section.newpage id="controls" aria-labelledby="controls-h" {
            h2 id="controls-h" { "Controls and correction" }
            @if controls.is_empty() {
                p {
                    "This series has no controls. A scissor-cut specimen (all ends sheared) and a straight pull (all ends \
                     tensile), pictured like the knots, would measure how often labels are wrong on this microscope."
                }
            } @else {
                p {
                    "Scissor-cut specimens should come out all sheared, straight pulls all tensile. How often they don't is \
                     the error of the labels on this microscope; the corrected fractions take it out (Rogan and Gladen 1978)."
                }
                (table(context))
            }
            (bases(context))
            @for &index in controls { (section_specimen::article(context, index)) }
        }
    }
}

/// Specimens that are neither knots nor controls.
pub(crate) fn others(context: &Context<'_>) -> Markup {
    html! {
        @if !context.view.others.is_empty() {
            section.knot id="others" aria-labelledby="others-h" {
                h2 id="others-h" { "Other specimens" }
                p.soft { "The series table gives neither a knot nor a kind of control for these." }
                @for &index in &context.view.others { (section_specimen::article(context, index)) }
            }
        }
    }
}

fn table(context: &Context<'_>) -> Markup {
    html! {
        div.scroll tabindex="0" role="group" aria-label="Controls" {
            table {
                caption { "What the controls came out as" }
                thead {
                    tr {
                        @for head in ["Control", "Should be"] { th scope="col" { (head) } }
                        @for head in ["Sheared", "Tensile", "Unclear", "Labelled right"] { th.n scope="col" { (head) } }
                    }
                }
                tbody { @for &index in &context.view.controls { (row(context, index)) } }
            }
        }
    }
}

fn row(context: &Context<'_>, index: usize) -> Markup {
    let row = context.view.specimens[index].row;
    let (right, should) = match row.kind {
        Some(Kind::Cut) => (row.n_sheared, "all sheared"),
        _ => (row.n_tensile, "all tensile"),
    };
    html! {
        tr {
            th scope="row" { a href={ "#specimen-" (index + 1) } { (name(&row.specimen)) } }
            td { (should) }
            @for n in [row.n_sheared, row.n_tensile, row.n_unclear] { td.n { (count(n)) } }
            td.n { (right) " of " (row.n_sheared + row.n_tensile) }
        }
    }
}

/// Which fractions are published, over all specimens.
fn bases(context: &Context<'_>) -> Markup {
    let of = |basis| context.view.specimens.iter().filter(|s| s.row.basis == Some(basis)).count();
    let parts: Vec<String> = [Basis::Controls, Basis::Model, Basis::Raw]
        .into_iter()
        .filter(|basis| of(*basis) > 0)
        .map(|basis| format!("{} {}", phrasing::counted(of(basis), "specimen", "specimens"), phrasing::basis(basis)))
        .collect();
    html! {
        @if !parts.is_empty() { p { "Published figures and flags: " (parts.join("; ")) "." } }
    }
}
