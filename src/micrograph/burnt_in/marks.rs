//! Drawn marks of any colour and form: letters of any script, bars with ticks, cross-hairs, frames, arrows, dots.
//!
//! What a program drew differs from what a microscope saw in two ways that do not depend on its form: it has one colour, and
//! that colour ends within two pixels all around it, since no lens has softened it. Parts are looked for among the inks that
//! programs write with (white, black, pure colours) and among hues that the picture does not have elsewhere. Greys and pale colours
//! between are left alone: thin sharp fibres at low magnification show the same signs.

use super::edges::{Edges, edges_of};
use super::view::{View, padded};
use crate::raster::{Part, Run, parts, runs_of};
use crate::settings::MarkSettings;
use crate::units::PxBox;

/// Boxes around drawn marks, given every stretch of ink; a thin mark that spans a wide area is covered by narrow boxes along it.
pub(super) fn find_marks(view: &View<'_>, inked: Vec<Run>, settings: &MarkSettings) -> Vec<PxBox> {
    let mut letters: Vec<PxBox> = Vec::new();
    let mut boxes: Vec<PxBox> = Vec::new();
    for (runs, wanted) in palettes(view, inked, settings) {
        for part in parts(&runs, (view.width as u32, view.height as u32)) {
            if is_drawn(&part, view, settings, wanted) {
                match is_letter(&part, view, settings) {
                    true => letters.push(part.bounds),
                    false => boxes.extend(cover(&part, settings)),
                }
            }
        }
    }
    boxes.extend(words(letters, settings));
    boxes.iter().map(|b| padded(b, settings.pad_px, view)).collect()
}

/// How surely a part must be drawn.
#[derive(Clone, Copy)]
struct Wanted {
    sharp_share: f64,
    colour_spread: f64,
}

/// The picture by one palette after the other, with what a part of each must show: the more common a colour is in pictures, the
/// more.
fn palettes<'a>(
    view: &'a View<'_>,
    inked: Vec<Run>,
    settings: &'a MarkSettings,
) -> impl Iterator<Item = (Vec<Run>, Wanted)> {
    let plain = Wanted { sharp_share: settings.sharp_share, colour_spread: settings.colour_spread };
    let foreign = Wanted { sharp_share: settings.sharp_share_foreign, colour_spread: f64::INFINITY };
    let hues = std::iter::once_with(|| foreign_runs(view, settings)).flatten().map(move |r| (r, foreign));
    std::iter::once((inked, plain)).chain(hues)
}

/// Stretches of hues that the picture as a whole does not have; `None` for grey pictures.
fn foreign_runs(view: &View<'_>, settings: &MarkSettings) -> Option<Vec<Run>> {
    let rgb = view.rgb?;
    let span = |c: [u8; 3]| f32::from(c[0].max(c[1]).max(c[2]) - c[0].min(c[1]).min(c[2]));
    let colour = |at: usize| [rgb[3 * at], rgb[3 * at + 1], rgb[3 * at + 2]];
    // The hue of every pixel that has one, looked up again below.
    let least = settings.coloured as f32 / 2.0;
    let hue = |c: [u8; 3]| if least <= span(c) { hue_of(c.map(f32::from)) } else { NO_HUE };
    let hues: Vec<u8> = rgb.chunks_exact(3).map(|p| hue([p[0], p[1], p[2]])).collect();
    let mut counts = [0_usize; HUES];
    hues.iter().filter(|h| **h != NO_HUE).for_each(|h| counts[usize::from(*h)] += 1);
    let all = (view.width * view.height) as f64;
    // In a grey picture every hue is foreign.
    let grey = counts.iter().sum::<usize>() as f64 <= settings.grey_share * all;
    let foreign: [bool; HUES] = std::array::from_fn(|h| {
        let near = counts[(h + HUES - 1) % HUES] + counts[h] + counts[(h + 1) % HUES];
        grey || near as f64 <= settings.foreign_share * all
    });
    Some(runs_of(view.width, view.height, |y, row| {
        for (x, class) in row.iter_mut().enumerate() {
            let at = y * view.width + x;
            let is_foreign = foreign.get(usize::from(hues[at])).is_some_and(|f| *f);
            *class = u8::from(is_foreign && settings.coloured as f32 <= span(colour(at)));
        }
    }))
}

/// Sector of the hue of a colour.
fn hue_of(c: [f32; 3]) -> u8 {
    let angle = (1.732_050_8 * (c[1] - c[2])).atan2(2.0 * c[0] - c[1] - c[2]).to_degrees().rem_euclid(360.0);
    ((angle / 360.0 * HUES as f32) as usize % HUES) as u8
}

/// In place of a sector: too pale to have a hue.
const NO_HUE: u8 = u8::MAX;

