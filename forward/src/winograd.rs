//! 3 x 3 convolutions with a quarter of the products: minimal filtering F(4 x 4, 3 x 3) of Lavin and Gray, "Fast algorithms
//! for convolutional neural networks" (2015), arXiv 1509.09308, section 4.3 (matrices from there, by the points 0, 1, -1, 2, -2).
//!
//! Inputs of 6 x 6 places and weights are each turned into 36 numbers; the products of these, summed over the channels, are
//! turned back into 4 x 4 outputs. A block of such tiles is worked on at a time, so that it stays in the cache.

use rten_simd::ops::{BitOps, NumOps};
use rten_simd::{Isa, SimdOp};

use crate::activation::{Activation, LANES};
use crate::finish::Finish;
use crate::kernel::{self, Inputs, Panels, ROWS};

/// Outputs of a tile along a side.
const OUT: usize = 4;
/// Inputs of a tile along a side.
const IN: usize = 6;
/// Numbers of a transformed tile.
const POINTS: usize = IN * IN;
/// Numbers of a block that stay in the second cache: 640 kB.
const BLOCK: usize = 160 << 10;

/// Transformed weights of a convolution.
#[derive(Debug)]
pub(super) struct Transformed {
    inputs: usize,
    vectors: Vec<usize>,
    /// Panels of the first point, then of the next.
    values: Vec<f32>,
}

impl Transformed {
    /// From weights of `outputs` for each input of each of nine places, place after place.
    pub(super) fn of(plain: &[f32], inputs: usize, outputs: usize) -> Self {
        let vectors = kernel::vectors(outputs);
        let each = vectors.iter().sum::<usize>() * kernel::lanes() * inputs;
        let mut transformed = Self { inputs, vectors, values: vec![0.0; POINTS * each] };
        TransformWeights { plain, outputs, to: &mut transformed }.dispatch();
        transformed
    }
}

struct TransformWeights<'a> {
    plain: &'a [f32],
    outputs: usize,
    to: &'a mut Transformed,
}

impl SimdOp for TransformWeights<'_> {
    type Output = ();

    #[inline(always)]
    fn eval<I: Isa>(self, isa: I) {
        let Self { plain, outputs, to: Transformed { inputs, vectors, values } } = self;
        let (ops, inputs) = (isa.f32(), *inputs);
        let each = values.len() / POINTS;
        let (mut at, mut column) = (0, 0);
        for &count in vectors.iter() {
            for k in 0..inputs * count {
                let (input, first) = (k / count, column + k % count * ops.len());
                let last = (first + ops.len()).min(outputs);
                let mut places = [[ops.zero(); 3]; 3];
                for (place, row) in (0..9).zip(plain.chunks_exact(inputs * outputs)) {
                    places[place % 3][place / 3] = ops.load_pad(&row[input * outputs..][first..last]).0;
                }
                let mut tile = [[ops.zero(); 3]; IN];
                for j in 0..3 {
                    let turned = six_of_three(isa, places[j]);
                    for i in 0..IN {
                        tile[i][j] = turned[i];
                    }
                }
                for i in 0..IN {
                    let turned = six_of_three(isa, tile[i]);
                    for j in 0..IN {
                        ops.store(turned[j], &mut values[(i * IN + j) * each + at + k * ops.len()..]);
                    }
                }
            }
            at += count * ops.len() * inputs;
            column += count * ops.len();
        }
    }
}

/// One convolution of one layer.
pub(super) struct Convolve<'a> {
    /// Inputs, their channels stored in whole vectors.
    pub(super) input: &'a Activation,
    /// Weights.
    pub(super) weights: &'a Transformed,
    /// What becomes of the sums.
    pub(super) finish: Finish<'a>,
    /// Where they are written.
    pub(super) out: &'a mut Activation,
    /// Room for a block.
    pub(super) block: &'a mut Vec<f32>,
}

/// Tiles of a layer, numbered picture by picture and row by row.
#[derive(Clone, Copy)]
struct Tiles {
    rows: usize,
    columns: usize,
}

impl Tiles {
    /// Picture, and the row and column of a tile's first output.
    #[inline(always)]
    fn first_place(&self, tile: usize) -> (usize, usize, usize) {
        let (row, column) = (tile / self.columns, tile % self.columns);
        (row / self.rows, OUT * (row % self.rows), OUT * column)
    }
}

