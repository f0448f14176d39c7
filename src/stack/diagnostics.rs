//! Focus curves and maps of a series -> what a person should know about it.

use crate::raster::{Plane, laplacian, most_levels};
use crate::settings::StackSettings;
use crate::units::PxBox;

/// Tiles per side in which sharpness is followed from frame to frame.
const TILES: usize = 16;

/// Mean focus measure of every tile.
pub(super) fn tile_means(measure: &Plane) -> Vec<f32> {
    let mut sums = vec![(0.0_f64, 0_u32); TILES * TILES];
    for y in 0..measure.height {
        let tile_row = y * TILES / measure.height;
        for (x, value) in measure.row(y).iter().enumerate() {
            let tile = &mut sums[tile_row * TILES + x * TILES / measure.width];
            tile.0 += f64::from(*value);
            tile.1 += 1;
        }
    }
    sums.into_iter().map(|(sum, n)| (sum / f64::from(n.max(1))) as f32).collect()
}

/// Change of sharpness along the best order found over that along the order given, 0..1; 1 = the order is good.
///
/// Neighbours in height look alike, so the best order is built by always going on to the most alike frame.
pub(super) fn order_quality(curves: &[Vec<f32>]) -> f64 {
    let n = curves.len();
    if n < 4 {
        return 1.0;
    }
    let tops: Vec<f32> = (0..curves[0].len()).map(|t| curves.iter().map(|c| c[t]).fold(1e-12, f32::max)).collect();
    let gap = |a: usize, b: usize| {
        let pairs = curves[a].iter().zip(&curves[b]).zip(&tops);
        pairs.map(|((p, q), top)| f64::from((p - q).abs() / top)).sum::<f64>()
    };
    let given: f64 = (1..n).map(|i| gap(i - 1, i)).sum();
    // A chain from each end of the given order and from its middle; the shortest counts.
    let best = [0, n / 2, n - 1].into_iter().map(|start| chain_length(start, n, &gap)).fold(given, f64::min);
    if given <= 0.0 { 1.0 } else { best / given }
}

fn chain_length(start: usize, n: usize, gap: &dyn Fn(usize, usize) -> f64) -> f64 {
    let mut left: Vec<usize> = (0..n).filter(|i| *i != start).collect();
    let (mut head, mut tail, mut total) = (start, start, 0.0);
    while !left.is_empty() {
        let mut best = (f64::INFINITY, 0, true);
        for (place, frame) in left.iter().enumerate() {
            for (end, at_head) in [(head, true), (tail, false)] {
                let d = gap(end, *frame);
                if d < best.0 {
                    best = (d, place, at_head);
                }
            }
        }
        let frame = left.swap_remove(best.1);
        total += best.0;
        if best.2 {
            head = frame;
        } else {
            tail = frame;
        }
    }
    total
}

/// Places with structure that is sharp in no frame.
pub(super) struct Unfocused {
    /// Their share of all structured places, 0..1.
    pub share: f64,
    /// Tiles that mostly consist of them.
    pub tiles: Vec<PxBox>,
}

/// Compares fine with coarse detail of the merged picture; sharp parts of the same picture set the standard.
pub(super) fn unfocused(merged: &Plane, noise_sd: f64, settings: &StackSettings) -> Unfocused {
    /// Detail bands compared: the second finest (noise spoils the finest) and one four times as coarse.
    const FINE: usize = 1;
    const COARSE: usize = 3;
    let none = Unfocused { share: 0.0, tiles: Vec::new() };
    let levels = COARSE + 1;
    if most_levels(merged.width, merged.height) < levels {
        return none;
    }
    let energy = |band: &Plane| Plane { values: band.values.iter().map(|v| v * v).collect(), ..band.clone() };
    let wide = settings.never_sharp_window * settings.window_px;
    let bands = laplacian(merged.clone(), levels);
    let fine = energy(&bands[FINE]).reduce().reduce().smoothed(wide);
    let coarse = energy(&bands[COARSE]).smoothed(wide);
    let floor = (noise_sd * noise_sd + settings.detail_floor * settings.detail_floor) as f32;
    let structured = |i: usize| settings.texture_over_noise as f32 * floor < coarse.values[i];
    let mut ratios: Vec<f32> =
        (0..coarse.values.len()).filter(|i| structured(*i)).map(|i| fine.values[i] / coarse.values[i]).collect();
    let n_structured = ratios.len();
    if n_structured == 0 {
        return none;
    }
    ratios.sort_by(f32::total_cmp);
    // The sharp parts: the upper tenth.
    let sharp = ratios[(n_structured - 1) * 9 / 10];
    let is_soft =
        |i: usize| structured(i) && fine.values[i] < settings.never_sharp_share as f32 * sharp * coarse.values[i];
    let n_soft = (0..coarse.values.len()).filter(|i| is_soft(*i)).count();
    let share = n_soft as f64 / n_structured as f64;
    Unfocused { share, tiles: soft_tiles(&coarse, merged, &structured, &is_soft) }
}

fn soft_tiles(
    coarse: &Plane,
    merged: &Plane,
    structured: &dyn Fn(usize) -> bool,
    is_soft: &dyn Fn(usize) -> bool,
) -> Vec<PxBox> {
    let mut counts = vec![(0_usize, 0_usize, 0_usize); TILES * TILES];
    for i in 0..coarse.values.len() {
        let (x, y) = (i % coarse.width, i / coarse.width);
        let tile = &mut counts[y * TILES / coarse.height * TILES + x * TILES / coarse.width];
        tile.0 += usize::from(is_soft(i));
        tile.1 += usize::from(structured(i));
        tile.2 += 1;
    }
    let edge = |i: usize, n: usize| (i * n).div_ceil(TILES) as u32;
    let mut tiles = Vec::new();
    for (i, (soft, structured, all)) in counts.into_iter().enumerate() {
        // Mostly soft, and enough of it to matter: a tenth of the tile.
        if structured < 2 * soft && all < 10 * soft {
            let (tx, ty) = (i % TILES, i / TILES);
            tiles.push(PxBox {
                x0: edge(tx, merged.width),
                y0: edge(ty, merged.height),
                x1: edge(tx + 1, merged.width),
                y1: edge(ty + 1, merged.height),
            });
        }
    }
    tiles
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_shuffled_series_is_noticed() {
        let curve = |z: f32| (0..20).map(|t| (-(z - t as f32 * 0.5).powi(2) / 4.0).exp()).collect::<Vec<f32>>();
        let ordered: Vec<Vec<f32>> = (0..10).map(|z| curve(z as f32)).collect();
        assert!(0.95 < order_quality(&ordered));
        let shuffled: Vec<Vec<f32>> = [3, 8, 1, 5, 0, 9, 2, 7, 4, 6].into_iter().map(|z| curve(z as f32)).collect();
        assert!(order_quality(&shuffled) < 0.6, "{}", order_quality(&shuffled));
        assert_eq!(order_quality(&ordered[..2]), 1.0);
    }
}
