//! Two copies of frames -> what every tile of the picture tells about their displacement.
//!
//! The difference of two frames is taken for a displacement (along the slopes), a change of blur (along the Laplacian: the
//! heat equation, Koenderink 1984) and a change of contrast. Blur and contrast are each tile's own and drop out.

use super::motion::Move;
use super::moved::moved_back;
use crate::linear_solve::solve;
use crate::raster::Plane;

/// Tiles per side.
pub(super) const TILES: usize = 8;

/// What one tile of one copy tells about the displacement.
#[derive(Debug, Clone, Copy, Default)]
pub(super) struct TileStep {
    /// Which tile of the picture, row by row; copies of other sizes have the same tiles.
    pub tile: usize,
    /// Middle of the tile from the middle of the picture, px.
    pub x: f64,
    /// The same, down.
    pub y: f64,
    /// How well it shows a displacement: xx, xy and yy of its slopes over the noise, 1/px². An edge shows only what goes across.
    pub shows: [f64; 3],
    /// That matrix times the displacement across and down that the tile asks for, 1/px.
    pub pull: [f64; 2],
}

impl TileStep {
    /// What the tile shows of a displacement.
    pub(super) fn shown(&self, of: [f64; 2]) -> [f64; 2] {
        let [xx, xy, yy] = self.shows;
        [xx * of[0] + xy * of[1], xy * of[0] + yy * of[1]]
    }

    /// How well it shows a displacement in any direction, 1/px².
    pub(super) fn strength(&self) -> f64 {
        self.shows[0] + self.shows[2]
    }

    /// How badly a move suits the tile, up to a constant of the tile.
    pub(super) fn misfit(&self, by: Move) -> f64 {
        let at = [by.dx + by.grow * self.x, by.dy + by.grow * self.y];
        let shown = self.shown(at);
        at[0] * (shown[0] - 2.0 * self.pull[0]) + at[1] * (shown[1] - 2.0 * self.pull[1])
    }

    /// The same where the displacement asked for so far was counted from a shift.
    pub(super) fn counted_from(self, shift: [f64; 2]) -> Self {
        let so_far = self.shown(shift);
        Self { pull: [so_far[0] + self.pull[0], so_far[1] + self.pull[1]], ..self }
    }

    /// The same in a picture `factor` times as large.
    pub(super) fn scaled(self, factor: f64) -> Self {
        Self {
            tile: self.tile,
            x: self.x * factor,
            y: self.y * factor,
            shows: self.shows.map(|v| v / (factor * factor)),
            pull: self.pull.map(|v| v / factor),
        }
    }
}

/// What a pixel's difference is explained by: slope across, slope down, blur, contrast.
const CAUSES: usize = 4;

/// Sums over one tile.
#[derive(Clone, Copy, Default)]
struct TileSums {
    /// Products of the causes.
    of: [[f64; CAUSES]; CAUSES],
    /// Products of the causes with the difference.
    with: [f64; CAUSES],
    /// Squares of the difference.
    squares: f64,
    pixels: f64,
}

/// What the tiles tell about the displacement of `b` against `a` beyond the shift given, and the correlation of the whole there;
/// by the pixels alone where `seen` is 1.
pub(super) fn tile_steps(a: &Plane, b: &Plane, seen: Option<&Plane>, shift: [f64; 2]) -> Option<(Vec<TileStep>, f64)> {
    /// Fewest pixels that a tile is judged by.
    const LEAST_PIXELS: f64 = 20.0;
    let margin = 2 + shift[0].abs().max(shift[1].abs()).ceil() as usize;
    let b = moved_back(b, Move { dx: shift[0], dy: shift[1], grow: 0.0 });
    let sums = tile_sums([a, &b], seen, margin);
    let whole = sums.iter().fold(TileSums::default(), TileSums::plus);
    let agreement = whole.agreement()?;
    let left: f64 = sums.iter().filter_map(TileSums::eliminated).map(|e| e.left).sum();
    let noise = (left / whole.pixels).max(f64::MIN_POSITIVE);
    let middle = |i: usize, n: usize| (i as f64 + 0.5) / TILES as f64 * n as f64 - n as f64 / 2.0;
    let steps = sums.iter().enumerate().filter(|(_, s)| LEAST_PIXELS < s.pixels).filter_map(|(i, s)| {
        let found = s.eliminated()?;
        // What the frames have in common counts, not what one of them shows alone.
        let trust = s.agreement()?.max(0.0).powi(4) / noise;
        Some(TileStep {
            tile: i,
            x: middle(i % TILES, a.width),
            y: middle(i / TILES, a.height),
            shows: found.shows.map(|v| trust * v),
            pull: found.pull.map(|v| trust * v),
        })
    });
    Some((steps.collect(), agreement))
}

fn tile_sums([a, b]: [&Plane; 2], seen: Option<&Plane>, margin: usize) -> Vec<TileSums> {
    use rayon::prelude::*;
    let mean: Vec<f32> = a.values.iter().zip(&b.values).map(|(p, q)| 0.5 * (p + q)).collect();
    let mean = Plane { values: mean, ..Plane::zeros(a.width, a.height) };
    let edge = |i: usize, n: usize| (i * n).div_ceil(TILES).clamp(margin, (n - margin.min(n)).max(margin));
    (0..TILES * TILES)
        .into_par_iter()
        .map(|i| {
            let (tx, ty) = (i % TILES, i / TILES);
            let columns = edge(tx, a.width)..edge(tx + 1, a.width);
            (edge(ty, a.height)..edge(ty + 1, a.height)).fold(TileSums::default(), |sums, y| {
                sums.plus(&TileSums::of_row([a, b, &mean], seen.map(|s| s.row(y)), y, columns.clone()))
            })
        })
        .collect()
}