impl SimdOp for Convolve<'_> {
    type Output = ();

    #[inline(always)]
    fn eval<I: Isa>(self, isa: I) {
        let Self { input, weights, finish, out, block } = self;
        let tiles = Tiles { rows: out.shape.rows.div_ceil(OUT), columns: out.shape.columns.div_ceil(OUT) };
        let all = out.shape.pictures * tiles.rows * tiles.columns;
        let wanted = BLOCK / (POINTS * (input.stride + out.stride));
        let most = wanted.clamp(2 * ROWS, 8 * ROWS).min(all).next_multiple_of(ROWS);
        // An odd number of vectors between points keeps them from falling on each other in the cache.
        let steps = [most * input.stride + LANES, most * out.stride + LANES];
        block.resize((POINTS * (steps[0] + steps[1])).max(block.len()), 0.0);
        let (transformed, sums) = block.split_at_mut(POINTS * steps[0]);
        for first in (0..all).step_by(most) {
            let count = most.min(all - first);
            for k in 0..count {
                let to = &mut transformed[k * input.stride..];
                transform_inputs(isa, input, tiles.first_place(first + k), (to, steps[0]));
            }
            let lengths = [input.stride, out.stride];
            multiply(isa, (transformed, sums), weights, (count.next_multiple_of(ROWS), lengths, steps));
            for k in 0..count {
                let from = &sums[k * out.stride..];
                transform_outputs(isa, (from, steps[1]), finish, (out, tiles.first_place(first + k)));
            }
        }
    }
}

/// Turns the inputs of one tile; `to` begins with what the tile has at the first point, the next point lies `step` on.
#[inline(always)]
fn transform_inputs<I: Isa>(
    isa: I,
    input: &Activation,
    (picture, row, column): (usize, usize, usize),
    (to, step): (&mut [f32], usize),
) {
    let ops = isa.f32();
    let (shape, stride) = (input.shape, input.stride);
    let inside = 0 < row && 0 < column && row + IN - 2 < shape.rows && column + IN - 2 < shape.columns;
    for channel in (0..stride).step_by(ops.len()) {
        let mut tile = [[ops.zero(); IN]; IN];
        for i in 0..IN {
            if inside {
                let start = shape.place(picture, row + i - 1, column - 1) * stride + channel;
                let places = &input.values[start..][..(IN - 1) * stride + ops.len()];
                for j in 0..IN {
                    tile[i][j] = ops.load(&places[j * stride..]);
                }
            } else if (1..=shape.rows).contains(&(row + i)) {
                for j in 0..IN {
                    if (1..=shape.columns).contains(&(column + j)) {
                        let at = shape.place(picture, row + i - 1, column + j - 1) * stride + channel;
                        tile[i][j] = ops.load(&input.values[at..]);
                    }
                }
            }
        }
        for j in 0..IN {
            let turned = six_of_six(isa, [tile[0][j], tile[1][j], tile[2][j], tile[3][j], tile[4][j], tile[5][j]]);
            for i in 0..IN {
                tile[i][j] = turned[i];
            }
        }
        for i in 0..IN {
            let turned = six_of_six(isa, tile[i]);
            for j in 0..IN {
                ops.store(turned[j], &mut to[(i * IN + j) * step + channel..]);
            }
        }
    }
}

/// Products of each point, summed over the channels, for `count` tiles.
#[inline(always)]
fn multiply<I: Isa>(
    isa: I,
    (inputs, sums): (&[f32], &mut [f32]),
    weights: &Transformed,
    (count, [length, length_out], [step, step_out]): (usize, [usize; 2], [usize; 2]),
) {
    let ops = isa.f32();
    let each = weights.values.len() / POINTS;
    for point in 0..POINTS {
        let values = &inputs[point * step..][..step];
        let own = &weights.values[point * each..][..each];
        Panels::each(
            own,
            &weights.vectors,
            weights.inputs,
            ops.len(),
            #[inline(always)]
            |panel| {
                for first in (0..count).step_by(ROWS) {
                    let to = &mut sums[point * step_out + first * length_out..][..ROWS * length_out];
                    let inputs = Inputs { values: &values[first * length..], step: length, count: weights.inputs };
                    kernel::product(
                        isa,
                        inputs,
                        panel,
                        #[inline(always)]
                        |r, v, x| {
                            ops.store(x, &mut to[r * length_out + panel.column + v * ops.len()..]);
                        },
                    );
                }
            },
        );
    }
}

