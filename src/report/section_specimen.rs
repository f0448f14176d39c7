//! One specimen: break face with marks, figures, carriers, typical ends, distributions, warnings.

use super::art::typical;
use super::context::Context;
use super::html::{self, escape, name};
use super::plot_carriers::carriers;
use super::story::Specimen;
use super::{face_picture, gallery, plot_shape, plot_tips, warn, words};
use crate::series::Kind;
use crate::table::{Basis, CarrierVerdict, FaceVerdict};
use crate::tree::Label;
use std::fmt::Write as _;

/// The article of the specimen at a position in the story.
pub(crate) fn article(context: &Context<'_>, index: usize) -> String {
    let specimen = &context.story.specimens[index];
    let mut out = format!(
        "<article class=\"late tall\" id=\"specimen-{n}\" aria-labelledby=\"specimen-{n}-h\">\n<div class=\"opening\"><h3 id=\"specimen-{n}-h\">{}{}</h3>\n",
        name(&specimen.row.specimen),
        kind_words(specimen),
        n = index + 1
    );
    let _ = write!(out, "<p>{}</p>\n", says(specimen));
    out.push_str(&context.reviewed.of_specimen(&specimen.row.specimen));
    out.push_str(&warn::explained(&specimen.row.flags));
    let _ = write!(
        out,
        "<div class=\"row\">{}<div class=\"beside\">{}{}</div></div></div>\n",
        face_picture::main(context, index),
        figures(specimen),
        strip(specimen)
    );
    out.push_str(&face_picture::further(context, index));
    out.push_str(&gallery::gallery(context, index, |label| typical(specimen, label, context.allowance)));
    if context.specimen_plots() {
        out.push_str(&plots(specimen));
    }
    out.push_str(&face_picture::list(context, index));
    out.push_str("</article>\n");
    out
}