/// Displacement alone, once blur and contrast are taken out.
struct Eliminated {
    shows: [f64; 3],
    pull: [f64; 2],
    /// Squares of the difference that blur and contrast leave.
    left: f64,
}

impl TileSums {
    fn of_row([a, b, mean]: [&Plane; 3], seen: Option<&[f32]>, y: usize, columns: std::ops::Range<usize>) -> Self {
        /// Neighbouring pixels that are summed side by side, so that the processor does them at once.
        const LANES: usize = 8;
        let (above, row, below) = (mean.row(y - 1), mean.row(y), mean.row(y + 1));
        let (row_a, row_b) = (a.row(y), b.row(y));
        // 1 where the pixel counts, else 0.
        let counts = |x: usize| seen.map_or(1.0, |s| s[x]);
        let causes = |x: usize| {
            let sides = row[x - 1] + row[x + 1] + above[x] + below[x];
            [(row[x - 1] - row[x + 1]) / 2.0, (above[x] - below[x]) / 2.0, sides - 4.0 * row[x], row[x]]
                .map(|cause| cause * counts(x))
        };
        let mut of = [[[0.0_f32; LANES]; CAUSES]; CAUSES];
        let mut with = [[0.0_f32; LANES]; CAUSES];
        let mut squares = [0.0_f32; LANES];
        let pixels = columns.clone().map(|x| f64::from(counts(x))).sum();
        for x in columns {
            let (lane, c, off) = (x % LANES, causes(x), (row_b[x] - row_a[x]) * counts(x));
            for i in 0..CAUSES {
                with[i][lane] += c[i] * off;
                (i..CAUSES).for_each(|j| of[i][j][lane] += c[i] * c[j]);
            }
            squares[lane] += off * off;
        }
        let total = |lanes: [f32; LANES]| lanes.iter().map(|v| f64::from(*v)).sum::<f64>();
        let mut sums = Self { of: of.map(|r| r.map(total)), with: with.map(total), squares: total(squares), pixels };
        (0..CAUSES).for_each(|i| (0..i).for_each(|j| sums.of[i][j] = sums.of[j][i]));
        sums
    }

    fn plus(mut self, other: &Self) -> Self {
        for i in 0..CAUSES {
            self.with[i] += other.with[i];
            (0..CAUSES).for_each(|j| self.of[i][j] += other.of[i][j]);
        }
        Self { squares: self.squares + other.squares, pixels: self.pixels + other.pixels, ..self }
    }

    /// Correlation of both frames, from their mean and their difference; `None` where one of them shows nothing.
    fn agreement(&self) -> Option<f64> {
        let (mean, both, quarter) = (self.of[3][3], self.with[3], self.squares / 4.0);
        let energy = (mean - both + quarter) * (mean + both + quarter);
        (0.0 < energy).then(|| (mean - quarter) / energy.sqrt())
    }

    /// Blur and contrast solved for and put in (Schur complement).
    fn eliminated(&self) -> Option<Eliminated> {
        let [_, _, blur, contrast] = self.of;
        let inner = [[blur[2], blur[3]], [contrast[2], contrast[3]]];
        let own = solve(inner, [self.with[2], self.with[3]])?;
        let of_slope = [0, 1].map(|i| solve(inner, [blur[i], contrast[i]]));
        let [Some(across), Some(down)] = of_slope else { return None };
        let rest = |i: usize, j: usize, by: [f64; 2]| self.of[i][j] - blur[i] * by[0] - contrast[i] * by[1];
        Some(Eliminated {
            shows: [rest(0, 0, across), rest(0, 1, down), rest(1, 1, down)],
            pull: [0, 1].map(|i| self.with[i] - blur[i] * own[0] - contrast[i] * own[1]),
            left: (self.squares - own[0] * self.with[2] - own[1] * self.with[3]).max(0.0),
        })
    }
}

#[cfg(test)]
mod tests {
    use super::super::fit::{Model, common_step};
    use super::*;

    /// A line of brightness across the picture, seen at a height and blurred by so many px; straight and without end.
    fn line(at: f64, blur: f64) -> Plane {
        let (width, height) = (200, 160);
        let value = |i: usize| (-(((i / width) as f64 - at) / blur).powi(2) / 2.0).exp() / blur;
        Plane { width, height, values: (0..width * height).map(|i| value(i) as f32).collect() }
    }

    #[test]
    fn a_line_shows_what_goes_across_it_and_its_blur_is_no_step() {
        // The line keeps its middle and blurs: the heat equation holds to first order, so no step is left.
        let (sharp, blurred, moved) = (line(80.0, 5.0), line(80.0, 5.4), line(80.4, 5.0));
        let step = |b: &Plane| {
            let (tiles, _) = tile_steps(&sharp, b, None, [0.0; 2]).expect("both show it");
            common_step(&tiles, Model::Growth(0.0)).expect("seen").by
        };
        assert!(step(&blurred).dy.abs() < 0.02, "{:?}", step(&blurred));
        assert!((step(&moved).dy - 0.4).abs() < 0.03, "{:?}", step(&moved));
        assert!(step(&moved).dx.abs() < 0.02, "along the line nothing is known: {:?}", step(&moved));
    }
}
