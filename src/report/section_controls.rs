//! Controls: specimens whose answer is known, and what they say about the labeller.

use super::context::Context;
use super::html::name;
use super::{section_specimen, words};
use crate::series::Kind;
use crate::table::Basis;
use std::fmt::Write as _;

/// The section of the controls; says so when there are none.
pub(crate) fn section(context: &Context<'_>) -> String {
    let story = &context.story;
    let mut out = String::from(
        "<section class=\"newpage\" id=\"controls\" aria-labelledby=\"controls-h\">\n<h2 id=\"controls-h\">Controls and correction</h2>\n",
    );
    if story.controls.is_empty() {
        out.push_str(
            "<p>This series has no controls. A scissor-cut specimen (all ends sheared) and a straight pull (all ends tensile), \
             pictured like the knots, would measure how often labels are wrong on this microscope.</p>\n",
        );
    } else {
        out.push_str(
            "<p>Scissor-cut specimens should come out all sheared, straight pulls all tensile. How often they don't is the error of the \
             labels on this microscope; the corrected fractions take it out (Rogan and Gladen 1978).</p>\n",
        );
        out.push_str(&table(context));
    }
    out.push_str(&bases(context));
    for &index in &story.controls {
        out.push_str(&section_specimen::article(context, index));
    }
    out.push_str("</section>\n");
    out
}

/// Specimens that are neither knots nor controls.
pub(crate) fn others(context: &Context<'_>) -> String {
    if context.story.others.is_empty() {
        return String::new();
    }
    let mut out = String::from(
        "<section class=\"knot\" id=\"others\" aria-labelledby=\"others-h\">\n<h2 id=\"others-h\">Other specimens</h2>\n\
         <p class=\"soft\">The series table gives neither a knot nor a kind of control for these.</p>\n",
    );
    for &index in &context.story.others {
        out.push_str(&section_specimen::article(context, index));
    }
    out.push_str("</section>\n");
    out
}

fn table(context: &Context<'_>) -> String {
    let mut out = String::from(
        "<div class=\"scroll\" tabindex=\"0\" role=\"group\" aria-label=\"Controls\"><table><caption>What the controls came out as</caption><thead><tr><th scope=\"col\">Control</th><th scope=\"col\">Should be</th>\
         <th scope=\"col\" class=\"n\">Sheared</th><th scope=\"col\" class=\"n\">Tensile</th><th scope=\"col\" class=\"n\">Unclear</th>\
         <th scope=\"col\" class=\"n\">Labelled right</th></tr></thead><tbody>\n",
    );
    for &index in &context.story.controls {
        let row = context.story.specimens[index].row;
        let (right, should) = match row.kind {
            Some(Kind::Cut) => (row.n_sheared, "all sheared"),
            _ => (row.n_tensile, "all tensile"),
        };
        let n = |v: u32| format!("<data value=\"{v}\">{v}</data>");
        let _ = write!(
            out,
            "<tr><th scope=\"row\"><a href=\"#specimen-{}\">{}</a></th><td>{should}</td><td class=\"n\">{}</td><td class=\"n\">{}</td>\
             <td class=\"n\">{}</td><td class=\"n\">{right} of {}</td></tr>\n",
            index + 1,
            name(&row.specimen),
            n(row.n_sheared),
            n(row.n_tensile),
            n(row.n_unclear),
            row.n_sheared + row.n_tensile
        );
    }
    out.push_str("</tbody></table></div>\n");
    out
}

/// Which fractions are published, over all specimens.
fn bases(context: &Context<'_>) -> String {
    let of = |basis: Basis| context.story.specimens.iter().filter(|s| s.row.basis == Some(basis)).count();
    let parts: Vec<String> = [
        (Basis::Controls, "corrected by the controls of the series"),
        (Basis::Model, "corrected by the model's own cross-validated figures"),
        (Basis::Raw, "as labelled, without correction"),
    ]
    .into_iter()
    .filter(|(basis, _)| of(*basis) > 0)
    .map(|(basis, meaning)| format!("{} {meaning}", words::counted(of(basis), "specimen", "specimens")))
    .collect();
    if parts.is_empty() {
        String::new()
    } else {
        format!("<p>Published figures and flags: {}.</p>\n", parts.join("; "))
    }
}
