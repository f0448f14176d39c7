//! Pictures of a specimen with the marks of its ends drawn over them, and the list of all its pictures.

use super::context::Context;
use super::thumbnails::Thumbnail;
use super::{marks, phrasing, viewer, warnings};
use crate::page::relative_address;
use crate::page::values::{count, name, number};
use crate::table::{EndRow, ImageRow, Status};
use crate::tree::Label;
use crate::units::Point;
use maud::{Markup, html};

/// Smallest half width of a mark, px of the small picture, so that a mark on thin fibres is still seen.
const SMALLEST_MARK: f64 = 5.0;

/// The break-face picture.
pub(crate) fn main(context: &Context<'_>, index: usize) -> Markup {
    let specimen = &context.view.specimens[index];
    let Some(image) = specimen.main_image() else {
        return html! { p.none { "No picture of this specimen." } };
    };
    let counts = counts(&specimen.ends_of(&image.series.image).collect::<Vec<_>>());
    let shown = name(&image.series.image);
    html! {
        figure.face {
            @match thumbnail(context, index, image) {
                Some(picture) => {
                    (opened(context, index, image, picture))
                    figcaption {
                        (shown)
                        @if let Some(side) = &image.series.side { ", " (name(side)) " side" }
                        ": " (counts) "." (scale(image)) (links(context, image))
                    }
                }
                None => p.none { "Picture " (shown) " could not be reached, so it is not shown. It held " (counts) "." }
            }
        }
    }
}

/// The other pictures, small, when there is room for them.
pub(crate) fn further(context: &Context<'_>, index: usize) -> Markup {
    let specimen = &context.view.specimens[index];
    let main = specimen.main_image().map(|i| i.series.image.as_str());
    let others = specimen.images.iter().filter(|i| Some(i.series.image.as_str()) != main);
    let shown: Vec<_> = others.filter_map(|i| Some((*i, thumbnail(context, index, i)?))).collect();
    html! {
        @if !shown.is_empty() {
            div.thumbs {
                @for (image, picture) in shown {
                    figure.thumb {
                        (opened(context, index, image, picture))
                        figcaption.small { (name(&image.series.image)) (links(context, image)) }
                    }
                }
            }
        }
    }
}

fn thumbnail<'a>(context: &'a Context<'_>, index: usize, image: &ImageRow) -> Option<&'a Thumbnail> {
    context.thumbnails.get(index)?.pictures.get(&image.series.image)
}

/// A picture with its marks, as a link that opens it.
fn opened(context: &Context<'_>, index: usize, image: &ImageRow, picture: &Thumbnail) -> Markup {
    let position =
        context.view.specimens[index].images.iter().position(|i| std::ptr::eq(*i, image)).unwrap_or_default();
    html! {
        div id=(viewer::picture_id(index, position)) {
            (viewer::link(context, index, &image.series.image, None, marked(context, index, image, picture)))
        }
    }
}

/// A picture with its marks: one path for each label, over a light rim that shows on any ground.
fn marked(context: &Context<'_>, index: usize, image: &ImageRow, picture: &Thumbnail) -> Markup {
    let ends: Vec<&EndRow> = context.view.specimens[index].ends_of(&image.series.image).collect();
    // One width of line for the picture: marks of thick fibres grow, lines need not.
    let line = (f64::from(picture.width.max(picture.height)) / 320.0).max(1.2);
    let alt = format!("Micrograph {} with {} marked", image.series.image, counts(&ends));
    html! {
        svg viewBox={ "0 0 " (picture.width) " " (picture.height) } role="img" aria-label=(alt) {
            image href=(picture.address) width=(picture.width) height=(picture.height) {}
            @for label in marks::LABELS.into_iter().rev() {
                @let path = outline(&ends, label, picture);
                @let bar = if label == Label::Sheared { 1.5 } else { 1.0 };
                @if !path.is_empty() {
                    path.m-h stroke-width=(format!("{:.1}", line * (bar + 1.2))) d=(path) {}
                    path class=(marks::class(label)) stroke-width=(format!("{:.1}", line * bar)) d=(path) {}
                }
            }
        }
    }
}

