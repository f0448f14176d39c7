//! How it was done: method, model, settings, versions; what the page leaves out; limits and safety.

use super::context::Context;
use super::phrasing;
use crate::page::values::{facts, number};
use crate::results::RunFile;
use crate::table::Status;
use maud::{Markup, html};

/// The sections at the end.
pub(crate) fn section(context: &Context<'_>) -> Markup {
    html! { (left_out(context)) (method(context)) (safety()) }
}

/// Warnings of the run, and what is not on the page.
fn left_out(context: &Context<'_>) -> Markup {
    let warnings: Vec<&String> = context.view.results.run.iter().flat_map(|r| &r.warnings).collect();
    html! {
        section.newpage id="left-out" aria-labelledby="left-out-h" {
            h2 id="left-out-h" { "Warnings, and what this page leaves out" }
            @if !warnings.is_empty() {
                ul.plain { @for warning in warnings { li { (warning) } } }
            }
            ul.plain { @for item in not_shown(context) { li { (item) } } }
        }
    }
}

/// What is not on the page, one sentence each.
fn not_shown(context: &Context<'_>) -> Vec<String> {
    let results = context.view.results;
    let shown: usize = context.thumbnails.iter().map(|a| a.pictures.len()).sum();
    let unreachable: usize = context.thumbnails.iter().map(|a| a.unreachable.len()).sum();
    let ends: usize = context.thumbnails.iter().map(|a| a.ends.len()).sum();
    let failed = results.images.iter().filter(|i| i.status == Status::Failed).count();
    let full = match context.links.values().next() {
        None => "full pictures are not part of this page",
        Some(links) if links.plain.is_none() => {
            "marked pictures in full size lie beside this page, linked from each specimen"
        }
        Some(_) => "full pictures lie beside this page, linked from each specimen",
    };
    let pictures = |n| phrasing::counted(n, "picture", "pictures");
    let mut items = vec![format!(
        "{} of {} are shown, made small; {full}.",
        phrasing::thousands(shown),
        pictures(results.images.len())
    )];
    if unreachable > 0 {
        items.push(format!("{} could not be reached or read when the page was made.", pictures(unreachable)));
    }
    items.push(format!(
        "{} of {} are shown in the galleries; all are in ends.csv.",
        phrasing::thousands(ends),
        phrasing::counted(results.ends.len(), "end", "ends")
    ));
    if !context.specimen_plots() {
        items.push("With this many specimens, plots of single specimens are left out.".to_owned());
    }
    if failed > 0 {
        items
            .push(format!("{} could not be read in the run itself; they add nothing to any figure.", pictures(failed)));
    }
    items
}

fn method(context: &Context<'_>) -> Markup {
    html! {
        section id="method" aria-labelledby="method-h" {
            h2 id="method-h" { "How it was done" }
            p {
                "Fibre ends are found in each picture, their shafts traced back, and their outlines measured to a fraction of \
                 a pixel. Two witnesses label each end sheared or tensile: a decision tree on its measured shape, and a \
                 network's impression of its appearance. An end is unclear, and counts for neither, where measuring finds \
                 that the picture does not show it well enough, where the probability of both together is near a half, or \
                 where both are sure and contradict each other."
            }
            p {
                "The sheared fraction of a specimen is sheared / (sheared + tensile). Ends of one carrier are not \
                 independent, so its interval is widened by the design effect. Knots are compared by their specimens, never \
                 by pooled fibres. Knot efficiency is the mean knot load over the mean straight-pull load of the same line."
            }
            (made_with(context.view.results.run.as_ref()))
        }
    }
}

/// Program and model of the run.
fn made_with(run: Option<&RunFile>) -> Markup {
    let code = |text: &str| Some(html! { code { (text) } }).filter(|_| !text.is_empty());
    let program = |version: &str| Some(html! { "breakface " (version) });
    let mut entries = vec![("Page made by", program(env!("CARGO_PKG_VERSION")))];
    if let Some(run) = run {
        entries.extend([
            ("Classified by", program(&run.version)),
            ("Feature table", code(&run.features)),
            ("Run ended", code(&run.ended)),
            ("Model", code(&run.model.name)),
            ("Model digest", code(&run.model.digest)),
            ("Detector digest", code(&run.detector.digest)),
            ("Scale given for all pictures", run.um_per_px.map(|v| number(v, 3, "µm/px"))),
        ]);
    }
    html! {
        (facts(&entries))
        @match run {
            Some(_) => p.small { "All settings in effect are in run.json." },
            None => p.none { "The run left no record of its model and settings (run.json)." },
        }
    }
}

fn safety() -> Markup {
    html! {
        section id="safety" aria-labelledby="safety-h" {
            h2 id="safety-h" { "Limits and safety" }
            ul.plain {
                li {
                    b { "Not for life safety." }
                    " These figures describe the break faces of test specimens. They certify no line, rope or rigging that a \
                     life depends on; there, standards, local rules and qualified people decide. Fishing line is covered by \
                     none of the rope standards."
                }
                li {
                    b { "Line under load stores energy" }
                    " and recoils when it parts: eye protection, a guard round the specimen, nobody in line with the pull, \
                     load released gently."
                }
                li {
                    b { "Thin braid cuts skin" }
                    " under load: never wrap it round a hand. Scissors and blades want care. Melting the ends burns, gives \
                     fumes, and spoils the evidence."
                }
                li {
                    "A label is a judgement from a picture. Slow tensile breaks can split lengthwise and show no cap; a blade \
                     can flare a cut end; one end can be partly sheared and partly torn. Unclear ends are left out of every \
                     fraction."
                }
                li {
                    "Fibres cut while the knot was already failing look like fibres cut before; the loads tell the two apart \
                     better than the ends do."
                }
                li {
                    "Ends seen are a sample of the break face; the interval covers chance and the labeller's error, not ends \
                     that no picture shows."
                }
            }
        }
    }
}
