//! Typical ends of each label, cut out upright, with their numbers.

use super::context::Context;
use super::html::{self, escape, fixed, name};
use super::mark;
use crate::table::EndRow;
use crate::tree::Label;
use std::fmt::Write as _;

/// The gallery of a specimen; `choose` gives the ends to show of each label.
pub(crate) fn gallery<'a>(context: &Context<'a>, index: usize, choose: impl Fn(Label) -> Vec<&'a EndRow>) -> String {
    let Some(art) = context.art.get(index) else { return String::new() };
    let mut items = String::new();
    for label in mark::LABELS {
        for end in choose(label) {
            if let Some(picture) = art.ends.get(&(end.image.clone(), end.end)) {
                let _ = write!(
                    items,
                    "<li class=\"g-{word}\"><img src=\"{}\" width=\"{}\" height=\"{}\" decoding=\"async\" alt=\"{}\"/>{}</li>\n",
                    picture.address,
                    picture.width,
                    picture.height,
                    escape(&alt(end)),
                    numbers(end),
                    word = label.word()
                );
            }
        }
    }
    if items.is_empty() {
        return String::new();
    }
    format!("<h4>Typical ends, turned upright</h4>\n<ul class=\"gallery\">\n{items}</ul>\n")
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

fn numbers(end: &EndRow) -> String {
    let f = |feature| end.features.get(feature);
    let mut lines = vec![format!("{}<b>{}</b> end {}", mark::inline(end.label), end.label.word(), end.end)];
    if let Some(hand) = hand(end) {
        lines[0].push_str(&format!(" ({hand})"));
    }
    if let Some(carrier) = end.carrier {
        lines.push(format!("carrier {carrier}"));
    }
    let mut part = |words: &str, value: Option<f64>, digits, unit| {
        if let Some(value) = value {
            lines.push(format!("{words} {}", html::number(value, digits, unit)));
        }
    };
    part("bulb", f("bulb_ratio"), 2, "");
    part("cut", f("cut_angle_deg"), 0, "°");
    part("flatness", f("flatness"), 3, "");
    part("diameter", end.shaft_diameter_um, 1, "µm");
    part("p sheared", end.p_sheared, 2, "");
    if !end.subtype.is_empty() {
        lines.push(escape(&super::words::spelled(&end.subtype)));
    }
    if !end.reason.is_empty() {
        lines.push(name(&super::words::spelled(&end.reason)));
    }
    format!("<p>{}</p>", lines.join("<br/>"))
}
