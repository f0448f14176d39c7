//! A copy of a picture shown to the detection network in overlapping tiles.
//!
//! Grey copy -> maps of each tile. Tiles bound memory; the rim that neighbours share covers what the network sees around a
//! cell, so that tiles do not change the answer by more than rounding.

use rten_tensor::prelude::*;
use rten_tensor::{NdTensor, NdTensorView};

use super::model::{Contract, Network, NetworkError};

/// Planes of the network's answer, in order: heat, dx, dy, cos, sin, log2 width, look.
pub(crate) const CHANNELS: usize = 7;
/// Planes that change sign in a mirror: dx and cos.
const MIRRORED_SIGN: [usize; 2] = [1, 3];
/// Pixels of the copy per cell of the answer.
pub(crate) const STRIDE: usize = 2;
/// The network's unit of length, px of the copy.
pub(crate) const UNIT: f64 = 8.0;
/// Sides of a tile are multiples of this: the network halves four times.
const MULTIPLE: usize = 16;
/// Side of the largest square tile, px (about 100 MB a worker); a tile that is lower may be as much wider.
const TILE: usize = 896;
/// Rim that neighbouring tiles share, px.
const RIM: usize = 96;

/// What the detection network takes and gives.
pub(crate) const CONTRACT: Contract = Contract {
    trials: [[1, 1, 64, 64], [1, 1, 48, 96]],
    answer: |[n, _, h, w]| vec![n, CHANNELS, h / STRIDE, w / STRIDE],
    largest: [1, 1, TILE, TILE],
};

/// A grey copy of a picture as the network takes it: zero mean, unit deviation, row-major.
#[derive(Clone, Copy)]
pub(crate) struct GreyCopy<'a> {
    /// Columns.
    pub(crate) width: usize,
    /// Rows.
    pub(crate) height: usize,
    /// Values.
    pub(crate) values: &'a [f32],
}

/// Answer of the network about one tile: [`CHANNELS`] planes of cells, and which cells count.
pub(crate) struct Maps<'a> {
    /// Planes by rows by columns.
    pub(crate) planes: NdTensorView<'a, f32, 3>,
    /// Column of the copy where cell (0, 0) lies.
    pub(crate) left: usize,
    /// Row of the copy where cell (0, 0) lies.
    pub(crate) top: usize,
    /// Columns of cells that this tile answers for; the rest is rim.
    pub(crate) columns: std::ops::Range<usize>,
    /// Rows of cells that this tile answers for.
    pub(crate) rows: std::ops::Range<usize>,
}

