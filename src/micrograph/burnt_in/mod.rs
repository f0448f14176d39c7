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

use super::Micrograph;
use crate::settings::BurntInSettings;
use crate::units::PxBox;

/// Boxes around everything that was written into the picture, from top to bottom.
pub(super) fn find_burnt_in(micrograph: &Micrograph, settings: &BurntInSettings) -> Vec<PxBox> {
    let (width, height) = (micrograph.grey.width() as usize, micrograph.grey.height() as usize);
    let grey: Vec<u8> = micrograph.grey.values().iter().map(|v| (v >> 8) as u8).collect();
    let view = View { width, height, grey: &grey, rgb: micrograph.rgb.as_ref().map(|p| p.as_raw().as_slice()) };
    let mut boxes = info_bar::find_info_bars(&view, settings);
    let in_strip = |b: &PxBox| boxes.iter().any(|s| s.y0 < b.y1 && b.y0 < s.y1);
    let captions: Vec<PxBox> = captions::find_captions(&view, settings).into_iter().filter(|b| !in_strip(b)).collect();
    let marks: Vec<PxBox> = marks::find_marks(&view, settings)
        .into_iter()
        .filter(|b| !boxes.iter().chain(&captions).any(|o| o.covers(b)))
        .collect();
    boxes.extend(captions);
    boxes.extend(marks);
    boxes.sort_by_key(|b| (b.y0, b.x0));
    boxes
}

/// A picture as bytes: grey, and red-green-blue triples where it has colour.
struct View<'a> {
    width: usize,
    height: usize,
    grey: &'a [u8],
    rgb: Option<&'a [u8]>,
}

impl View<'_> {
    /// Red, green and blue of a pixel, 0..255.
    fn colour(&self, x: usize, y: usize) -> [f32; 3] {
        let index = y * self.width + x;
        match self.rgb {
            Some(rgb) => [rgb[3 * index], rgb[3 * index + 1], rgb[3 * index + 2]].map(f32::from),
            None => [f32::from(self.grey[index]); 3],
        }
    }

    fn row(&self, y: usize) -> &[u8] {
        &self.grey[y * self.width..(y + 1) * self.width]
    }
}
