//! Pictures of a specimen with the marks of its ends drawn over them, and the list of all its pictures.

use super::art::Picture;
use super::context::Context;
use super::html::{self, escape, href, name};
use super::{mark, warn, words};
use crate::table::{EndRow, ImageRow, Status};
use crate::units::Point;
use std::fmt::Write as _;

/// Smallest half width of a mark, px of the small picture, so that a mark on thin fibres is still seen.
const SMALLEST_MARK: f64 = 5.0;

/// The break-face picture.
pub(crate) fn main(context: &Context<'_>, index: usize) -> String {
    let specimen = &context.story.specimens[index];
    let Some(image) = specimen.main_image() else {
        return "<p class=\"none\">No picture of this specimen.</p>".to_owned();
    };
    let counts = counts(&specimen.ends_of(&image.series.image).collect::<Vec<_>>());
    let Some(picture) = context.art.get(index).and_then(|a| a.pictures.get(&image.series.image)) else {
        return format!(
            "<figure class=\"face\"><p class=\"none\">Picture {} could not be reached, so it is not shown. It held {counts}.</p></figure>",
            name(&image.series.image)
        );
    };
    format!(
        "<figure class=\"face\">{}<figcaption>{}{}: {counts}.{}{}</figcaption></figure>",
        marked(context, index, image, picture),
        name(&image.series.image),
        image.series.side.as_deref().map_or(String::new(), |s| format!(", {} side", name(s))),
        scale_words(image),
        links(context, image)
    )
}

/// The other pictures, small, when there is room for them.
pub(crate) fn further(context: &Context<'_>, index: usize) -> String {
    let specimen = &context.story.specimens[index];
    let main = specimen.main_image().map(|i| i.series.image.as_str());
    let mut out = String::new();
    for image in specimen.images.iter().filter(|i| Some(i.series.image.as_str()) != main) {
        if let Some(picture) = context.art.get(index).and_then(|a| a.pictures.get(&image.series.image)) {
            let _ = write!(
                out,
                "<figure class=\"thumb\">{}<figcaption class=\"small\">{}{}</figcaption></figure>",
                marked(context, index, image, picture),
                name(&image.series.image),
                links(context, image)
            );
        }
    }
    if out.is_empty() { out } else { format!("<div class=\"thumbs\">{out}</div>\n") }
}

/// A picture with its marks: one path for each label, over a light rim that shows on any ground.
fn marked(context: &Context<'_>, index: usize, image: &ImageRow, picture: &Picture) -> String {
    let ends: Vec<&EndRow> = context.story.specimens[index].ends_of(&image.series.image).collect();
    let mut out = format!(
        "<svg viewBox=\"0 0 {w} {h}\" role=\"img\" aria-label=\"Micrograph {} with {} marked\"><image href=\"{}\" width=\"{w}\" height=\"{h}\"/>",
        escape(&image.series.image),
        counts(&ends),
        picture.address,
        w = picture.width,
        h = picture.height
    );
    // One width of line for the picture: marks of thick fibres grow, lines need not.
    let line = (f64::from(picture.width.max(picture.height)) / 320.0).max(1.2);
    let smallest = SMALLEST_MARK * (f64::from(picture.width.max(picture.height)) / 1000.0).max(0.5);
    for label in mark::LABELS.into_iter().rev() {
        let mut path = String::new();
        for end in ends.iter().filter(|e| e.label == label) {
            let tip = Point::new(end.x_px * picture.factor, end.y_px * picture.factor);
            let half = end.features.get("shaft_diameter_px").unwrap_or(0.0) * picture.factor * 0.62;
            mark::append(&mut path, label, tip, end.axis_deg, half.max(smallest));
        }
        if !path.is_empty() {
            let bar = if label == crate::tree::Label::Sheared { 1.5 } else { 1.0 };
            let _ = write!(
                out,
                "<path class=\"m-h\" stroke-width=\"{:.1}\" d=\"{path}\"/><path class=\"{}\" stroke-width=\"{:.1}\" d=\"{path}\"/>",
                line * (bar + 1.2),
                mark::class(label),
                line * bar
            );
        }
    }
    out.push_str("</svg>");
    out
}