/// Sectors of the circle of hues.
const HUES: usize = 24;

/// Whether a part is of one colour and ends at once on all sides.
fn is_drawn(part: &Part, view: &View<'_>, settings: &MarkSettings, wanted: Wanted) -> bool {
    let longest = part.width().max(part.height());
    let share = f64::from(part.area) / (view.width * view.height) as f64;
    if longest < settings.least_px || part.area < settings.least_area_px || settings.most_share < share {
        return false;
    }
    let Some(Edges { sharp, spread, seen }) = edges_of(part, view, settings) else { return false };
    settings.least_edges <= seen && wanted.sharp_share <= sharp && f64::from(spread) <= wanted.colour_spread
}

/// Whether a part is of the size of a letter.
fn is_letter(part: &Part, view: &View<'_>, settings: &MarkSettings) -> bool {
    let most = settings.letter_share * view.height as f64;
    f64::from(part.height()) <= most && f64::from(part.width()) <= 2.0 * most
}

/// Letters near each other are a word: what lies between them is written too, seen or not.
fn words(mut letters: Vec<PxBox>, settings: &MarkSettings) -> Vec<PxBox> {
    let reach = |b: &PxBox| {
        let gap = (settings.letter_gap * f64::from((b.y1 - b.y0).max(b.x1 - b.x0).min(2 * (b.y1 - b.y0)))) as u32;
        PxBox { x0: b.x0.saturating_sub(gap), y0: b.y0, x1: b.x1 + gap, y1: b.y1 }
    };
    letters.sort_by_key(|b| (b.x0, b.y0));
    let mut words: Vec<(PxBox, PxBox)> = Vec::new();
    for letter in letters {
        let near = reach(&letter);
        match words.iter_mut().find(|(_, last)| last.meets(&near)) {
            Some((word, last)) => {
                *word = word.union(&letter);
                *last = near.union(last);
            }
            None => words.push((letter, near)),
        }
    }
    words.into_iter().map(|(word, _)| word).collect()
}

/// Boxes that together cover a part: cells of a grid that hold a pixel of it, joined along rows and then along columns.
fn cover(part: &Part, settings: &MarkSettings) -> Vec<PxBox> {
    let cell = settings.cell_px;
    let columns = part.width().div_ceil(cell) as usize;
    let mut held = vec![false; columns * part.height().div_ceil(cell) as usize];
    for run in &part.runs {
        let row = ((run.y - part.bounds.y0) / cell) as usize * columns;
        let (from, to) = ((run.x0 - part.bounds.x0) / cell, (run.x1 - 1 - part.bounds.x0) / cell);
        held[row + from as usize..=row + to as usize].fill(true);
    }
    let mut boxes: Vec<PxBox> = Vec::new();
    for (row, cells) in held.chunks_exact(columns).enumerate() {
        let y0 = part.bounds.y0 + row as u32 * cell;
        let mut x = 0;
        while x < columns {
            let to = x + cells[x..].iter().take_while(|c| **c).count();
            if to == x {
                x += 1;
                continue;
            }
            let (x0, x1) = (part.bounds.x0 + x as u32 * cell, part.bounds.x0 + to as u32 * cell);
            let found = PxBox { x0, y0, x1: x1.min(part.bounds.x1), y1: (y0 + cell).min(part.bounds.y1) };
            match boxes.iter_mut().find(|b| (b.x0, b.x1, b.y1) == (found.x0, found.x1, found.y0)) {
                Some(above) => above.y1 = found.y1,
                None => boxes.push(found),
            }
            x = to;
        }
    }
    boxes
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_frame_is_covered_along_its_lines_only() {
        let rows = |y: usize, row: &mut [u8]| {
            let edge = y == 0 || y == 99;
            row.iter_mut().enumerate().for_each(|(x, c)| *c = u8::from(edge || x == 0 || x == 199));
        };
        let frame = &parts(&runs_of(200, 100, rows), (200, 100))[0];
        let boxes = cover(frame, &MarkSettings::default());
        assert_eq!(boxes.len(), 4, "{boxes:?}");
        assert!(!boxes.iter().any(|b| b.contains(crate::units::Point::new(100.0, 50.0))));
    }

    #[test]
    fn letters_of_a_line_make_a_word() {
        let letter = |x0: u32, y0: u32| PxBox { x0, y0, x1: x0 + 10, y1: y0 + 14 };
        let words =
            words(vec![letter(10, 10), letter(24, 11), letter(70, 10), letter(10, 60)], &MarkSettings::default());
        assert_eq!(words.len(), 3, "{words:?}");
        assert_eq!(words[0], PxBox { x0: 10, y0: 10, x1: 34, y1: 25 });
    }
}
