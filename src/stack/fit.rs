//! What tiles tell -> the displacement that they have in common, and how certain it is.

use super::motion::{Estimate, Move};
use super::tiles::{TILES, TileStep};
use crate::linear_solve::solve;
use crate::robust::{MAD_TO_SD, weighted_median};

/// What a fit to tiles may change.
#[derive(Clone, Copy, PartialEq)]
pub(super) enum Model {
    /// Shift and growth.
    Free,
    /// Shift alone; the growth is this.
    Growth(f64),
}

/// Weight of every tile: bright objects must not outvote the rest of what shows something.
pub(super) fn weights(tiles: &[TileStep]) -> Option<Vec<f64>> {
    /// Times the middling strength that no tile counts beyond.
    const MOST: f64 = 4.0;
    let mut strengths: Vec<[f64; 2]> = tiles.iter().map(|t| [t.strength(), t.strength()]).collect();
    let most = MOST * weighted_median(&mut strengths)?;
    Some(tiles.iter().map(|t| (most / t.strength().max(f64::MIN_POSITIVE)).min(1.0)).collect())
}

/// Shift and growth that the tiles have in common, over what they show (Huber 1964): marks that stand still while the picture
/// moves count little. Only what is far off is left out: both edges of a fibre that blurs ask for opposite steps, and a fit that believes
/// one of them alone goes astray.
///
/// The variances come from the scatter of the tiles (the sandwich of Huber 1967), each with all its copies as one piece of
/// evidence, for what misleads one copy misleads the others too.
pub(super) fn common_step(tiles: &[TileStep], model: Model) -> Option<Estimate> {
    const ROUNDS: usize = 5;
    /// Huber's constant for 95 % efficiency, in robust standard deviations.
    const HUBER: f64 = 1.345;
    /// Robust standard deviations beyond which a tile does not count at all: blur asks for less, marks that stand still for more.
    const FAR: f64 = 10.0;
    let base = weights(tiles)?;
    let mut fit = Fit::new(tiles, &base, model)?;
    let mut weights = base.clone();
    for _ in 0..ROUNDS {
        let misses: Vec<f64> = tiles.iter().map(|t| fit.miss(t)).collect();
        let parts = misses.iter().zip(tiles).zip(&base);
        let middle = weighted_median(&mut parts.map(|((m, t), w)| [*m, w * t.strength()]).collect::<Vec<_>>())?;
        let spread = (MAD_TO_SD * middle).max(1e-9);
        let trust = |miss: f64| {
            (HUBER * spread / miss.max(1e-9)).min(1.0) * (1.0 - (miss / (FAR * spread)).powi(2)).max(0.0).powi(2)
        };
        weights = base.iter().zip(&misses).map(|(w, m)| w * trust(*m)).collect();
        fit = Fit::new(tiles, &weights, model)?;
    }
    Some(Estimate { by: fit.by, variance: fit.variance(tiles, &weights) })
}

/// Weighted least squares over tiles.
struct Fit {
    by: Move,
    normal: [[f64; 3]; 3],
    free: bool,
}

impl Fit {
    fn new(tiles: &[TileStep], weights: &[f64], model: Model) -> Option<Self> {
        /// Share of all that the tiles show by which every shift is held back.
        const RIDGE: f64 = 1e-3;
        let free = model == Model::Free;
        let known = if let Model::Growth(grow) = model { grow } else { 0.0 };
        let mut normal = [[0.0; 3]; 3];
        let mut right = [0.0; 3];
        for (tile, weight) in tiles.iter().zip(weights) {
            let at = if free { [tile.x, tile.y] } else { [0.0; 2] };
            let columns = [[1.0, 0.0], [0.0, 1.0], at].map(|of| slope(tile, tile.shown(of), free));
            let grown = tile.shown([known * tile.x, known * tile.y]);
            let asked = slope(tile, [tile.pull[0] - grown[0], tile.pull[1] - grown[1]], free);
            for i in 0..3 {
                right[i] += weight * asked[i];
                (0..3).for_each(|j| normal[i][j] += weight * columns[j][i]);
            }
        }
        // Along parallel fibres nothing shows a shift: there it stays as it is.
        let ridge = RIDGE * (normal[0][0] + normal[1][1]);
        (0..2).for_each(|i| normal[i][i] += ridge);
        if !free {
            normal[2][2] = 1.0;
        }
        let [dx, dy, grow] = solve(normal, right)?;
        Some(Self { by: Move { dx, dy, grow: known + grow }, normal, free })
    }

    /// What the move leaves of what a tile asks for.
    fn left(&self, tile: &TileStep) -> [f64; 2] {
        let shown = tile.shown([self.by.dx + self.by.grow * tile.x, self.by.dy + self.by.grow * tile.y]);
        [tile.pull[0] - shown[0], tile.pull[1] - shown[1]]
    }

    /// How far a tile is from where the move brings it, as far as it shows that, px.
    fn miss(&self, tile: &TileStep) -> f64 {
        let [across, down] = self.left(tile);
        across.hypot(down) / tile.strength().max(f64::MIN_POSITIVE)
    }

    fn variance(&self, tiles: &[TileStep], weights: &[f64]) -> [f64; 3] {
        let mut pulls = [[0.0; 3]; TILES * TILES];
        let mut strength = [0.0; TILES * TILES];
        for (tile, weight) in tiles.iter().zip(weights) {
            let left = slope(tile, self.left(tile), self.free);
            (0..3).for_each(|i| pulls[tile.tile][i] += weight * left[i]);
            strength[tile.tile] += weight * tile.strength();
        }
        sandwich(self.normal, &pulls, &strength)
    }
}

/// How a tile's misfit changes with each part of a move, by what it changes with a displacement there.
fn slope(tile: &TileStep, of: [f64; 2], free: bool) -> [f64; 3] {
    [of[0], of[1], if free { of[0] * tile.x + of[1] * tile.y } else { 0.0 }]
}

/// Variance of every part of a solution from what each piece of evidence still pulls at it.
fn sandwich(normal: [[f64; 3]; 3], pulls: &[[f64; 3]], strength: &[f64]) -> [f64; 3] {
    let squares: f64 = strength.iter().map(|s| s * s).sum();
    let pieces = strength.iter().sum::<f64>().powi(2) / squares.max(f64::MIN_POSITIVE);
    let freedom = (pieces - 1.5).max(0.5) / pieces;
    [0, 1, 2].map(|i| {
        let mut unit = [0.0; 3];
        unit[i] = 1.0;
        let Some(to) = solve(normal, unit) else { return f64::INFINITY };
        pulls.iter().map(|p| (to[0] * p[0] + to[1] * p[1] + to[2] * p[2]).powi(2)).sum::<f64>() / freedom
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn one_bright_tile_does_not_outvote_the_others() {
        let tile = |i: usize, strength: f64, dx: f64| TileStep {
            tile: i,
            shows: [strength, 0.0, strength],
            pull: [strength * dx, 0.0],
            ..TileStep::default()
        };
        let mut tiles: Vec<TileStep> =
            (0..40).map(|i| tile(i, 1.0, 0.9 + 0.2 * ((i * 7) % 40) as f64 / 39.0)).collect();
        tiles.push(tile(63, 20.0, -3.0));
        let found = common_step(&tiles, Model::Growth(0.0)).expect("seen");
        assert!((0.9..1.1).contains(&found.by.dx), "{found:?}");
    }
}
