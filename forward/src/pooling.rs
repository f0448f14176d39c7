//! Means of windows.

use crate::activation::{Activation, Buffers, Shape};
use crate::window::Window;

/// A window that answers with the mean of what it shows.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Mean {
    /// How it moves.
    pub(super) window: Window,
    /// Whether places beyond the rim count, as 0.
    pub(super) counts_rim: bool,
}

/// Inputs of one output along one side.
#[derive(Clone, Copy)]
struct Span {
    from: usize,
    to: usize,
    counted: usize,
}

impl Mean {
    fn span(&self, k: usize, at: usize, length: usize) -> Span {
        let Window { sides, strides, pads, .. } = self.window;
        let first = at * strides[k];
        let [from, to] = [first, first + sides[k]].map(|edge| edge.saturating_sub(pads[k]).min(length));
        Span { from, to, counted: if self.counts_rim { sides[k] } else { to - from } }
    }

    /// Means of a layer.
    ///
    /// # Errors
    /// When the window does not fit, or shows nothing somewhere.
    pub(super) fn run(&self, layer: &Activation, buffers: &mut Buffers) -> Result<Activation, String> {
        let Shape { rows: high, columns: wide, .. } = layer.shape;
        let [rows, columns] = self.window.answer(layer.shape)?;
        let shape = Shape { rows, columns, ..layer.shape };
        let stride = layer.stride;
        let mut out = buffers.layer(shape, stride);
        let across: Vec<Span> = (0..columns).map(|x| self.span(1, x, wide)).collect();
        // Sums down the window of a whole row of places.
        let mut sums = vec![0.0f32; wide * stride];
        for (row, to) in out.used_mut().chunks_exact_mut((columns * stride).max(1)).enumerate() {
            let down = self.span(0, row % rows, high);
            sums.fill(0.0);
            for y in down.from..down.to {
                let from = &layer.values[layer.shape.place(row / rows, y, 0) * stride..][..wide * stride];
                sums.iter_mut().zip(from).for_each(|(sum, value)| *sum += value);
            }
            for (to, across) in to.chunks_exact_mut(stride).zip(&across) {
                let counted = down.counted * across.counted;
                if counted == 0 {
                    return Err("the mean of nothing".to_owned());
                }
                to.fill(0.0);
                for place in sums[across.from * stride..across.to * stride].chunks_exact(stride) {
                    to.iter_mut().zip(place).for_each(|(sum, value)| *sum += value);
                }
                to.iter_mut().for_each(|sum| *sum /= counted as f32);
            }
        }
        Ok(out)
    }
}
