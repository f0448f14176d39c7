//! Products of rows of inputs with panels of weights: the inner loop of every convolution.
//!
//! Weights of all outputs that are made together lie side by side in a panel, one row for each input, so that an input
//! meets them as one vector. Each output is the sum over its inputs in their order.

use rten_simd::ops::{BitOps, NumOps};
use rten_simd::{Isa, SimdOp};

/// Rows that are multiplied together: with the widest panel they fill the registers of AVX-512 and NEON.
pub(super) const ROWS: usize = 8;
/// Vectors of the widest panel.
const WIDEST: usize = 3;
/// Numbers of a vector of AVX2, which has half as many registers.
const AVX2_LANES: usize = 8;
/// Inputs of a row that are looked up together.
const SEVERAL: usize = 4;

/// Weights of a product as the inner loop takes them.
#[derive(Debug, Clone, Default)]
pub(super) struct Panels {
    /// Vectors of each panel.
    pub(super) vectors: Vec<usize>,
    /// Panels one after the other.
    pub(super) values: Vec<f32>,
}

impl Panels {
    /// From weights of `columns` outputs for each input, row after row.
    pub(super) fn of(weights: &[f32], columns: usize) -> Self {
        let (lanes, vectors) = (lanes(), vectors(columns));
        let mut values = Vec::with_capacity(weights.len().next_multiple_of(lanes));
        let mut first = 0;
        for count in &vectors {
            let last = first + count * lanes;
            for row in weights.chunks_exact(columns) {
                let own = &row[first..last.min(columns)];
                values.extend_from_slice(own);
                values.extend(std::iter::repeat_n(0.0, last - first - own.len()));
            }
            first = last;
        }
        Self { vectors, values }
    }

    /// Each panel with the vectors that it is wide and the column where it begins. `rows` is how many inputs there are.
    #[inline(always)]
    pub(super) fn each(values: &[f32], vectors: &[usize], rows: usize, lanes: usize, mut take: impl FnMut(Panel<'_>)) {
        let (mut at, mut column) = (0, 0);
        for &count in vectors {
            let length = count * lanes * rows;
            take(Panel { values: &values[at..][..length], vectors: count, column });
            at += length;
            column += count * lanes;
        }
    }
}

/// Weights of some neighbouring outputs.
#[derive(Clone, Copy)]
pub(super) struct Panel<'a> {
    /// Weights of all these outputs for the first input, then for the next.
    pub(super) values: &'a [f32],
    /// How many vectors these outputs fill.
    pub(super) vectors: usize,
    /// The first of these outputs.
    pub(super) column: usize,
}

/// How the outputs of a convolution are shared out: vectors of each panel.
pub(super) fn vectors(columns: usize) -> Vec<usize> {
    let widest = if lanes() == AVX2_LANES { 1 } else { WIDEST };
    let mut left = columns.div_ceil(lanes());
    let mut shares = Vec::new();
    while 0 < left {
        // Two and two are faster than three and one.
        let next = if left == WIDEST + 1 { widest.min(2) } else { left.min(widest) };
        shares.push(next);
        left -= next;
    }
    shares
}

struct Lanes;

impl SimdOp for Lanes {
    type Output = usize;

    #[inline(always)]
    fn eval<I: Isa>(self, isa: I) -> usize {
        isa.f32().len()
    }
}

/// Numbers of a vector of the processor that this runs on.
pub(super) fn lanes() -> usize {
    Lanes.dispatch()
}

/// Inputs of some outputs: rows at even distances.
#[derive(Clone, Copy)]
pub(super) struct Inputs<'a> {
    /// From the first input of the first row on.
    pub(super) values: &'a [f32],
    /// Numbers from the start of one row to that of the next.
    pub(super) step: usize,
    /// Inputs of a row.
    pub(super) count: usize,
}

/// Sums of products for [`ROWS`] rows and one panel; `put` takes row, vector within the panel, and sums.
#[inline(always)]
pub(super) fn product<I: Isa>(isa: I, inputs: Inputs<'_>, panel: Panel<'_>, put: impl FnMut(usize, usize, I::F32)) {
    match panel.vectors {
        3 => hand_on(sums::<I, 3>(isa, inputs, panel.values), put),
        2 => hand_on(sums::<I, 2>(isa, inputs, panel.values), put),
        _ => hand_on(sums::<I, 1>(isa, inputs, panel.values), put),
    }
}

#[inline(always)]
fn hand_on<T: Copy, const V: usize>(sums: [[T; V]; ROWS], mut put: impl FnMut(usize, usize, T)) {
    for r in 0..ROWS {
        for v in 0..V {
            put(r, v, sums[r][v]);
        }
    }
}

#[inline(always)]
fn sums<I: Isa, const V: usize>(isa: I, inputs: Inputs<'_>, panel: &[f32]) -> [[I::F32; V]; ROWS] {
    let ops = isa.f32();
    let mut sums = [[ops.zero(); V]; ROWS];
    let width = V * ops.len();
    // Slices of one known length: the loops below need no checks.
    let mut rows: [&[f32]; ROWS] = [&[]; ROWS];
    for r in 0..ROWS {
        rows[r] = &inputs.values[r * inputs.step..][..inputs.count];
    }
    let mut several = panel[..inputs.count * width].chunks_exact(SEVERAL * width);
    for (i, weights) in several.by_ref().enumerate() {
        // One reckoning of addresses for several inputs.
        let mut inputs = [[0.0; SEVERAL]; ROWS];
        for r in 0..ROWS {
            inputs[r].copy_from_slice(&rows[r][SEVERAL * i..][..SEVERAL]);
        }
        for k in 0..SEVERAL {
            let weights: [I::F32; V] = ops.load_many(&weights[k * width..]);
            for r in 0..ROWS {
                let input = ops.splat(inputs[r][k]);
                for v in 0..V {
                    sums[r][v] = ops.mul_add(input, weights[v], sums[r][v]);
                }
            }
        }
    }
    let first = inputs.count / SEVERAL * SEVERAL;
    for (i, weights) in several.remainder().chunks_exact(width).enumerate() {
        let weights: [I::F32; V] = ops.load_many(weights);
        for r in 0..ROWS {
            let input = ops.splat(rows[r][first + i]);
            for v in 0..V {
                sums[r][v] = ops.mul_add(input, weights[v], sums[r][v]);
            }
        }
    }
    sums
}
