//! What a layer holds: pictures with the channels of a place side by side, and buffers that serve one layer after the other.

/// Places of a vector on any processor that is known here; channels of convolutions are stored in multiples of it.
pub(super) const LANES: usize = 16;

/// Numbers of a layer: pictures, rows, columns and channels.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Shape {
    /// Pictures.
    pub(super) pictures: usize,
    /// Rows.
    pub(super) rows: usize,
    /// Columns.
    pub(super) columns: usize,
    /// Channels.
    pub(super) channels: usize,
}

/// Picture, row and column.
pub(super) type Place = (usize, usize, usize);

impl Shape {
    /// Places of all pictures.
    pub(super) fn places(&self) -> usize {
        self.pictures * self.rows * self.columns
    }

    /// Number of a place among all.
    #[inline(always)]
    pub(super) fn place(&self, picture: usize, row: usize, column: usize) -> usize {
        (picture * self.rows + row) * self.columns + column
    }

    /// Picture, row and column of the `count`th place.
    pub(super) fn at(&self, count: usize) -> Place {
        let (row, column) = (count / self.columns, count % self.columns);
        (row / self.rows, row % self.rows, column)
    }

    /// The place after one, picture by picture and row by row.
    #[inline(always)]
    pub(super) fn after(&self, (picture, row, column): Place) -> Place {
        match (column + 1 < self.columns, row + 1 < self.rows) {
            (true, _) => (picture, row, column + 1),
            (false, true) => (picture, row + 1, 0),
            (false, false) => (picture + 1, 0, 0),
        }
    }
}

/// A layer. The channels of a place lie side by side, `stride` numbers from those of the next place; numbers between the
/// last channel and the next place are of no meaning.
#[derive(Debug)]
pub(super) struct Activation {
    /// Its sides.
    pub(super) shape: Shape,
    /// Numbers from one place to the next.
    pub(super) stride: usize,
    /// Row-major; a buffer may be longer than its layer.
    pub(super) values: Vec<f32>,
}

impl Activation {
    /// The numbers that belong to the layer.
    pub(super) fn used(&self) -> &[f32] {
        &self.values[..self.shape.places() * self.stride]
    }

    /// The same, to be written.
    pub(super) fn used_mut(&mut self) -> &mut [f32] {
        let length = self.shape.places() * self.stride;
        &mut self.values[..length]
    }

    /// The same layer with places of zeros above, left, below and right, and another stride.
    pub(super) fn with_rim(&self, [top, left, low, right]: [usize; 4], stride: usize, buffers: &mut Buffers) -> Self {
        let Shape { rows, columns, channels, .. } = self.shape;
        let shape = Shape { rows: rows + top + low, columns: columns + left + right, ..self.shape };
        let mut layer = buffers.layer(shape, stride);
        layer.used_mut().fill(0.0);
        for (row, from) in self.used().chunks_exact((columns * self.stride).max(1)).enumerate() {
            let start = shape.place(row / rows, row % rows + top, left) * stride;
            let to = layer.values[start..][..columns * stride].chunks_exact_mut(stride);
            for (to, from) in to.zip(from.chunks_exact(self.stride)) {
                to[..channels].copy_from_slice(&from[..channels]);
            }
        }
        layer
    }

    /// From planes one after the other, as ONNX orders them.
    pub(super) fn from_planes(shape: Shape, planes: &[f32], buffers: &mut Buffers) -> Self {
        let mut layer = buffers.layer(shape, shape.channels);
        if shape.channels == 1 {
            layer.used_mut().copy_from_slice(planes);
            return layer;
        }
        let area = shape.rows * shape.columns;
        for (picture, own) in planes.chunks_exact(area * shape.channels).enumerate() {
            let places = &mut layer.values[picture * area * shape.channels..][..area * shape.channels];
            for (channel, plane) in own.chunks_exact(area).enumerate() {
                let to = places[channel..].iter_mut().step_by(shape.channels);
                to.zip(plane).for_each(|(to, value)| *to = *value);
            }
        }
        layer
    }

    /// Planes one after the other, as ONNX orders them.
    pub(super) fn to_planes(&self) -> Vec<f32> {
        let Shape { rows, columns, channels, .. } = self.shape;
        let mut planes = vec![0.0; self.shape.places() * channels];
        // Row by row, so that a row stays in the cache while all its channels are taken out.
        for (row, places) in self.used().chunks_exact((columns * self.stride).max(1)).enumerate() {
            for channel in 0..channels {
                let first = ((row / rows * channels + channel) * rows + row % rows) * columns;
                let to = planes[first..][..columns].iter_mut();
                to.zip(places.chunks_exact(self.stride)).for_each(|(to, place)| *to = place[channel]);
            }
        }
        planes
    }
}

/// Buffers of layers that are done with, and room for intermediate products.
#[derive(Debug, Default)]
pub(super) struct Buffers {
    free: Vec<Vec<f32>>,
    /// Transformed inputs and products of a block, or inputs gathered from around a rim.
    pub(super) block: Vec<f32>,
}

impl Buffers {
    /// A layer whose numbers are still to be written: they are those of an earlier layer.
    pub(super) fn layer(&mut self, shape: Shape, stride: usize) -> Activation {
        let length = shape.places() * stride;
        // The smallest that is large enough, else the largest.
        let fits = |buffer: &Vec<f32>| (buffer.len() < length, buffer.len().abs_diff(length));
        let best = (0..self.free.len()).min_by_key(|k| fits(&self.free[*k]));
        let mut values = best.map(|k| self.free.swap_remove(k)).unwrap_or_default();
        if values.len() < length {
            values.resize(length, 0.0);
        }
        Activation { shape, stride, values }
    }

    /// Takes back the buffer of a layer.
    pub(super) fn done(&mut self, layer: Activation) {
        self.free.push(layer.values);
    }
}
