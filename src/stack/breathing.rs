//! Steps of a focus series -> how much the magnification changes from frame to frame, where it does.
//!
//! A lens that breathes magnifies every frame by the same factor against the one before it. Blur that comes and goes looks like
//! growth too, but differs from step to step and from one part of the picture to another. So a growth is believed only where it
//! stands out against its own scatter over the steps, nearly all steps agree on its sign, and parts of the picture that it was
//! not taken from are better off with it.

use super::align::Step;
use super::fit::{Model, common_step, weights};
use super::tiles::TileStep;
use crate::robust::{mad_sd, median};
use crate::settings::StackSettings;

/// Fewest steps that tell.
const LEAST_STEPS: usize = 4;
/// Parts of the picture that are held back in turn: its quarters.
const PARTS: usize = 4;

/// Relative growth per step that the series shows; 0 where none is certain.
pub(super) fn growth(steps: &[Step], settings: &StackSettings) -> f64 {
    let steps: Vec<&[TileStep]> = steps.iter().map(|s| &s.tiles[..]).filter(|t| !t.is_empty()).collect();
    let growths = growths(&steps);
    let Some((middle, u)) = middle(&growths) else { return 0.0 };
    let same_sign = growths.iter().filter(|g| 0.0 < **g * middle).count() as f64;
    let stands_out = settings.breathing_sd * u < middle.abs() && middle.abs() <= settings.max_magnification_step;
    let monotone = settings.breathing_same_sign * growths.len() as f64 <= same_sign;
    if stands_out && monotone && helps_held_back(&steps, settings) { middle } else { 0.0 }
}

/// Growth of every step by itself.
fn growths(steps: &[&[TileStep]]) -> Vec<f64> {
    steps.iter().filter_map(|tiles| common_step(tiles, Model::Free)).map(|e| e.by.grow).collect()
}

/// Median with its standard uncertainty by the scatter of the values; `None` for too few.
fn middle(growths: &[f64]) -> Option<(f64, f64)> {
    /// √(π/2): standard error of the median over that of the mean, normal values.
    const MEDIAN_OVER_MEAN: f64 = 1.253_314;
    let middle = median(growths).filter(|_| LEAST_STEPS <= growths.len())?;
    Some((middle, MEDIAN_OVER_MEAN * mad_sd(growths, middle)? / (growths.len() as f64).sqrt()))
}

/// The quarter of the picture that a tile lies in.
fn part_of(tile: &TileStep) -> usize {
    usize::from(0.0 < tile.x) + 2 * usize::from(0.0 < tile.y)
}

/// Whether growths found without one quarter of the picture bring the tiles of that quarter nearer to where they went, in
/// more of all quarters and steps than chance does (sign test).
fn helps_held_back(steps: &[&[TileStep]], settings: &StackSettings) -> bool {
    let votes: Vec<bool> = (0..PARTS).flat_map(|part| votes(steps, part)).collect();
    let (better, all) = (votes.iter().filter(|v| **v).count() as f64, votes.len() as f64);
    settings.held_back_sd * all.sqrt() / 2.0 < better - all / 2.0
}

/// For every step, whether the growth found without a quarter suits the tiles of that quarter.
fn votes(steps: &[&[TileStep]], part: usize) -> Vec<bool> {
    let pick = |held: bool| -> Vec<Vec<TileStep>> {
        steps.iter().map(|s| s.iter().filter(|t| (part_of(t) == part) == held).copied().collect()).collect()
    };
    let (shown, held) = (pick(false), pick(true));
    let growths = growths(&shown.iter().map(Vec::as_slice).collect::<Vec<_>>());
    let Some((grow, _)) = middle(&growths) else { return Vec::new() };
    let off = |tiles: &[TileStep], held: &[TileStep], grow: f64| {
        let by = common_step(tiles, Model::Growth(grow))?.by;
        Some(held.iter().zip(weights(held)?).map(|(t, w)| w * t.misfit(by)).sum::<f64>())
    };
    shown.iter().zip(&held).filter_map(|(s, h)| Some(off(s, h, grow)? < off(s, h, 0.0)?)).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Tiles of a step of the given growth, each with an error of its own, and a shift.
    fn step(grow: f64, index: usize, error_px: f64) -> Step {
        let tiles = (0..64).map(|i| {
            let (x, y) = ((i % 8) as f64 * 180.0 - 630.0, (i / 8) as f64 * 140.0 - 490.0);
            // An even spread of errors by the golden ratio (Weyl sequence).
            let noise = |k: usize| ((k * 7919 + index * 104_729 + i * 31) as f64 * 0.618_034).fract() - 0.5;
            let pull = [0.3 + grow * x + error_px * noise(1), -0.2 + grow * y + error_px * noise(2)];
            TileStep { tile: i, x, y, shows: [1.0, 0.0, 1.0], pull }
        });
        Step { tiles: tiles.collect(), agreement: 0.99 }
    }

    #[test]
    fn breathing_is_found_and_its_absence_too() {
        let settings = StackSettings::default();
        for total in [0.002, 0.01, -0.01] {
            let steps: Vec<Step> = (0..15).map(|i| step(total / 15.0, i, 0.1)).collect();
            let found = growth(&steps, &settings) * 15.0;
            assert!((found - total).abs() < 3e-4, "{found} for {total}");
        }
        let still: Vec<Step> = (0..15).map(|i| step(0.0, i, 0.1)).collect();
        assert_eq!(growth(&still, &settings), 0.0);
    }

    #[test]
    fn growth_of_changing_sign_is_blur() {
        let steps: Vec<Step> = (0..16).map(|i| step(3e-4 * (i as f64 * 0.9 + 0.4).cos(), i, 0.1)).collect();
        assert_eq!(growth(&steps, &StackSettings::default()), 0.0);
    }

    #[test]
    fn growth_of_one_side_is_no_growth() {
        // The left half grows, the right half stands still.
        let steps: Vec<Step> = (0..15)
            .map(|i| {
                let (mut moving, still) = (step(6e-4, i, 0.05), step(0.0, i, 0.05));
                moving.tiles.iter_mut().zip(still.tiles).filter(|(t, _)| 0.0 < t.x).for_each(|(t, s)| *t = s);
                moving
            })
            .collect();
        assert_eq!(growth(&steps, &StackSettings::default()), 0.0);
    }
}
