//! Convolutions of any shape: by Winograd's way where it pays, channel by channel where the file says so, else directly.

use rten_simd::ops::BitOps;
use rten_simd::{Isa, SimdOp};

use crate::activation::{Activation, Buffers, LANES, Place, Shape};
use crate::depthwise;
use crate::finish::Finish;
use crate::kernel::{self, Inputs, Panels, ROWS};
use crate::window::Window;
use crate::winograd::{self, Transformed};

/// Layers of fewer columns get a rim of zeros.
const NARROW: usize = 64;

/// A convolution with its weights.
#[derive(Debug)]
pub(super) struct Convolution {
    window: Window,
    inputs: usize,
    outputs: usize,
    bias: Vec<f32>,
    weights: Weights,
}

#[derive(Debug)]
enum Weights {
    /// As the file holds them, until they are prepared.
    File(FileWeights),
    Direct(Panels),
    Winograd(Transformed),
    Depthwise(Vec<f32>),
}

/// Weights as a file holds them: outputs by inputs of their group by rows by columns.
#[derive(Debug, Default)]
pub(super) struct FileWeights {
    /// Numbers.
    pub(super) values: Vec<f32>,
    /// Sides.
    pub(super) dims: [usize; 4],
    /// Groups of channels that do not meet.
    pub(super) groups: usize,
}

impl Convolution {
    /// # Errors
    /// When sides do not fit each other.
    pub(super) fn new(window: Window, of: FileWeights, bias: Option<&[f32]>) -> Result<Self, String> {
        let [outputs, own, ..] = of.dims;
        let inputs = own * of.groups;
        let area = window.sides[0] * window.sides[1];
        let fits = of.values.len() == outputs * own * area && of.dims[2..] == window.sides;
        if !fits || area == 0 || inputs == 0 || outputs == 0 || !outputs.is_multiple_of(of.groups) {
            return Err("a convolution whose weights do not fit it".to_owned());
        }
        let mut padded = bias.map_or_else(|| vec![0.0; outputs], <[f32]>::to_vec);
        if padded.len() != outputs {
            return Err("a convolution whose bias does not fit it".to_owned());
        }
        padded.resize(outputs.next_multiple_of(LANES), 0.0);
        Ok(Self { window, inputs, outputs, bias: padded, weights: Weights::File(of) })
    }

    /// Weights when all channels meet each other.
    pub(super) fn size(&self) -> usize {
        [self.inputs, self.outputs, self.window.sides[0], self.window.sides[1]]
            .iter()
            .fold(1, |n: usize, k| n.saturating_mul(*k))
    }

    /// Brings the weights into the form in which they are used; to be called once before anything is run.
    pub(super) fn prepare(&mut self) {
        let Weights::File(of) = &mut self.weights else { return };
        let (of, window, inputs, outputs) = (std::mem::take(of), self.window, self.inputs, self.outputs);
        let plain = window.sides == [3, 3] && window.strides == [1, 1] && window.dilations == [1, 1];
        self.weights = if of.groups == inputs && outputs == inputs && 1 < inputs {
            Weights::Depthwise(depthwise::weights(&of.values, inputs, window.sides[0] * window.sides[1]))
        } else if plain && window.pads == [1; 4] && of.groups == 1 && LANES <= inputs.min(outputs) {
            Weights::Winograd(Transformed::of(&by_place(&of, inputs), inputs, outputs))
        } else {
            Weights::Direct(Panels::of(&by_place(&of, inputs), outputs))
        };
    }

    /// The answer to a layer, with `added` added, negative numbers left out with `relu`.
    ///
    /// # Errors
    /// When the layer does not fit.
    pub(super) fn run(
        &self,
        input: &Activation,
        added: Option<&Activation>,
        relu: bool,
        buffers: &mut Buffers,
    ) -> Result<Activation, String> {
        let [rows, columns] = self.window.answer(input.shape)?;
        let shape = Shape { rows, columns, channels: self.outputs, ..input.shape };
        let stride = self.outputs.next_multiple_of(LANES);
        if input.shape.channels != self.inputs || added.is_some_and(|a| a.shape != shape || a.stride != stride) {
            return Err("a convolution of layers that do not fit it".to_owned());
        }
        let laid_out = self.laid_out(input, buffers);
        let (input, window) = laid_out.as_ref().map_or((input, self.window), |(layer, window)| (layer, *window));
        let mut out = buffers.layer(shape, stride);
        let finish = Finish { bias: &self.bias, added: added.map(Activation::used), relu };
        let (to, block) = (&mut out, &mut buffers.block);
        match &self.weights {
            Weights::File(_) => return Err("a convolution that was not prepared".to_owned()),
            Weights::Winograd(weights) => winograd::Convolve { input, weights, finish, out: to, block }.dispatch(),
            Weights::Depthwise(weights) => depthwise::Convolve { input, weights, window, finish, out: to }.dispatch(),
            Weights::Direct(panels) => Direct { input, panels, window, finish, out: to, block }.dispatch(),
        }
        if let Some((layer, _)) = laid_out {
            buffers.done(layer);
        }
        Ok(out)
    }

