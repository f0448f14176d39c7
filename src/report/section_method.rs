//! How it was done: method, model, settings, versions; what the page leaves out; limits and safety.

use super::context::Context;
use super::html::escape;
use super::words;
use crate::results::RunFile;
use std::fmt::Write as _;

/// The sections at the end.
pub(crate) fn section(context: &Context<'_>) -> String {
    format!("{}{}{}", left_out(context), method(context), safety())
}

/// Warnings of the run, and what is not on the page.
fn left_out(context: &Context<'_>) -> String {
    let story = &context.story;
    let mut items = Vec::new();
    let shown: usize = context.art.iter().map(|a| a.pictures.len()).sum();
    let unreachable: usize = context.art.iter().map(|a| a.unreachable.len()).sum();
    let ends: usize = context.art.iter().map(|a| a.ends.len()).sum();
    items.push(format!(
        "{} of {} are shown, made small; {}.",
        words::thousands(shown),
        words::counted(story.results.images.len(), "picture", "pictures"),
        if context.links.is_empty() {
            "full pictures are not part of this page"
        } else {
            "full pictures lie beside this page, linked from each specimen"
        }
    ));
    if unreachable > 0 {
        items.push(format!(
            "{} could not be reached or read when the page was made.",
            words::counted(unreachable, "picture", "pictures")
        ));
    }
    items.push(format!(
        "{} of {} are shown in the galleries; all are in ends.csv.",
        words::thousands(ends),
        words::counted(story.results.ends.len(), "end", "ends")
    ));
    if !context.specimen_plots() {
        items.push("With this many specimens, plots of single specimens are left out.".to_owned());
    }
    let failed = story.results.images.iter().filter(|i| i.status == crate::table::Status::Failed).count();
    if failed > 0 {
        items.push(format!(
            "{} could not be read in the run itself; they add nothing to any figure.",
            words::counted(failed, "picture", "pictures")
        ));
    }
    let mut out = String::from(
        "<section class=\"newpage\" id=\"left-out\" aria-labelledby=\"left-out-h\">\n<h2 id=\"left-out-h\">Warnings, and what this page leaves out</h2>\n",
    );
    let warnings: Vec<String> = story.results.run.iter().flat_map(|r| &r.warnings).map(|t| escape(t)).collect();
    if !warnings.is_empty() {
        let _ = write!(out, "<ul class=\"plain\"><li>{}</li></ul>\n", warnings.join("</li>\n<li>"));
    }
    let _ = write!(out, "<ul class=\"plain\"><li>{}</li></ul>\n</section>\n", items.join("</li>\n<li>"));
    out
}

fn method(context: &Context<'_>) -> String {
    let run = &context.story.results.run;
    let mut out = String::from(
        "<section id=\"method\" aria-labelledby=\"method-h\">\n<h2 id=\"method-h\">How it was done</h2>\n",
    );
    out.push_str(
        "<p>Fibre ends are found in each picture, their shafts traced back, and their outlines measured to a fraction of a pixel. \
         A decision tree labels each end sheared or tensile with a probability; ends that the picture does not show well enough, or whose \
         probability is near a half, are unclear and count for neither.</p>\n\
         <p>The sheared fraction of a specimen is sheared / (sheared + tensile). Ends of one carrier are not independent, so its interval is \
         widened by the design effect. Knots are compared by their specimens, never by pooled fibres. Knot efficiency is the mean knot load over the \
         mean straight-pull load of the same line.</p>\n",
    );
    out.push_str(&made_with(run.as_ref()));
    out.push_str("</section>\n");
    out
}

/// Program, model and settings of the run.
fn made_with(run: Option<&RunFile>) -> String {
    let code = |text: &str| Some(format!("<code>{}</code>", escape(text))).filter(|_| !text.is_empty());
    let mut facts = vec![("Page made by", Some(format!("breakface {}", escape(env!("CARGO_PKG_VERSION")))))];
    let Some(run) = run else {
        return super::html::facts(&facts)
            + "<p class=\"none\">The run left no record of its model and settings (run.json).</p>\n";
    };
    facts.extend([
        ("Classified by", Some(format!("breakface {}", escape(&run.version)))),
        ("Feature table", code(&run.features)),
        ("Run ended", code(&run.ended)),
        ("Model", code(&run.model.name)),
        ("Model digest", code(&run.model.digest)),
        ("Detector digest", code(&run.detector.digest)),
        ("Scale given for all pictures", run.um_per_px.map(|v| super::html::number(v, 3, "µm/px"))),
    ]);
    let mut out = super::html::facts(&facts);
    if let Ok(text) = run.settings.to_toml() {
        let shown: String = text.split('\n').map(|line| escape(line) + "\n").collect();
        let _ =
            write!(out, "<details><summary>Settings in effect</summary><pre tabindex=\"0\">{shown}</pre></details>\n");
    }
    out
}

fn safety() -> String {
    "<section id=\"safety\" aria-labelledby=\"safety-h\">\n<h2 id=\"safety-h\">Limits and safety</h2>\n\
     <ul class=\"plain\">\
     <li><b>Not for life safety.</b> These figures describe the break faces of test specimens. They certify no line, rope or rigging that a life depends on; \
     there, standards, local rules and qualified people decide. Fishing line is covered by none of the rope standards.</li>\
     <li><b>Line under load stores energy</b> and recoils when it parts: eye protection, a guard round the specimen, nobody in line with the pull, load released gently.</li>\
     <li><b>Thin braid cuts skin</b> under load: never wrap it round a hand. Scissors and blades want care. Melting the ends burns, gives fumes, and spoils the evidence.</li>\
     <li>A label is a judgement from a picture. Slow tensile breaks can split lengthwise and show no cap; a blade can flare a cut end; one end can be partly sheared and partly torn. Unclear ends are left out of every fraction.</li>\
     <li>Fibres cut while the knot was already failing look like fibres cut before; the loads tell the two apart better than the ends do.</li>\
     <li>Ends seen are a sample of the break face; the interval covers chance and the labeller's error, not ends that no picture shows.</li>\
     </ul>\n</section>\n"
        .to_owned()
}