/// Turns the sums of one tile into its outputs.
#[inline(always)]
fn transform_outputs<I: Isa>(
    isa: I,
    (from, step): (&[f32], usize),
    finish: Finish<'_>,
    (out, (picture, row, column)): (&mut Activation, (usize, usize, usize)),
) {
    let ops = isa.f32();
    let (shape, stride) = (out.shape, out.stride);
    let (rows, columns) = ((shape.rows - row).min(OUT), (shape.columns - column).min(OUT));
    for channel in (0..stride).step_by(ops.len()) {
        let mut tile = [[ops.zero(); IN]; OUT];
        for j in 0..IN {
            let mut sums = [ops.zero(); IN];
            for i in 0..IN {
                sums[i] = ops.load(&from[(i * IN + j) * step + channel..]);
            }
            let turned = four_of_six(isa, sums);
            for i in 0..OUT {
                tile[i][j] = turned[i];
            }
        }
        for i in 0..rows {
            let turned = four_of_six(isa, tile[i]);
            let start = shape.place(picture, row + i, column) * stride + channel;
            for j in 0..columns {
                let at = start + j * stride;
                let value = finish.apply(isa, turned[j], channel, at);
                ops.store(value, &mut out.values[at..]);
            }
        }
    }
}

/// Three weights in a row, turned into six.
#[inline(always)]
fn six_of_three<I: Isa>(isa: I, g: [I::F32; 3]) -> [I::F32; IN] {
    let ops = isa.f32();
    let part = |of: f32| ops.splat(1.0 / of);
    let near = ops.mul(ops.add(g[0], g[2]), part(-6.0));
    let near_odd = ops.mul(g[1], part(6.0));
    let far = ops.mul_add(g[0], part(24.0), ops.mul(g[2], part(6.0)));
    let far_odd = ops.mul(g[1], part(12.0));
    [
        ops.mul(g[0], part(4.0)),
        ops.sub(near, near_odd),
        ops.add(near, near_odd),
        ops.add(far, far_odd),
        ops.sub(far, far_odd),
        g[2],
    ]
}

/// Six inputs in a row, turned.
#[inline(always)]
fn six_of_six<I: Isa>(isa: I, d: [I::F32; IN]) -> [I::F32; IN] {
    let ops = isa.f32();
    let (two, four, less_four, less_five) = (ops.splat(2.0), ops.splat(4.0), ops.splat(-4.0), ops.splat(-5.0));
    let (even, odd) = (ops.mul_add(less_four, d[2], d[4]), ops.mul_add(less_four, d[1], d[3]));
    let (apart, twice) = (ops.sub(d[4], d[2]), ops.mul(two, ops.sub(d[3], d[1])));
    [
        ops.mul_add(four, d[0], ops.mul_add(less_five, d[2], d[4])),
        ops.add(even, odd),
        ops.sub(even, odd),
        ops.add(apart, twice),
        ops.sub(apart, twice),
        ops.mul_add(four, d[1], ops.mul_add(less_five, d[3], d[5])),
    ]
}

/// Six sums in a row, turned into four outputs.
#[inline(always)]
fn four_of_six<I: Isa>(isa: I, m: [I::F32; IN]) -> [I::F32; OUT] {
    let ops = isa.f32();
    let (two, four, eight) = (ops.splat(2.0), ops.splat(4.0), ops.splat(8.0));
    let (sum, gap) = (ops.add(m[1], m[2]), ops.sub(m[1], m[2]));
    let (far_sum, far_gap) = (ops.add(m[3], m[4]), ops.sub(m[3], m[4]));
    [
        ops.add(ops.add(m[0], sum), far_sum),
        ops.mul_add(two, far_gap, gap),
        ops.mul_add(four, far_sum, sum),
        ops.add(ops.mul_add(eight, far_gap, gap), m[5]),
    ]
}
