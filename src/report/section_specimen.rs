//! One specimen: break face with marks, figures, carriers, typical ends, distributions, warnings.

use super::context::Context;
use super::plot_carriers::carriers;
use super::thumbnails::typical;
use super::view_model::Specimen;
use super::{face_picture, gallery, phrasing, plot_shape, plot_tips, unseen, warnings};
use crate::page::values::{count, facts, fixed, name, number, percent, percent_interval};
use crate::robust::median;
use crate::series::Kind;
use crate::table::{CarrierVerdict, History};
use crate::tree::Label;
use maud::{Markup, html};

/// The article of the specimen at a position in the view model.
pub(crate) fn article(context: &Context<'_>, index: usize) -> Markup {
    let specimen = &context.view.specimens[index];
    let id = format!("specimen-{}", index + 1);
    html! {
        article.tall id=(id) aria-labelledby={ (id) "-h" } {
            div.opening {
                h3 id={ (id) "-h" } { (name(&specimen.row.specimen)) (kind(specimen)) }
                p { (says(specimen)) }
                (history(specimen))
                (context.reviewed.of_specimen(&specimen.row.specimen))
                (warnings::of_specimen(context, specimen.row))
                div.row {
                    (face_picture::main(context, index))
                    div.beside { (figures(specimen)) (strip(specimen)) }
                }
            }
            (face_picture::further(context, index))
            (gallery::gallery(context, index, |label| typical(specimen, label, context.allowance)))
            @if context.specimen_plots() { (plots(specimen)) }
            (face_picture::list(context, index))
        }
    }
}

fn kind(specimen: &Specimen<'_>) -> Markup {
    let control = match specimen.row.kind {
        Some(Kind::Cut) => "scissor-cut control",
        Some(Kind::Pull) => "straight-pull control",
        _ => return html! {},
    };
    html! { " " span.small.soft { (control) } }
}

fn says(specimen: &Specimen<'_>) -> Markup {
    let row = specimen.row;
    html! {
        (phrasing::sentence(row.sheared_fraction, row.verdict))
        @if row.sheared_fraction.is_some() {
            " Sheared: " strong { (percent_interval(row.sheared_fraction, row.sheared_low, row.sheared_high)) } "."
        }
    }
}

/// In which order the fibres failed, as far as the pictures support it.
fn history(specimen: &Specimen<'_>) -> Markup {
    let row = specimen.row;
    let Some(told) = row.history else { return html! {} };
    let probability = row.history_probability.filter(|_| told != History::NotKnown);
    html! {
        p.small {
            @if told == History::NotKnown {
                (phrasing::capital(told.phrase()))
            } @else {
                "Order of failure: " strong { (told.phrase()) }
            }
            @if let Some(p) = probability { " (probability " (number(p, 2, "")) " by rendered faces; no real break of known history stands behind it)" }
            @if !row.history_evidence.is_empty() { ": " (row.history_evidence) }
            "."
        }
    }
}

fn figures(specimen: &Specimen<'_>) -> Markup {
    let row = specimen.row;
    let fraction = |f: Option<f64>, low, high| f.map(|_| percent_interval(f, low, high));
    let ends = html! {
        (count(row.n_sheared)) "\u{a0}sheared, " (count(row.n_tensile)) "\u{a0}tensile, "
        (count(row.n_unclear)) "\u{a0}unclear"
    };
    let basis = row.basis.map(|b| html! { (phrasing::basis(b)) });
    html! {
        (facts(&[
            ("Ends counted", Some(ends)),
            ("Published figure", basis),
            ("As labelled", fraction(row.raw_fraction, row.raw_low, row.raw_high)),
            ("Corrected", fraction(row.corrected_fraction, row.corrected_low, row.corrected_high)),
            ("Peak load", row.peak_load_n.map(|v| number(v, 1, "N"))),
            ("Design effect of carriers", row.design_effect.map(|v| number(v, 2, ""))),
            ("Effective ends", row.n_effective.map(|v| number(v, 0, ""))),
            ("Ends expected on the face", row.n_expected.map(|v| number(v, 0, ""))),
            ("Share of these labelled", row.coverage.map(percent)),
            ("Break zone (10 to 90 % of tips)", row.break_zone_um.map(|v| number(v, 0, "µm"))),
            ("Median fibre diameter", row.fibre_diameter_um.map(|v| diameter(v, row.fibre_diameter_u_um))),
            ("Line", row.line.as_deref().map(name)),
        ]))
        (unseen::sentence(specimen))
        @for side in &specimen.sides {
            p.small {
                "Side " (name(&side.side)) ": "
                (percent_interval(side.sheared_fraction, side.sheared_low, side.sheared_high))
                " sheared; "
                (phrasing::counted((side.n_sheared + side.n_tensile) as usize, "labelled end", "labelled ends")) "."
            }
        }
    }
}

