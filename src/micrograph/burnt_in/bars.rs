//! Scale bars with their ticks and the text above or below them.

use super::view::{View, letter_pad, padded, padded_by};
use crate::raster;
use crate::settings::BurntInSettings;
use crate::units::PxBox;

/// A bar, its ticks and the text above or below it: what near it is closer to its colour than to the ground.
pub(super) fn with_text(bar: &PxBox, view: &View<'_>, settings: &BurntInSettings) -> PxBox {
    let reach = (settings.bar_text_reach * view.height as f64) as u32;
    let beside = ((bar.x1 - bar.x0) / 2).max(reach);
    let window = padded_by(bar, beside, reach, view);
    let (width, height) = ((window.x1 - window.x0) as usize, (window.y1 - window.y0) as usize);
    let colour = median_colour(bar, view);
    let ground = median_colour(&window, view);
    let axis: Vec<f32> = colour.iter().zip(&ground).map(|(c, g)| c - g).collect();
    let length2: f32 = axis.iter().map(|a| a * a).sum();
    let fill = |y: usize, row: &mut [u8]| {
        for (x, ink) in row.iter_mut().enumerate() {
            let pixel = view.colour(window.x0 as usize + x, window.y0 as usize + y);
            let along: f32 = (0..3).map(|c| (pixel[c] - ground[c]) * axis[c]).sum::<f32>() / length2.max(1.0);
            *ink = u8::from(0.5 < along);
        }
    };
    let most_height = (settings.letter_height_max * view.height as f64) as u32;
    let runs = raster::runs_of(width, height, fill);
    let mut found = *bar;
    let mut tallest = 0;
    for part in raster::parts(&runs, (width as u32, most_height)) {
        let b = part.bounds;
        let touches = b.x0 == 0 || b.y0 == 0 || b.x1 as usize == width || b.y1 as usize == height;
        let placed = PxBox { x0: b.x0 + window.x0, y0: b.y0 + window.y0, x1: b.x1 + window.x0, y1: b.y1 + window.y0 };
        let is_speck = part.height() < settings.letter_height_min_px;
        if !touches && !is_speck {
            found = found.union(&placed);
            tallest = tallest.max(part.height());
        }
    }
    padded(&found, letter_pad(tallest.max(bar.y1 - bar.y0), settings), view)
}

fn median_colour(b: &PxBox, view: &View<'_>) -> [f32; 3] {
    let pixels: Vec<[f32; 3]> = (b.y0..b.y1)
        .flat_map(|y| (b.x0..b.x1).map(move |x| (x, y)))
        .map(|(x, y)| view.colour(x as usize, y as usize))
        .collect();
    std::array::from_fn(|c| {
        let mut values: Vec<f32> = pixels.iter().map(|p| p[c]).collect();
        crate::robust::upper_median(&mut values).unwrap_or(0.0)
    })
}
