//! Scale bars: thin flat rectangles along the rows, with ticks perhaps, and text above or below.

use super::view::{View, letter_pad, padded, padded_by};
use crate::raster::{self, Run};
use crate::settings::BurntInSettings;
use crate::units::PxBox;

/// Boxes of scale bars with their text.
pub(super) fn find_bars(view: &View<'_>, runs: &[Run], settings: &BurntInSettings) -> Vec<PxBox> {
    let least = settings.bar_length_min * view.width as f64;
    let most = settings.bar_length_max * view.width as f64;
    let long: Vec<Run> = runs.iter().copied().filter(|r| (least..=most).contains(&f64::from(r.x1 - r.x0))).collect();
    let mut taken = vec![false; long.len()];
    let mut boxes = Vec::new();
    for start in 0..long.len() {
        if taken[start] {
            continue;
        }
        let mut last = start;
        for next in start + 1..long.len() {
            if long[last].y + 1 < long[next].y {
                break;
            }
            if goes_on(&long[last], &long[next], settings) {
                taken[next] = true;
                last = next;
            }
        }
        let (top, bottom) = (long[start], long[last]);
        let bar = PxBox { x0: top.x0.min(bottom.x0), y0: top.y, x1: top.x1.max(bottom.x1), y1: bottom.y + 1 };
        if is_bar(&bar, top.class, view, runs, settings) {
            boxes.push(with_text(&bar, view, settings));
        }
    }
    boxes
}

fn goes_on(a: &Run, b: &Run, settings: &BurntInSettings) -> bool {
    a.y + 1 == b.y
        && a.class == b.class
        && a.x0.abs_diff(b.x0) <= settings.bar_ragged_px
        && a.x1.abs_diff(b.x1) <= settings.bar_ragged_px
}

fn is_bar(bar: &PxBox, ink: u8, view: &View<'_>, runs: &[Run], settings: &BurntInSettings) -> bool {
    let (length, thickness) = (bar.x1 - bar.x0, bar.y1 - bar.y0);
    let most = settings.bar_thickness_max * view.height as f64;
    if thickness < 2 || most < f64::from(thickness) || length < 5 * thickness {
        return false;
    }
    let inked = |y: Option<u32>| {
        let Some(y) = y else { return 0 };
        let from = runs.partition_point(|r| r.y < y);
        let row = runs[from..].iter().take_while(|r| r.y == y).filter(|r| r.class == ink);
        row.map(|r| r.x1.min(bar.x1).saturating_sub(r.x0.max(bar.x0))).sum::<u32>()
    };
    let beside = f64::from(inked(bar.y0.checked_sub(1)).max(inked(Some(bar.y1))));
    beside <= settings.bar_beside_share * f64::from(length) && has_sharp_ends(bar, view, settings)
}

/// Highlights of fibres taper; a bar ends at one column in all its rows. Steps are of the channel that changes most.
fn has_sharp_ends(bar: &PxBox, view: &View<'_>, settings: &BurntInSettings) -> bool {
    let reach = settings.bar_ragged_px as usize + 1;
    let (left, right) = (bar.x0 as usize, bar.x1 as usize - 1);
    let ends = [left.checked_sub(reach).map(|x| (x, left + reach)), Some((right + reach, right.saturating_sub(reach)))];
    let (mut sum, mut count) = (0.0, 0.0);
    for y in bar.y0 as usize..bar.y1 as usize {
        for (outside, inside) in ends.into_iter().flatten().filter(|(o, i)| (*o).max(*i) < view.width) {
            let (a, b) = (view.colour(outside, y), view.colour(inside, y));
            sum += f64::from((0..3).map(|c| (a[c] - b[c]).abs()).fold(0.0, f32::max));
            count += 1.0;
        }
    }
    0.0 < count && settings.bar_end_step <= sum / count
}

/// A bar, its ticks and the text above or below it: what near it is closer to its colour than to the ground.
fn with_text(bar: &PxBox, view: &View<'_>, settings: &BurntInSettings) -> PxBox {
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
