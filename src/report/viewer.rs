//! The viewer of the page: a picture in full window, to zoom and to move about, and the links that open it.
//!
//! Links lead to the marked picture beside the page, or to the picture within the page, so that they work without a script.

use super::context::Context;
use super::thumbnails::Thumbnail;
use crate::page::relative_address;
use crate::table::EndRow;
use maud::{Markup, html};

/// What the browser does.
pub(crate) const SCRIPT: &str = include_str!("viewer.js");

/// Part of the picture around a single end that the viewer opens on, in shaft diameters.
const CLOSE_UP_D: f64 = 24.0;

/// The window that opens over the page.
pub(crate) fn dialog() -> Markup {
    html! {
        dialog id="viewer" aria-labelledby="viewer-title" {
            div.viewer-bar {
                p id="viewer-title" {}
                @for (act, words, sign) in [("in", "Zoom in", "+"), ("out", "Zoom out", "−"), ("all", "Whole picture", "Whole"), ("close", "Close", "×")] {
                    button type="button" data-act=(act) aria-label=(words) title=(words) { (sign) }
                }
            }
            svg role="img" aria-label="Picture" tabindex="0" viewBox="0 0 4 3" {}
            p.small { "Wheel, pinch, + and − zoom; drag or arrow keys move; 0 shows the whole picture; Esc closes." }
        }
    }
}

/// The id of a picture on the page.
pub(crate) fn picture_id(specimen: usize, image: usize) -> String {
    format!("picture-{}-{}", specimen + 1, image + 1)
}

/// A link around `content` that opens a picture of a specimen, at an end when one is given; `content` alone when the
/// picture is neither on the page nor beside it.
pub(crate) fn link(
    context: &Context<'_>,
    specimen: usize,
    image: &str,
    end: Option<&EndRow>,
    content: Markup,
) -> Markup {
    let found = context.view.specimens[specimen].images.iter().position(|i| i.series.image == image);
    let on_page = context.thumbnails.get(specimen).and_then(|t| t.pictures.get(image));
    let full = context.links.get(image).and_then(|l| l.marked.as_deref()).map(relative_address);
    let Some(position) = found else { return content };
    let id = picture_id(specimen, position);
    let target = match (&full, on_page) {
        (Some(full), _) => full.clone(),
        (None, Some(_)) => format!("#{id}"),
        (None, None) => return content,
    };
    let title = end.map_or_else(|| image.to_owned(), |e| format!("{image}, end {}", e.end));
    html! {
        a.zoom href=(target) data-picture=[on_page.map(|_| &id)] data-full=[full] data-title=(title)
            data-at=[end.zip(on_page).map(|(end, picture)| close_up(end, picture))]
            aria-label={ "Open the marked picture " (title) } { (content) }
    }
}

/// Where an end lies on a small picture, and how wide its surroundings are.
fn close_up(end: &EndRow, picture: &Thumbnail) -> String {
    let diameter = end.features.get("shaft_diameter_px").unwrap_or(1.0);
    let [x, y, size] = [end.x_px, end.y_px, CLOSE_UP_D * diameter].map(|v| v * picture.factor);
    format!("{x:.1} {y:.1} {size:.1}")
}