    /// The layer as its kind of convolution takes it, and how the window moves over that; `None` where it is so already.
    fn laid_out(&self, input: &Activation, buffers: &mut Buffers) -> Option<(Activation, Window)> {
        let whole = input.shape.channels.next_multiple_of(LANES);
        let stride = if matches!(self.weights, Weights::Direct(_)) { input.stride } else { whole };
        // In narrow layers most windows would reach beyond the rim.
        let has_rim = !matches!(self.weights, Weights::Winograd(_)) && input.shape.columns < NARROW;
        let rim = if has_rim { self.window.pads } else { [0; 4] };
        let window = if has_rim { Window { pads: [0; 4], ..self.window } } else { self.window };
        (rim != [0; 4] || stride % LANES != input.stride % LANES)
            .then(|| (input.with_rim(rim, stride.max(input.stride), buffers), window))
    }
}

/// Weights in the order of places, inputs and outputs; between groups that do not meet they are 0.
fn by_place(of: &FileWeights, inputs: usize) -> Vec<f32> {
    let [outputs, own, rows, columns] = of.dims;
    let area = rows * columns;
    let mut weights = vec![0.0; area * inputs * outputs];
    for output in 0..outputs {
        let first = output / (outputs / of.groups) * own;
        for input in 0..own {
            for place in 0..area {
                weights[(place * inputs + first + input) * outputs + output] =
                    of.values[(output * own + input) * area + place];
            }
        }
    }
    weights
}

struct Direct<'a> {
    input: &'a Activation,
    panels: &'a Panels,
    window: Window,
    finish: Finish<'a>,
    out: &'a mut Activation,
    block: &'a mut Vec<f32>,
}

impl SimdOp for Direct<'_> {
    type Output = ();

    #[inline(always)]
    fn eval<I: Isa>(self, isa: I) {
        let Self { input, panels, window, finish, out, block } = self;
        let ops = isa.f32();
        let all = window.sides[0] * window.sides[1] * input.shape.channels;
        let (total, shape, stride) = (out.shape.places(), out.shape, out.stride);
        // A window of one place needs no gathering, but for the last rows, beyond which there is nothing.
        let is_place = Window { dilations: [1, 1], ..window } == Window::PLACE;
        let gather = Gather::of(input, window);
        block.resize((ROWS * (all + stride)).max(block.len()), 0.0);
        let (block, sums) = block.split_at_mut(ROWS * all);
        let mut next = (0, 0, 0);
        for first in (0..total).step_by(ROWS) {
            let valid = (total - first).min(ROWS);
            let inputs = if is_place && valid == ROWS {
                Inputs { values: &input.values[first * input.stride..], step: input.stride, count: all }
            } else {
                next = if is_place { shape.at(first) } else { next };
                for to in block.chunks_exact_mut(all).take(valid) {
                    gather.window(next, to);
                    next = shape.after(next);
                }
                Inputs { values: block, step: all, count: all }
            };
            multiply(isa, inputs, panels, (&mut *sums, stride));
            let to = &mut out.values[first * stride..][..valid * stride];
            for (k, (to, sums)) in to.chunks_exact_mut(ops.len()).zip(sums.chunks_exact(ops.len())).enumerate() {
                let at = k * ops.len();
                ops.store(finish.apply(isa, ops.load(sums), at % stride, first * stride + at), to);
            }
        }
    }
}

/// Sums of products for [`ROWS`] rows and all outputs.
#[inline(always)]
fn multiply<I: Isa>(isa: I, inputs: Inputs<'_>, panels: &Panels, (sums, stride): (&mut [f32], usize)) {
    let ops = isa.f32();
    Panels::each(
        &panels.values,
        &panels.vectors,
        inputs.count,
        ops.len(),
        #[inline(always)]
        |panel| {
            let to = &mut sums[panel.column..];
            kernel::product(
                isa,
                inputs,
                panel,
                #[inline(always)]
                |r, v, x| {
                    ops.store(x, &mut to[r * stride + v * ops.len()..]);
                },
            );
        },
    );
}

/// Gathers what the window of an output shows.
struct Gather<'a> {
    input: &'a Activation,
    window: Window,
    /// Rows and columns of its inputs, counted from the first.
    taps: Vec<(usize, usize)>,
    /// Where inputs that follow one another begin, counted from the first.
    runs: Vec<usize>,
    /// How many do.
    run: usize,
}

impl<'a> Gather<'a> {
    fn of(input: &'a Activation, window: Window) -> Self {
        let (stride, channels, taps) = (input.stride, input.shape.channels, window.taps());
        let whole_rows = stride == channels && window.dilations[1] == 1;
        let each = if whole_rows { window.sides[1] } else { 1 };
        let runs = taps.iter().step_by(each).map(|(i, j)| input.shape.place(0, *i, *j) * stride).collect();
        Self { input, window, taps, runs, run: each * channels }
    }

    /// The inputs of a place's window one after the other, 0 beyond the rim.
    #[inline(always)]
    fn window(&self, (picture, row, column): Place, to: &mut [f32]) {
        let (shape, stride, [down, right]) = (self.input.shape, self.input.stride, self.window.strides);
        let first = (row * down, column * right);
        if let Some((y, x)) = self.window.inside(shape, first) {
            let from = &self.input.values[shape.place(picture, y, x) * stride..];
            for (to, start) in to.chunks_exact_mut(self.run).zip(&self.runs) {
                to.copy_from_slice(&from[*start..][..self.run]);
            }
            return;
        }
        for (to, (i, j)) in to.chunks_exact_mut(shape.channels).zip(&self.taps) {
            match self.window.seen(shape, (first.0 + i, first.1 + j)) {
                Some((y, x)) => {
                    let at = shape.place(picture, y, x) * stride;
                    to.copy_from_slice(&self.input.values[at..][..shape.channels]);
                }
                None => to.fill(0.0),
            }
        }
    }
}
