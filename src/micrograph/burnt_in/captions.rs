//! Scale bars and lines of text within the picture.

use super::bars;
use super::view::{View, letter_pad, padded};
use crate::micrograph::ScaleBar;
use crate::raster::{self, Part, Run};
use crate::settings::BurntInSettings;
use crate::units::PxBox;

/// Boxes of these scale bars with their text, and of lines of text by themselves, given every stretch of ink.
pub(super) fn find_captions(
    view: &View<'_>,
    (scale_bars, runs): (&[ScaleBar], &[Run]),
    settings: &BurntInSettings,
) -> Vec<PxBox> {
    let most = (view.width as u32, (settings.letter_height_max * view.height as f64) as u32);
    let parts = raster::parts(runs, most);
    let letters: Vec<&Part> = parts.iter().filter(|p| is_letter(p, view, settings)).collect();
    let mut boxes: Vec<PxBox> = scale_bars.iter().map(|bar| bars::with_text(&bar.area, view, settings)).collect();
    for line in text_lines(&letters, settings) {
        if !boxes.iter().any(|b| b.meets(&line)) {
            boxes.push(padded(&line, letter_pad(line.y1 - line.y0, settings), view));
        }
    }
    merged(boxes)
}

fn is_letter(part: &Part, view: &View<'_>, settings: &BurntInSettings) -> bool {
    let (width, height) = (f64::from(part.width()), f64::from(part.height()));
    let least = (settings.letter_height_min * view.height as f64).max(f64::from(settings.letter_height_min_px));
    least <= height
        && height <= settings.letter_height_max * view.height as f64
        && width <= settings.letter_aspect_max * height
        && (settings.letter_fill_min..=1.0).contains(&part.fill())
        && settings.letter_edge_min <= edge_step(part, view)
}

/// Mean step of grey across the left and right edges of a part: written edges are sharp, those of shades are not.
fn edge_step(part: &Part, view: &View<'_>) -> f64 {
    let steps = part.runs.iter().flat_map(|run| {
        let row = view.row(run.y as usize);
        let middle = row[((run.x0 + run.x1) / 2) as usize];
        let left = run.x0.checked_sub(2).map(|x| row[x as usize].abs_diff(middle));
        let right = row.get(run.x1 as usize + 1).map(|v| v.abs_diff(middle));
        [left, right].into_iter().flatten()
    });
    let (sum, count) = steps.fold((0.0, 0.0), |(sum, count), step| (sum + f64::from(step), count + 1.0));
    if count == 0.0 { 0.0 } else { sum / count }
}

/// Chains of letters that stand on one line and are of one height.
fn text_lines(letters: &[&Part], settings: &BurntInSettings) -> Vec<PxBox> {
    let mut order: Vec<&Part> = letters.to_vec();
    order.sort_by_key(|p| (p.bounds.x0, p.bounds.y0));
    let mut taken = vec![false; order.len()];
    let mut lines = Vec::new();
    for start in 0..order.len() {
        if taken[start] {
            continue;
        }
        let mut chain = vec![start];
        let mut last = start;
        for next in start + 1..order.len() {
            if !taken[next] && follows(order[last], order[next], settings) {
                chain.push(next);
                last = next;
            }
        }
        if settings.line_letters_min as usize <= chain.len() && is_text(&chain, &order, settings) {
            chain.iter().for_each(|i| taken[*i] = true);
            let bounds = chain.iter().map(|i| order[*i].bounds).reduce(|a, b| a.union(&b));
            lines.extend(bounds.map(|b| with_small_letters(b, &order)));
        }
    }
    lines
}

/// Letters of one word vary in width; blobs that merely stand in a row are alike or of any height.
fn is_text(chain: &[usize], order: &[&Part], settings: &BurntInSettings) -> bool {
    let fills: f64 = chain.iter().map(|i| order[*i].fill()).sum::<f64>() / chain.len() as f64;
    fills <= settings.letter_fill_mean_max
}

fn follows(a: &Part, b: &Part, settings: &BurntInSettings) -> bool {
    let height = f64::from(a.height());
    let slack = (settings.line_slack * height).max(1.5);
    let top = f64::from(a.bounds.y0.abs_diff(b.bounds.y0));
    let bottom = f64::from(a.bounds.y1.abs_diff(b.bounds.y1));
    let gap = f64::from(b.bounds.x0) - f64::from(a.bounds.x1);
    a.class == b.class && top <= slack && bottom <= slack && -1.0 <= gap && gap <= settings.line_gap * height
}

/// Lower-case letters and descenders beside the chain belong to its line.
fn with_small_letters(line: PxBox, letters: &[&Part]) -> PxBox {
    let height = line.y1 - line.y0;
    let mut found = line;
    for _ in 0..2 {
        for letter in letters {
            let middle = (letter.bounds.y0 + letter.bounds.y1) / 2;
            let near = letter.bounds.x0 <= found.x1 + height && found.x0 <= letter.bounds.x1 + height;
            if near && line.y0 <= middle && middle <= line.y1 && letter.height() <= height + height / 2 {
                found = found.union(&letter.bounds);
            }
        }
    }
    found
}

/// Boxes that overlap become one.
fn merged(mut boxes: Vec<PxBox>) -> Vec<PxBox> {
    boxes.sort_by_key(|b| (b.y0, b.x0));
    let mut out: Vec<PxBox> = Vec::new();
    for b in boxes {
        match out.iter_mut().find(|o| o.meets(&b)) {
            Some(other) => *other = other.union(&b),
            None => out.push(b),
        }
    }
    out
}