/// "12 sheared, 30 tensile and 2 unclear ends".
fn counts(ends: &[&EndRow]) -> String {
    let n = |label| ends.iter().filter(|e| e.label == label).count();
    let [s, t, u] = mark::LABELS.map(n);
    format!("{s} sheared, {t} tensile and {u} unclear ends")
}

fn scale_words(image: &ImageRow) -> String {
    match image.um_per_px {
        Some(scale) => {
            let wide = image.width_px.map_or(String::new(), |w| {
                format!(" The picture is {} µm wide.", words::thousands((w as f64 * scale).round() as usize))
            });
            format!("{wide} Scale: {}.", html::number(scale, 3, "µm/px"))
        }
        None => " No scale known.".to_owned(),
    }
}

fn links(context: &Context<'_>, image: &ImageRow) -> String {
    let Some(links) = context.links.get(&image.series.image) else { return String::new() };
    let label = escape(&image.series.image);
    let mut out = format!(
        "<span class=\"link\"> <a href=\"{}\" aria-label=\"Full picture {label}\">Full picture</a>",
        href(&links.plain)
    );
    if let Some(marked) = &links.marked {
        let _ = write!(out, ", <a href=\"{}\" aria-label=\"Marked picture {label}\">marked</a>", href(marked));
    }
    out.push_str(".</span>");
    out
}

/// All pictures of the specimen with their counts and warnings.
pub(crate) fn list(context: &Context<'_>, index: usize) -> String {
    let specimen = &context.story.specimens[index];
    if specimen.images.is_empty() {
        return String::new();
    }
    let mut out = format!(
        "<details><summary>{} of this specimen</summary><div class=\"scroll\" tabindex=\"0\" role=\"group\" aria-label=\"Pictures of {code}\"><table><caption>Pictures of {}</caption><thead><tr>\
         <th scope=\"col\">Picture</th><th scope=\"col\">Side</th><th scope=\"col\" class=\"n\">µm/px</th><th scope=\"col\">Counts</th>\
         <th scope=\"col\" class=\"n\">Found</th><th scope=\"col\" class=\"n\">Sheared</th><th scope=\"col\" class=\"n\">Tensile</th>\
         <th scope=\"col\" class=\"n\">Unclear</th><th scope=\"col\">To know</th></tr></thead><tbody>\n",
        words::counted(specimen.images.len(), "picture", "pictures"),
        name(&specimen.row.specimen),
        code = escape(&specimen.row.specimen)
    );
    let count = |v: Option<u64>| v.map_or(String::new(), |v| format!("<data value=\"{v}\">{v}</data>"));
    for image in &specimen.images {
        let mut know = warn::of_picture(&image.warnings);
        if image.status == Status::Failed {
            know.insert(0, format!("<b>not read</b>: {}", escape(&image.error)));
        }
        let _ = write!(
            out,
            "<tr><th scope=\"row\">{}{}</th><td>{}</td><td class=\"n\">{}</td><td>{}</td><td class=\"n\">{}</td><td class=\"n\">{}</td>\
             <td class=\"n\">{}</td><td class=\"n\">{}</td><td class=\"small\">{}</td></tr>\n",
            name(&image.series.image),
            links(context, image),
            image.series.side.as_deref().map_or(String::new(), name),
            image.um_per_px.map_or(String::new(), |v| html::number(v, 3, "")),
            if image.series.counted { "yes" } else { "no" },
            count(image.n_found),
            count(image.n_sheared),
            count(image.n_tensile),
            count(image.n_unclear),
            know.join("<br/>")
        );
    }
    out.push_str("</tbody></table></div></details>\n");
    out
}
