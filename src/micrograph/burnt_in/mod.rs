//! Captions, information bars and scale bars burnt into the picture: never fibre.
//!
//! What was written into a picture differs from what the microscope saw: one flat colour, edges along the rows, and
//! nothing of it goes on beyond its own box. Only what shows these signs is masked; a doubtful place stays in.

mod bars;
mod captions;
mod edges;
mod info_bar;
mod ink;
mod marks;
mod view;

use super::{Micrograph, scale_bar};
use crate::cancel::Cancel;
use crate::settings::BurntInSettings;
use crate::units::PxBox;
use view::View;

/// Boxes around everything that was written into the picture, from top to bottom; what was found so far when the picture is no
/// longer wanted.
pub(super) fn find_burnt_in(micrograph: &Micrograph, settings: &BurntInSettings, cancel: Cancel<'_>) -> Vec<PxBox> {
    if cancel.is_asked() {
        return Vec::new();
    }
    let (width, height) = (micrograph.grey.width() as usize, micrograph.grey.height() as usize);
    let grey: Vec<u8> = micrograph.grey.values().iter().map(|v| (v >> 8) as u8).collect();
    let view = View { width, height, grey: &grey, rgb: micrograph.rgb.as_ref().map(|p| p.as_raw().as_slice()) };
    let mut boxes = info_bar::find_info_bars(&view, settings);
    let scale_bars = scale_bar::bars(micrograph, &settings.bar);
    if cancel.is_asked() {
        return boxes;
    }
    let in_strip = |b: &PxBox| boxes.iter().any(|s| s.y0 < b.y1 && b.y0 < s.y1);
    let inked = ink::runs(&view, settings);
    let captions: Vec<PxBox> =
        captions::find_captions(&view, (&scale_bars, &inked), settings).into_iter().filter(|b| !in_strip(b)).collect();
    if cancel.is_asked() {
        return captions;
    }
    let marks: Vec<PxBox> = marks::find_marks(&view, inked, &settings.marks)
        .into_iter()
        .filter(|b| !boxes.iter().chain(&captions).any(|o| o.covers(b)))
        .collect();
    boxes.extend(captions);
    boxes.extend(marks);
    boxes.sort_by_key(|b| (b.y0, b.x0));
    boxes
}