/// A diameter with its standard uncertainty, where that is known.
fn diameter(value: f64, u: Option<f64>) -> Markup {
    html! { (number(value, 1, "µm")) @if let Some(u) = u { " ± " (number(u, 1, "µm")) } }
}

/// The carriers of the main picture, with the counts of the whole specimen.
fn strip(specimen: &Specimen<'_>) -> Markup {
    let row = specimen.row;
    let Some(image) = specimen.main_image() else { return html! {} };
    let rows: Vec<_> = specimen.carriers.iter().copied().filter(|c| c.image == image.series.image).collect();
    if rows.is_empty() {
        return html! { p.small.none { "No ends could be grouped to carriers." } };
    }
    let of = |verdict| rows.iter().filter(|r| r.verdict == Some(verdict)).count();
    let here = format!(
        "{}: {} cut through, {} partly cut, {} broken in tension, {} with too few ends",
        phrasing::counted(rows.len(), "carrier", "carriers"),
        of(CarrierVerdict::CutThrough),
        of(CarrierVerdict::PartlyCut),
        of(CarrierVerdict::BrokenInTension),
        of(CarrierVerdict::TooFew)
    );
    html! {
        figure {
            (carriers(&rows, &format!("Strip of carriers. {here}.")))
            figcaption {
                (here) " in this picture. Solid from below: sheared; ruled: tensile; above: ends; below: number of the \
                 carrier. Over all pictures: " (count(row.carriers_cut)) " cut through, " (count(row.carriers_partly))
                " partly cut, " (count(row.carriers_tensile)) " broken in tension of " (count(row.carriers_seen)) " seen."
            }
        }
    }
}

/// Two distributions: shape of the ends, and where they lie along the line.
fn plots(specimen: &Specimen<'_>) -> Markup {
    html! { div.row.plots { (shape(specimen)) (positions(specimen)) } }
}

/// Bulb ratio against cut angle of the counted ends.
fn shape(specimen: &Specimen<'_>) -> Markup {
    let counted: Vec<_> = specimen.ends.iter().copied().filter(|e| e.counted).collect();
    let points = plot_shape::points(&counted);
    if points.is_empty() {
        return html! {};
    }
    let n = |label| points.iter().filter(|p| p.0 == label).count();
    let mid = |label, get: fn(&(Label, f64, f64)) -> f64| {
        let values: Vec<f64> = points.iter().filter(|p| p.0 == label).map(get).collect();
        median(&values).map_or("–".to_owned(), |v| fixed(v, 2))
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
    html! {
        figure.small-plot {
            (plot_shape::shape(&points, &alt))
            figcaption {
                "Shape of the ends: bar = sheared, ring = tensile, diamond = unclear. n = " (counts) "; ends with both measures."
            }
        }
    }
}

/// Where the ends of the main picture lie along the line.
fn positions(specimen: &Specimen<'_>) -> Markup {
    let Some(image) = specimen.main_image() else { return html! {} };
    let here: Vec<_> = specimen.ends_of(&image.series.image).collect();
    let Some(tips) = plot_tips::tips(&here, image.um_per_px) else { return html! {} };
    let counts = format!("{} sheared and {} tensile", tips.sheared.len(), tips.tensile.len());
    let alt = format!("Positions along the line of {counts} ends of one picture.");
    html! {
        figure.small-plot {
            (plot_tips::along(&tips, &alt))
            figcaption {
                "Where the fibres ended along the line, in the picture above: solid bars up = sheared, open bars down = \
                 tensile. n = " (counts) "."
            }
        }
    }
}