/// All marks of one label as the data of one path.
fn outline(ends: &[&EndRow], label: Label, picture: &Thumbnail) -> String {
    let smallest = SMALLEST_MARK * (f64::from(picture.width.max(picture.height)) / 1000.0).max(0.5);
    let mut path = String::new();
    for end in ends.iter().filter(|e| e.label == label) {
        let tip = Point::new(end.x_px * picture.factor, end.y_px * picture.factor);
        let half = end.features.get("shaft_diameter_px").unwrap_or(0.0) * picture.factor * 0.62;
        marks::append(&mut path, label, tip, end.axis_deg, half.max(smallest));
    }
    path
}

/// "12 sheared, 30 tensile and 2 unclear ends".
fn counts(ends: &[&EndRow]) -> String {
    let n = |label| ends.iter().filter(|e| e.label == label).count();
    let [s, t, u] = marks::LABELS.map(n);
    format!("{s} sheared, {t} tensile and {u} unclear ends")
}

fn scale(image: &ImageRow) -> Markup {
    html! {
        @match image.um_per_px {
            Some(scale) => {
                @if let Some(width) = image.width_px {
                    " The picture is " (phrasing::thousands((width as f64 * scale).round() as usize)) " µm wide."
                }
                " Scale: " (number(scale, 3, "µm/px")) "."
            }
            None => " No scale known."
        }
    }
}

fn links(context: &Context<'_>, image: &ImageRow) -> Markup {
    let Some(links) = context.links.get(&image.series.image) else { return html! {} };
    let of = &image.series.image;
    html! {
        span.link {
            @if let Some(plain) = &links.plain {
                " " a href=(relative_address(plain)) aria-label={ "Full picture " (of) } { "Full picture" } "."
            }
            @if let Some(marked) = &links.marked {
                " " a href=(relative_address(marked)) aria-label={ "Marked picture " (of) } { "Marked picture" } "."
            }
        }
    }
}

/// All pictures of the specimen with their counts and warnings.
pub(crate) fn list(context: &Context<'_>, index: usize) -> Markup {
    let specimen = &context.view.specimens[index];
    if specimen.images.is_empty() {
        return html! {};
    }
    let code = &specimen.row.specimen;
    html! {
        details {
            summary { (phrasing::counted(specimen.images.len(), "picture", "pictures")) " of this specimen" }
            div.scroll tabindex="0" role="group" aria-label={ "Pictures of " (code) } {
                table {
                    caption { "Pictures of " (name(code)) }
                    thead {
                        tr {
                            @for head in ["Picture", "Side"] { th scope="col" { (head) } }
                            th.n scope="col" { "µm/px" }
                            th scope="col" { "Counts" }
                            @for head in ["Found", "Sheared", "Tensile", "Unclear"] { th.n scope="col" { (head) } }
                            th scope="col" { "Warnings" }
                        }
                    }
                    tbody { @for image in &specimen.images { (list_row(context, image)) } }
                }
            }
        }
    }
}

fn list_row(context: &Context<'_>, image: &ImageRow) -> Markup {
    html! {
        tr {
            th scope="row" { (name(&image.series.image)) (links(context, image)) }
            td { @if let Some(side) = &image.series.side { (name(side)) } }
            td.n { @if let Some(scale) = image.um_per_px { (number(scale, 3, "")) } }
            td { (if image.series.counted { "yes" } else { "no" }) }
            @for n in [image.n_found, image.n_sheared, image.n_tensile, image.n_unclear] {
                td.n { @if let Some(n) = n { (count(n)) } }
            }
            td.small {
                @if image.status == Status::Failed { p { b { "not read" } ": " (image.error) } }
                @for warning in warnings::of_picture(image) { p { (warning) } }
            }
        }
    }
}