fn kind_words(specimen: &Specimen<'_>) -> &'static str {
    match specimen.row.kind {
        Some(Kind::Cut) => " <span class=\"small soft\">scissor-cut control</span>",
        Some(Kind::Pull) => " <span class=\"small soft\">straight-pull control</span>",
        _ => "",
    }
}

fn says(specimen: &Specimen<'_>) -> String {
    let row = specimen.row;
    let verdict = row.verdict.map(FaceVerdict::word);
    let mut out = escape(&words::sentence(row.sheared_fraction, verdict));
    if row.sheared_fraction.is_some() {
        let _ = write!(
            out,
            " Sheared: <strong>{}</strong>.",
            html::percent_interval(row.sheared_fraction, row.sheared_low, row.sheared_high)
        );
    }
    out
}

/// What the published fraction is made from.
fn basis(basis: Basis) -> String {
    match basis {
        Basis::Controls => "corrected by the controls of this series".into(),
        Basis::Model => "corrected by the model's own cross-validated figures".into(),
        Basis::Raw => "as labelled, not corrected".into(),
    }
}

fn figures(specimen: &Specimen<'_>) -> String {
    let row = specimen.row;
    let fraction = |f: Option<f64>, low, high| f.map(|_| html::percent_interval(f, low, high));
    let ends = format!(
        "<data value=\"{s}\">{s}</data>\u{a0}sheared, <data value=\"{t}\">{t}</data>\u{a0}tensile, <data value=\"{u}\">{u}</data>\u{a0}unclear",
        s = row.n_sheared,
        t = row.n_tensile,
        u = row.n_unclear
    );
    let mut out = html::facts(&[
        ("Ends counted", Some(ends)),
        ("Published figure", row.basis.map(basis)),
        ("As labelled", fraction(row.raw_fraction, row.raw_low, row.raw_high)),
        ("Corrected", fraction(row.corrected_fraction, row.corrected_low, row.corrected_high)),
        ("Peak load", row.peak_load_n.map(|v| html::number(v, 1, "N"))),
        ("Design effect of carriers", row.design_effect.map(|v| html::number(v, 2, ""))),
        ("Effective ends", row.n_effective.map(|v| html::number(v, 0, ""))),
        ("Ends expected on the face", row.n_expected.map(|v| html::number(v, 0, ""))),
        ("Share of these labelled", row.coverage.map(html::percent)),
        ("Break zone (10 to 90 % of tips)", row.break_zone_um.map(|v| html::number(v, 0, "µm"))),
        ("Median fibre diameter", row.fibre_diameter_um.map(|v| diameter(v, row.fibre_diameter_u_um))),
        ("Line", row.line.as_deref().map(name)),
    ]);
    for side in &specimen.sides {
        let _ = write!(
            out,
            "<p class=\"small\">Side {}: {} sheared; {n} labelled ends.</p>\n",
            name(&side.side),
            html::percent_interval(side.sheared_fraction, side.sheared_low, side.sheared_high),
            n = side.n_sheared + side.n_tensile
        );
    }
    out
}

/// A diameter with its standard uncertainty, where that is known.
fn diameter(value: f64, u: Option<f64>) -> String {
    let u = u.map_or_else(String::new, |u| format!(" ± {}", html::number(u, 1, "µm")));
    format!("{}{u}", html::number(value, 1, "µm"))
}

/// The carriers of the main picture, with the counts of the whole specimen.
fn strip(specimen: &Specimen<'_>) -> String {
    let row = specimen.row;
    let Some(image) = specimen.main_image() else { return String::new() };
    let rows: Vec<_> = specimen.carriers.iter().copied().filter(|c| c.image == image.series.image).collect();
    if rows.is_empty() {
        return "<p class=\"small none\">No ends could be grouped to carriers.</p>\n".to_owned();
    }
    let of = |verdict| rows.iter().filter(|r| r.verdict == Some(verdict)).count();
    let here = format!(
        "{}: {} cut through, {} partly cut, {} broken in tension, {} with too few ends",
        words::counted(rows.len(), "carrier", "carriers"),
        of(CarrierVerdict::CutThrough),
        of(CarrierVerdict::PartlyCut),
        of(CarrierVerdict::BrokenInTension),
        of(CarrierVerdict::TooFew)
    );
    let alt = format!("Strip of carriers. {here}.");
    format!(
        "<figure>{}<figcaption>{here} in this picture. Solid from below: sheared; ruled: tensile; above: ends; below: number of the carrier. \
         Over all pictures: <data value=\"{c}\">{c}</data> cut through, <data value=\"{p}\">{p}</data> partly cut, \
         <data value=\"{t}\">{t}</data> broken in tension of <data value=\"{s}\">{s}</data> seen.</figcaption></figure>\n",
        carriers(&rows, &alt),
        c = row.carriers_cut,
        p = row.carriers_partly,
        t = row.carriers_tensile,
        s = row.carriers_seen
    )
}

fn median(mut values: Vec<f64>) -> Option<f64> {
    values.sort_by(f64::total_cmp);
    let n = values.len();
    (n > 0).then(|| (values[(n - 1) / 2] + values[n / 2]) / 2.0)
}

/// Two distributions: shape of the ends, and where they lie along the line.
fn plots(specimen: &Specimen<'_>) -> String {
    let counted: Vec<_> = specimen.ends.iter().copied().filter(|e| e.counted).collect();
    let points = plot_shape::points(&counted);
    let mut out = String::from("<div class=\"row\">");
    if !points.is_empty() {
        let n = |label| points.iter().filter(|p| p.0 == label).count();
        let mid = |label, get: fn(&(Label, f64, f64)) -> f64| {
            median(points.iter().filter(|p| p.0 == label).map(get).collect())
                .map_or("–".to_owned(), |v| html::fixed(v, 2))
        };
        let counts = format!(
            "{}\u{a0}sheared, {}\u{a0}tensile, {}\u{a0}unclear",
            n(Label::Sheared),
            n(Label::Tensile),
            n(Label::Unclear)
        );
        let alt = format!(
            "Bulb ratio against cut angle of {counts} ends. Median bulb ratio: sheared {}, tensile {}. Median cut angle: sheared {}, tensile {} degrees.",
            mid(Label::Sheared, |p| p.2),
            mid(Label::Tensile, |p| p.2),
            mid(Label::Sheared, |p| p.1),
            mid(Label::Tensile, |p| p.1)
        );
        let _ = write!(
            out,
            "<figure class=\"small-plot\">{}<figcaption>Shape of the ends: bar = sheared, ring = tensile, diamond = unclear. n = {counts}; ends with both measures.</figcaption></figure>",
            plot_shape::shape(&points, &alt)
        );
    }
    if let Some(image) = specimen.main_image() {
        let here: Vec<_> = specimen.ends_of(&image.series.image).collect();
        if let Some(tips) = plot_tips::tips(&here, image.um_per_px) {
            let counts = format!("{} sheared and {} tensile", tips.sheared.len(), tips.tensile.len());
            let alt = format!("Positions along the line of {counts} ends of one picture.");
            let _ = write!(
                out,
                "<figure class=\"small-plot\">{}<figcaption>Where the fibres ended along the line, in the picture above: solid bars up = sheared, open bars down = tensile. n = {counts}.</figcaption></figure>",
                plot_tips::along(&tips, &alt)
            );
        }
    }
    out.push_str("</div>\n");
    out
}
