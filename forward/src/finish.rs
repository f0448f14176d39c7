//! What becomes of the sums of a convolution as they are written.

use rten_simd::Isa;
use rten_simd::ops::{BitOps, NumOps};

/// What becomes of the sums of a convolution: a bias for each channel, another layer added, negative numbers left out.
#[derive(Clone, Copy)]
pub(super) struct Finish<'a> {
    /// For each channel, in whole vectors.
    pub(super) bias: &'a [f32],
    /// A layer of the same shape and stride.
    pub(super) added: Option<&'a [f32]>,
    /// Whether negative numbers become 0.
    pub(super) relu: bool,
}

impl Finish<'_> {
    /// Sums of the channels from `channel` on, which are written from `at` on.
    #[inline(always)]
    pub(super) fn apply<I: Isa>(self, isa: I, sums: I::F32, channel: usize, at: usize) -> I::F32 {
        let ops = isa.f32();
        let mut value = ops.add(sums, ops.load(&self.bias[channel..]));
        if let Some(added) = self.added {
            value = ops.add(value, ops.load(&added[at..]));
        }
        // In this order what is not a number stays so.
        if self.relu { ops.max(ops.zero(), value) } else { value }
    }
}
