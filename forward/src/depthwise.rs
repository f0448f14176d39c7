//! Convolutions of each channel by itself.

use rten_simd::ops::{BitOps, NumOps};
use rten_simd::{Isa, SimdOp};

use crate::activation::{Activation, LANES};
use crate::finish::Finish;
use crate::window::Window;

/// Weights of all channels for the first place of the window, then for the next; channels in whole vectors.
pub(super) fn weights(values: &[f32], channels: usize, area: usize) -> Vec<f32> {
    let stride = channels.next_multiple_of(LANES);
    let mut weights = vec![0.0; area * stride];
    for (channel, own) in values.chunks_exact(area).enumerate() {
        own.iter().enumerate().for_each(|(place, weight)| weights[place * stride + channel] = *weight);
    }
    weights
}

/// One convolution of one layer.
pub(super) struct Convolve<'a> {
    /// Inputs, their channels stored in whole vectors.
    pub(super) input: &'a Activation,
    /// Weights, as [`weights`] makes them.
    pub(super) weights: &'a [f32],
    /// How the window moves.
    pub(super) window: Window,
    /// What becomes of the sums.
    pub(super) finish: Finish<'a>,
    /// Where they are written.
    pub(super) out: &'a mut Activation,
}

impl SimdOp for Convolve<'_> {
    type Output = ();

    #[inline(always)]
    fn eval<I: Isa>(self, isa: I) {
        let ops = isa.f32();
        let Self { input, weights, window, finish, out } = self;
        let (shape, stride) = (input.shape, input.stride);
        let taps = window.taps();
        let offsets: Vec<usize> = taps.iter().map(|(down, right)| shape.place(0, *down, *right) * stride).collect();
        let mut next = (0, 0, 0);
        for place in 0..out.shape.places() {
            let (picture, row, column) = next;
            next = out.shape.after(next);
            let (top, left) = (row * window.strides[0], column * window.strides[1]);
            let inside = window.inside(shape, (top, left));
            for channel in (0..stride).step_by(ops.len()) {
                let mut sums = ops.zero();
                if let Some((y, x)) = inside {
                    let inputs = &input.values[shape.place(picture, y, x) * stride + channel..];
                    for (offset, weights) in offsets.iter().zip(weights.chunks_exact(stride)) {
                        sums = ops.mul_add(ops.load(&inputs[*offset..]), ops.load(&weights[channel..]), sums);
                    }
                } else {
                    for ((down, right), weights) in taps.iter().zip(weights.chunks_exact(stride)) {
                        // Beyond the rim every input is 0.
                        if let Some((y, x)) = window.seen(shape, (top + down, left + right)) {
                            let inputs = &input.values[shape.place(picture, y, x) * stride + channel..];
                            sums = ops.mul_add(ops.load(inputs), ops.load(&weights[channel..]), sums);
                        }
                    }
                }
                let at = place * stride + channel;
                ops.store(finish.apply(isa, sums, channel, at), &mut out.values[at..]);
            }
        }
    }
}
