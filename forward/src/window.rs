//! How the window of a convolution or a mean moves over a layer.

use crate::activation::Shape;

/// How the window of a convolution or a mean moves, rows first.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Window {
    /// Sides.
    pub(super) sides: [usize; 2],
    /// Steps.
    pub(super) strides: [usize; 2],
    /// Places between its inputs.
    pub(super) dilations: [usize; 2],
    /// Rim above and left, then below and right.
    pub(super) pads: [usize; 4],
}

impl Window {
    /// A single place.
    pub(super) const PLACE: Self = Self { sides: [1, 1], strides: [1, 1], dilations: [1, 1], pads: [0; 4] };

    /// Rows and columns of the answer (ONNX operator specification, Conv).
    ///
    /// # Errors
    /// When the window is larger than the layer.
    pub(super) fn answer(&self, shape: Shape) -> Result<[usize; 2], String> {
        let side = |k: usize, length: usize| {
            let reach = self.dilations[k] * (self.sides[k] - 1) + 1;
            let room =
                (length + self.pads[k] + self.pads[k + 2]).checked_sub(reach).ok_or("window beyond its layer")?;
            Ok::<usize, String>(room / self.strides[k] + 1)
        };
        Ok([side(0, shape.rows)?, side(1, shape.columns)?])
    }

    /// Rows and columns of its inputs, counted from its first, row by row.
    pub(super) fn taps(&self) -> Vec<(usize, usize)> {
        let [down, right] = self.dilations;
        (0..self.sides[0]).flat_map(|i| (0..self.sides[1]).map(move |j| (i * down, j * right))).collect()
    }

    /// Row and column in a layer of a place in the layer with its rim; `None` on the rim.
    #[inline(always)]
    pub(super) fn seen(&self, shape: Shape, (row, column): (usize, usize)) -> Option<(usize, usize)> {
        let y = row.checked_sub(self.pads[0]).filter(|y| *y < shape.rows)?;
        Some((y, column.checked_sub(self.pads[1]).filter(|x| *x < shape.columns)?))
    }

    /// Row and column in a layer of the window's first input, told in the layer with its rim, if none lies on the rim.
    #[inline(always)]
    pub(super) fn inside(&self, shape: Shape, (row, column): (usize, usize)) -> Option<(usize, usize)> {
        let last = [0, 1].map(|k| self.dilations[k] * (self.sides[k] - 1));
        self.seen(shape, (row + last[0], column + last[1]))?;
        self.seen(shape, (row, column))
    }
}
