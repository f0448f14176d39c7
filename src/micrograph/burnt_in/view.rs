//! What is searched for marks: the picture as bytes, and boxes with a margin within it.

use crate::settings::BurntInSettings;
use crate::units::PxBox;

/// A picture as bytes: grey, and red-green-blue triples where it has colour.
pub(super) struct View<'a> {
    pub width: usize,
    pub height: usize,
    pub grey: &'a [u8],
    pub rgb: Option<&'a [u8]>,
}

impl View<'_> {
    /// Red, green and blue of a pixel, 0..255.
    pub fn colour(&self, x: usize, y: usize) -> [f32; 3] {
        let index = y * self.width + x;
        match self.rgb {
            Some(rgb) => [rgb[3 * index], rgb[3 * index + 1], rgb[3 * index + 2]].map(f32::from),
            None => [f32::from(self.grey[index]); 3],
        }
    }

    pub fn row(&self, y: usize) -> &[u8] {
        &self.grey[y * self.width..(y + 1) * self.width]
    }
}

/// Margin around letters of this height, px.
pub(super) fn letter_pad(height: u32, settings: &BurntInSettings) -> u32 {
    (settings.pad * f64::from(height)).round().max(f64::from(settings.pad_min_px)) as u32
}

/// A box with a margin, within the picture.
pub(super) fn padded(b: &PxBox, pad: u32, view: &View<'_>) -> PxBox {
    padded_by(b, pad, pad, view)
}

/// A box with a margin on either side, and one above and below.
pub(super) fn padded_by(b: &PxBox, across: u32, down: u32, view: &View<'_>) -> PxBox {
    PxBox {
        x0: b.x0.saturating_sub(across),
        y0: b.y0.saturating_sub(down),
        x1: (b.x1 + across).min(view.width as u32),
        y1: (b.y1 + down).min(view.height as u32),
    }
}