/// Shows a copy to the network and hands on the answer, tile by tile. With `mirrored`, each tile is shown a second time left
/// for right and both answers are averaged: steadier, at twice the time.
///
/// # Errors
/// When the network fails on a tile, or what takes the answers wants no more.
pub(crate) fn each_tile(
    network: &Network,
    copy: GreyCopy<'_>,
    mirrored: bool,
    mut take: impl FnMut(&Maps<'_>) -> Result<(), NetworkError>,
) -> Result<(), NetworkError> {
    for (y0, y1) in pieces(copy.height, longest(copy.width)) {
        for (x0, x1) in pieces(copy.width, longest(copy.height)) {
            let (w, h) = ((x1 - x0).next_multiple_of(MULTIPLE), (y1 - y0).next_multiple_of(MULTIPLE));
            let input = NdTensor::from_data([1, 1, h, w], tile(copy, (x0, y0), (w, h)));
            let mirror = mirrored.then(|| NdTensor::from_fn([1, 1, h, w], |[_, _, y, x]| input[[0, 0, y, w - 1 - x]]));
            let mut answer = maps(network, input)?;
            if let Some(mirror) = mirror {
                blend_mirrored(&mut answer, &maps(network, mirror)?);
            }
            take(&Maps {
                planes: answer.view(),
                left: x0,
                top: y0,
                columns: answered(x0, x1, copy.width),
                rows: answered(y0, y1, copy.height),
            })?;
        }
    }
    Ok(())
}

/// Answer to one tile of sides that are multiples of 16, without its first side.
///
/// # Errors
/// When the network fails.
pub(crate) fn maps(network: &Network, input: NdTensor<f32, 4>) -> Result<NdTensor<f32, 3>, NetworkError> {
    let [_, _, h, w] = input.shape();
    let shape = [CHANNELS, h / STRIDE, w / STRIDE];
    Ok(NdTensor::from_data(shape, network.run(input)?.into_data()))
}

/// Cells of a tile that it answers for, from where it starts and ends in a side of the copy.
fn answered(start: usize, end: usize, whole: usize) -> std::ops::Range<usize> {
    let first = if start == 0 { 0 } else { RIM / 2 / STRIDE };
    let last = if end == whole { (end - start).div_ceil(STRIDE) } else { (end - start - RIM / 2) / STRIDE };
    first..last
}

/// Part of a copy, row-major; beyond its right and lower side the last column and row go on.
fn tile(copy: GreyCopy<'_>, (x0, y0): (usize, usize), (w, h): (usize, usize)) -> Vec<f32> {
    let mut values = Vec::with_capacity(w * h);
    for y in y0..y0 + h {
        let row = &copy.values[y.min(copy.height - 1) * copy.width..][..copy.width];
        let inside = &row[x0..(x0 + w).min(copy.width)];
        values.extend_from_slice(inside);
        values.extend(std::iter::repeat_n(row[copy.width - 1], w - inside.len()));
    }
    values
}

/// Averages an answer with that to the mirrored tile, cell by cell: x components change sign.
fn blend_mirrored(answer: &mut NdTensor<f32, 3>, other: &NdTensor<f32, 3>) {
    let [channels, rows, columns] = answer.shape();
    for c in 0..channels {
        let sign = if MIRRORED_SIGN.contains(&c) { -1.0 } else { 1.0 };
        for y in 0..rows {
            for x in 0..columns {
                let value = &mut answer[[c, y, x]];
                *value = (*value + sign * other[[c, y, columns - 1 - x]]) / 2.0;
            }
        }
    }
}

/// Longest side of a tile in a copy whose other side is `other`: a tile has at most the area of the largest square one.
fn longest(other: usize) -> usize {
    (TILE * TILE / other.next_multiple_of(MULTIPLE).clamp(MULTIPLE, TILE)) / MULTIPLE * MULTIPLE
}

/// Cuts a length into overlapping pieces of at most `longest`.
fn pieces(length: usize, longest: usize) -> Vec<(usize, usize)> {
    let mut pieces = Vec::new();
    let mut start = 0;
    loop {
        let end = (start + longest).min(length);
        pieces.push((start, end));
        if end == length {
            return pieces;
        }
        start = end - RIM;
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn pieces_cover_and_overlap() {
        assert_eq!(pieces(800, TILE), [(0, 800)]);
        let pieces = pieces(3000, TILE);
        assert_eq!(pieces.first().map(|p| p.0), Some(0));
        assert_eq!(pieces.last().map(|p| p.1), Some(3000));
        assert!(pieces.windows(2).all(|p| p[0].1 - p[1].0 == RIM));
    }

    #[test]
    fn tiles_of_any_form_are_no_larger_than_the_square_one() {
        for (width, height) in [(1000, 750), (750, 1000), (3000, 64), (64, 3000), (3000, 3000), (896, 2000)] {
            let side = |pieces: Vec<(usize, usize)>| pieces.iter().map(|p| p.1 - p.0).max().unwrap_or(0);
            let (w, h) = (side(pieces(width, longest(height))), side(pieces(height, longest(width))));
            assert!(
                w.next_multiple_of(MULTIPLE) * h.next_multiple_of(MULTIPLE) <= TILE * TILE,
                "{width} {height}: {w} {h}"
            );
        }
        assert_eq!(pieces(1000, longest(750)).len(), 1, "needs no second tile");
    }
}
