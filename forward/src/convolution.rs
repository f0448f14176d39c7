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
    Direct(Panels),
    Winograd(Transformed),
    Depthwise(Vec<f32>),
}

/// Weights as a file holds them: outputs by inputs of their group by rows by columns.
pub(super) struct FileWeights<'a> {
    /// Numbers.
    pub(super) values: &'a [f32],
    /// Sides.
    pub(super) dims: [usize; 4],
    /// Groups of channels that do not meet.
    pub(super) groups: usize,
}

impl Convolution {
    /// # Errors
    /// When sides do not fit each other.
    pub(super) fn new(window: Window, of: &FileWeights<'_>, bias: Option<&[f32]>) -> Result<Self, String> {
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
        let plain = window.sides == [3, 3] && window.strides == [1, 1] && window.dilations == [1, 1];
        let weights = if of.groups == inputs && outputs == inputs && 1 < inputs {
            Weights::Depthwise(depthwise::weights(of.values, inputs, area))
        } else if plain && window.pads == [1; 4] && of.groups == 1 && LANES <= inputs.min(outputs) {
            Weights::Winograd(Transformed::of(&by_place(of, inputs), inputs, outputs))
        } else {
            Weights::Direct(Panels::of(&by_place(of, inputs), outputs))
        };
        Ok(Self { window, inputs, outputs, bias: padded, weights })
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
fn by_place(of: &FileWeights<'_>, inputs: usize) -> Vec<f32> {
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
        block.resize((ROWS * all).max(block.len()), 0.0);
        let reach = Reach { input, window };
        let (runs, run) = reach.runs();
        let (total, shape, stride) = (out.shape.places(), out.shape, out.stride);
        Panels::each(
            &panels.values,
            &panels.vectors,
            all,
            ops.len(),
            #[inline(always)]
            |panel| {
                let mut next = (0, 0, 0);
                for first in (0..total).step_by(ROWS) {
                    // Rows beyond the last place repeat it.
                    let mut places = [next; ROWS];
                    for r in 1..ROWS {
                        places[r] = if first + r < total { shape.after(places[r - 1]) } else { places[r - 1] };
                    }
                    next = shape.after(places[ROWS - 1]);
                    let mut rows = [0; ROWS];
                    let inputs = if reach.all_inside(&places, &mut rows) {
                        Inputs { values: &input.values, rows, runs: &runs, run }
                    } else {
                        for (r, to) in block.chunks_exact_mut(all).take(ROWS).enumerate() {
                            reach.gather(places[r], to);
                            rows[r] = r * all;
                        }
                        Inputs { values: block, rows, runs: &[0], run: all }
                    };
                    let valid = total - first;
                    kernel::product(
                        isa,
                        inputs,
                        panel,
                        #[inline(always)]
                        |r, v, sums| {
                            if r < valid {
                                let channel = panel.column + v * ops.len();
                                let at = (first + r) * stride + channel;
                                ops.store(finish.apply(isa, sums, channel, at), &mut out.values[at..]);
                            }
                        },
                    );
                }
            },
        );
    }
}

/// What the window of an output reaches.
#[derive(Clone, Copy)]
struct Reach<'a> {
    input: &'a Activation,
    window: Window,
}

impl Reach<'_> {
    /// Where the inputs of a window begin, counted from its first place, and how many follow one another from each.
    fn runs(&self) -> (Vec<usize>, usize) {
        let (stride, channels) = (self.input.stride, self.input.shape.channels);
        let ([high, wide], [down, right]) = (self.window.sides, self.window.dilations);
        let row = |i: usize| i * down * self.input.shape.columns * stride;
        if stride == channels && right == 1 {
            return ((0..high).map(row).collect(), wide * channels);
        }
        ((0..high).flat_map(|i| (0..wide).map(move |j| row(i) + j * right * stride)).collect(), channels)
    }

    /// Where the first input of a place's window lies, if the whole window does.
    #[inline(always)]
    fn inside(&self, (picture, row, column): Place) -> Option<usize> {
        let [down, right] = self.window.strides;
        let (top, left) = self.window.inside(self.input.shape, (row * down, column * right))?;
        Some(self.input.shape.place(picture, top, left) * self.input.stride)
    }

    /// Where the inputs of some places begin, if all their windows lie in the layer.
    #[inline(always)]
    fn all_inside(&self, places: &[Place; ROWS], rows: &mut [usize; ROWS]) -> bool {
        for (row, place) in rows.iter_mut().zip(places) {
            match self.inside(*place) {
                Some(start) => *row = start,
                None => return false,
            }
        }
        true
    }

    /// The inputs of a place's window one after the other, 0 beyond the rim.
    fn gather(&self, (picture, row, column): Place, to: &mut [f32]) {
        let (shape, [down, right]) = (self.input.shape, self.window.strides);
        let taps = self.window.taps();
        for (to, (i, j)) in to.chunks_exact_mut(shape.channels).zip(taps) {
            match self.window.seen(shape, (row * down + i, column * right + j)) {
                Some((y, x)) => {
                    let at = shape.place(picture, y, x) * self.input.stride;
                    to.copy_from_slice(&self.input.values[at..][..shape.channels]);
                }
                None => to.fill(0.0),
            }
        }
    }
}
