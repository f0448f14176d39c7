//! Pixels of the colours that programs write with.

use super::view::View;
use crate::raster::{Run, runs_of};
use crate::settings::BurntInSettings;

const WHITE: u8 = 1;
const BLACK: u8 = 2;

/// Which ink each pixel of a row is of: white, black, one of six pure colours, or 0.
fn inks(view: &View<'_>, y: usize, settings: &BurntInSettings, out: &mut [u8]) {
    let grey_ink = |low: u8, high: u8| {
        if settings.white_from <= low {
            WHITE
        } else if high <= settings.black_to {
            BLACK
        } else {
            0
        }
    };
    match view.rgb {
        None => out.iter_mut().zip(view.row(y)).for_each(|(ink, v)| *ink = grey_ink(*v, *v)),
        Some(rgb) => {
            let row = &rgb[3 * y * view.width..3 * (y + 1) * view.width];
            for (ink, pixel) in out.iter_mut().zip(row.chunks_exact(3)) {
                let (low, high) = (pixel.iter().min().copied().unwrap_or(0), pixel.iter().max().copied().unwrap_or(0));
                *ink = if settings.colour_span <= high - low {
                    // Bit by bit: which channels are on.
                    let middle = low + (high - low) / 2;
                    pixel.iter().fold(0, |code, v| 2 * code + u8::from(middle < *v)) + BLACK
                } else {
                    grey_ink(low, high)
                };
            }
        }
    }
}

/// Every stretch of ink of a picture, by rows.
pub(super) fn runs(view: &View<'_>, settings: &BurntInSettings) -> Vec<Run> {
    runs_of(view.width, view.height, |y, row| inks(view, y, settings, row))
}
