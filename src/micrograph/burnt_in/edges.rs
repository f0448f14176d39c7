//! How a part of one colour ends: at once, as drawn things do, or softly, as a lens shows them.

use super::view::View;
use crate::raster::{Part, Run};
use crate::settings::MarkSettings;

/// What the outline of a part shows.
pub(super) struct Edges {
    /// Share of the outline at which the colour is gone two pixels out, 0..1.
    pub sharp: f64,
    /// How far three quarters of its pixels lie from its colour at most, 0..255.
    pub spread: f32,
    /// Places of the outline that were looked at.
    pub seen: usize,
}

/// Places of an outline that are looked at, at most; pixels likewise.
const MOST: usize = 600;

/// Looks at the outline of a part; `None` without pixels.
pub(super) fn edges_of(part: &Part, view: &View<'_>, settings: &MarkSettings) -> Option<Edges> {
    let (colour, spread) = colour_of(part, view)?;
    let places = outline(part);
    let step = places.len().div_ceil(MOST).max(1);
    let (mut sharp, mut seen) = (0, 0);
    for (x, y, dx, dy) in places.into_iter().step_by(step) {
        if let Some(is_sharp) = ends_at_once(view, (x, y), (dx, dy), (colour, settings)) {
            sharp += usize::from(is_sharp);
            seen += 1;
        }
    }
    (0 < seen).then(|| Edges { sharp: sharp as f64 / seen as f64, spread, seen })
}

/// Colour of a part, channel by channel the median, and the 75 % quantile of how far its pixels lie from it.
fn colour_of(part: &Part, view: &View<'_>) -> Option<([f32; 3], f32)> {
    let pixels = part.runs.iter().flat_map(|r| (r.x0..r.x1).map(|x| (x as usize, r.y as usize)));
    let step = (part.area as usize).div_ceil(MOST).max(1);
    let pixels: Vec<[f32; 3]> = pixels.step_by(step).map(|(x, y)| view.colour(x, y)).collect();
    let mut colour = [0.0; 3];
    for (c, value) in colour.iter_mut().enumerate() {
        *value = crate::robust::upper_median(&mut pixels.iter().map(|p| p[c]).collect::<Vec<_>>())?;
    }
    let mut off: Vec<f32> = pixels.iter().map(|p| gap(*p, colour)).collect();
    let at = (off.len() * 3 / 4).min(off.len().checked_sub(1)?);
    let spread = *off.select_nth_unstable_by(at, f32::total_cmp).1;
    Some((colour, spread))
}

/// Pixels at the edge of a part with the direction in which it ends there: columns by the ends of runs, rows by what the
/// rows above and below leave open.
fn outline(part: &Part) -> Vec<(i64, i64, i64, i64)> {
    let mut places = Vec::new();
    let rows: Vec<&[Run]> = part.runs.chunk_by(|a, b| a.y == b.y).collect();
    for (i, row) in rows.iter().enumerate() {
        let y = i64::from(row[0].y);
        let beside = |j: Option<usize>, at: i64| {
            j.and_then(|j| rows.get(j)).filter(|r| i64::from(r[0].y) == at).copied().unwrap_or_default()
        };
        let (above, below) = (beside(i.checked_sub(1), y - 1), beside(Some(i + 1), y + 1));
        for run in *row {
            places.push((i64::from(run.x0), y, -1, 0));
            places.push((i64::from(run.x1) - 1, y, 1, 0));
            for (other, dy) in [(above, -1), (below, 1)] {
                open(run, other).for_each(|x| places.push((i64::from(x), y, 0, dy)));
            }
        }
    }
    places
}

/// Columns of a run that the runs of another row leave open.
fn open<'a>(run: &Run, other: &'a [Run]) -> impl Iterator<Item = u32> + use<'a> {
    (run.x0..run.x1).filter(move |x| {
        let next = other.partition_point(|o| o.x1 <= *x);
        other.get(next).is_none_or(|o| *x < o.x0)
    })
}

/// Whether the colour is gone two pixels out; `None` where nothing else begins, or at the border of the picture.
fn ends_at_once(
    view: &View<'_>,
    (x, y): (i64, i64),
    (dx, dy): (i64, i64),
    (colour, settings): ([f32; 3], &MarkSettings),
) -> Option<bool> {
    let inside = |k: i64| {
        let (px, py) = (x + k * dx, y + k * dy);
        (0 <= px && 0 <= py && px < view.width as i64 && py < view.height as i64).then_some((px as usize, py as usize))
    };
    let mut light = [0.0_f32; 3];
    let mut any = [0.0_f32; 3];
    for k in 0..3 {
        let (px, py) = inside(k as i64 + 2)?;
        let there = view.colour(px, py);
        light[k] = (luma(there) - luma(colour)).abs();
        any[k] = gap(there, colour);
    }
    // Lossy compression smears colour over several pixels, but not brightness.
    let gone = |d: [f32; 3]| {
        let whole = d[0].max(d[1]).max(d[2]);
        (settings.contrast as f32 <= whole).then_some(settings.gone_share as f32 * whole <= d[0])
    };
    Some(gone(light).or(gone(any)).unwrap_or(false))
}

/// Largest difference of two colours in one channel.
fn gap(a: [f32; 3], b: [f32; 3]) -> f32 {
    (0..3).map(|c| (a[c] - b[c]).abs()).fold(0.0, f32::max)
}

/// Brightness by the weights of ITU-R BT.709.
fn luma([r, g, b]: [f32; 3]) -> f32 {
    0.2126 * r + 0.7152 * g + 0.0722 * b
}
