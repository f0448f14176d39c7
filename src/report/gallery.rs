//! Typical ends of each label, cut out upright, with their numbers.

use super::context::Context;
use super::thumbnails::Thumbnail;
use super::{marks, phrasing, viewer};
use crate::page::values::{fixed, name, number};
use crate::table::EndRow;
use crate::tree::Label;
use maud::{Markup, html};
use std::fmt::Write as _;

/// The gallery of a specimen; `choose` gives the ends to show of each label.
pub(crate) fn gallery<'a>(context: &Context<'a>, index: usize, choose: impl Fn(Label) -> Vec<&'a EndRow>) -> Markup {
    let Some(thumbnails) = context.thumbnails.get(index) else { return html! {} };
    let shown: Vec<(&EndRow, &Thumbnail)> = marks::LABELS
        .into_iter()
        .flat_map(choose)
        .filter_map(|end| Some((end, thumbnails.ends.get(&(end.image.clone(), end.end))?)))
        .collect();
    html! {
        @if !shown.is_empty() {
            h4 { "Typical ends, turned upright" }
            ul.gallery {
                @for (end, picture) in shown {
                    li class={ "g-" (end.label.word()) } {
                        (viewer::link(context, index, &end.image, Some(end), html! {
                            img src=(picture.address) width=(picture.width) height=(picture.height) alt=(alt(end));
                        }))
                        (numbers(end))
                    }
                }
            }
        }
    }
}

/// Says when a person looked at the end.
fn hand(end: &EndRow) -> Option<&'static str> {
    end.label_hand.map(|_| if end.label_model == Some(end.label) { "confirmed by hand" } else { "by hand" })
}

fn alt(end: &EndRow) -> String {
    let mut out = format!("End {} of {}, {}", end.end, end.image, end.label.word());
    if let Some(bulb) = end.features.get("bulb_ratio") {
        let _ = write!(out, ", bulb ratio {}", fixed(bulb, 2));
    }
    if let Some(angle) = end.features.get("cut_angle_deg") {
        let _ = write!(out, ", cut angle {} degrees", fixed(angle, 0));
    }
    out
}

fn numbers(end: &EndRow) -> Markup {
    let feature = |name| end.features.get(name);
    let measured = [
        ("bulb", feature("bulb_ratio"), 2, ""),
        ("cut", feature("cut_angle_deg"), 0, "°"),
        ("flatness", feature("flatness"), 3, ""),
        ("diameter", end.shaft_diameter_um, 1, "µm"),
        ("p sheared", end.p_sheared, 2, ""),
    ];
    html! {
        p {
            (marks::inline(end.label)) b { (end.label.word()) } " end " (end.end)
            @if let Some(hand) = hand(end) { " (" (hand) ")" }
            span.more {
                @if let Some(carrier) = end.carrier { br; "carrier " (carrier) }
                @for (term, value, digits, unit) in measured {
                    @if let Some(value) = value { br; (term) " " (number(value, digits, unit)) }
                }
                @if !end.subtype.is_empty() { br; (phrasing::spelled(&end.subtype)) }
            }
            @if !end.reason.is_empty() { br; (name(&phrasing::spelled(&end.reason))) }
        }
    }
}
