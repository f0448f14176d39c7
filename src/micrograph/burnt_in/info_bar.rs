//! Information bars: strips across the whole picture in one flat colour, with text in them.

use super::view::View;
use crate::settings::BurntInSettings;
use crate::units::PxBox;

/// What a row is made of.
#[derive(Clone, Copy)]
struct Row {
    /// Its most frequent grey.
    mode: u8,
    /// Share of its pixels at that grey.
    flat: f64,
}

/// Information bars, wherever they lie.
pub(super) fn find_info_bars(view: &View<'_>, settings: &BurntInSettings) -> Vec<PxBox> {
    let rows: Vec<Row> = (0..view.height).map(|y| row_of(view.row(y), settings.flat_step)).collect();
    let mut strips = Vec::new();
    let mut y = 0;
    while y < view.height {
        let mode = rows[y].mode;
        let in_strip =
            |row: &Row| settings.strip_row_share <= row.flat && row.mode.abs_diff(mode) <= settings.flat_step;
        let end = y + rows[y..].iter().take_while(|row| in_strip(row)).count();
        if end == y {
            y += 1;
            continue;
        }
        if is_strip(&rows, y, end, view, settings) {
            let (top, bottom) = with_frame(&rows, y, end, settings);
            strips.push(PxBox { x0: 0, y0: top as u32, x1: view.width as u32, y1: bottom as u32 });
        }
        y = end;
    }
    strips
}

/// A strip with the lines that frame it: rows of one other grey.
fn with_frame(rows: &[Row], start: usize, end: usize, settings: &BurntInSettings) -> (usize, usize) {
    let is_line = |row: &&Row| settings.strip_border_share <= row.flat;
    let above = rows[..start].iter().rev().take(4).take_while(is_line).count();
    let below = rows[end..].iter().take(4).take_while(is_line).count();
    (start - above, end + below)
}

fn row_of(row: &[u8], step: u8) -> Row {
    let mut counts = [0_u32; 256];
    row.iter().for_each(|v| counts[usize::from(*v)] += 1);
    let near = |mode: usize| {
        let (low, high) = (mode.saturating_sub(step.into()), (mode + usize::from(step)).min(255));
        counts[low..=high].iter().sum::<u32>()
    };
    let mode = (0..256).max_by_key(|v| (near(*v), counts[*v])).unwrap_or(0);
    Row { mode: mode as u8, flat: f64::from(near(mode)) / row.len() as f64 }
}

fn is_strip(rows: &[Row], start: usize, end: usize, view: &View<'_>, settings: &BurntInSettings) -> bool {
    let height = end - start;
    let share = height as f64 / rows.len() as f64;
    if share < settings.strip_height_min || settings.strip_height_max < share {
        return false;
    }
    // Its borders are free of text, and nothing crosses them.
    let quiet = |row: &Row| settings.strip_border_share <= row.flat;
    let has_quiet = |part: &[Row]| part.iter().take(3).any(quiet);
    let bottom: Vec<Row> = rows[start..end].iter().rev().copied().collect();
    if !has_quiet(&rows[start..end]) || (end < rows.len() && !has_quiet(&bottom)) {
        return false;
    }
    // There is something written in it; an empty ground needs no mask.
    if rows[start..end].iter().all(quiet) {
        return false;
    }
    // The picture beside it is of another make, on every side where there is picture.
    let mode = rows[start].mode;
    let other = |y: usize| {
        let row = view.row(y);
        let same = row.iter().filter(|v| v.abs_diff(mode) <= settings.flat_step).count();
        (same as f64) < settings.strip_outside_share * row.len() as f64
    };
    let above = start.checked_sub(4).is_none_or(other);
    let below = rows.len() <= end + 3 || other(end + 3);
    above && below
}
