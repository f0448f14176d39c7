//! Sums, differences, products and roots of layers, and layers laid out anew.

use crate::activation::{Activation, Buffers, Shape};

/// What is made of two numbers.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Pairwise {
    /// a + b.
    Add,
    /// a − b.
    Sub,
    /// a · b.
    Mul,
    /// a / b.
    Div,
}

impl Pairwise {
    /// Both layers' numbers into a third.
    fn apply(self, to: &mut [f32], first: &[f32], second: impl Iterator<Item = f32>) {
        let all = to.iter_mut().zip(first).zip(second);
        match self {
            Self::Add => all.for_each(|((to, a), b)| *to = a + b),
            Self::Sub => all.for_each(|((to, a), b)| *to = a - b),
            Self::Mul => all.for_each(|((to, a), b)| *to = a * b),
            Self::Div => all.for_each(|((to, a), b)| *to = a / b),
        }
    }

    /// Two layers of one shape; the second may have a single channel, which then meets each of the first.
    ///
    /// # Errors
    /// When their shapes differ otherwise.
    pub(super) fn layers(self, a: &Activation, b: &Activation, buffers: &mut Buffers) -> Result<Activation, String> {
        let channels = a.shape.channels;
        let single = b.shape == Shape { channels: 1, ..a.shape };
        if a.shape != b.shape && !single {
            return Err(format!("layers of {:?} and {:?} that are laid over each other", a.shape, b.shape));
        }
        let mut out = buffers.layer(a.shape, a.stride);
        if a.stride == b.stride {
            self.apply(out.used_mut(), a.used(), b.used().iter().copied());
            return Ok(out);
        }
        let pairs = a.used().chunks_exact(a.stride).zip(b.used().chunks_exact(b.stride));
        for (to, (a, b)) in out.used_mut().chunks_exact_mut(a.stride).zip(pairs) {
            match single {
                true => self.apply(to, a, std::iter::repeat(b[0])),
                false => self.apply(&mut to[..channels], a, b.iter().copied()),
            }
        }
        Ok(out)
    }

    /// A layer and one number.
    pub(super) fn constant(self, a: &Activation, b: f32, buffers: &mut Buffers) -> Activation {
        let mut out = buffers.layer(a.shape, a.stride);
        self.apply(out.used_mut(), a.used(), std::iter::repeat(b));
        out
    }
}

/// Negative numbers as 0; what is not a number stays so.
pub(super) fn relu(layer: &mut Activation) {
    layer.used_mut().iter_mut().for_each(|v| *v = if *v < 0.0 { 0.0 } else { *v });
}

/// Square roots.
pub(super) fn sqrt(layer: &Activation, buffers: &mut Buffers) -> Activation {
    let mut out = buffers.layer(layer.shape, layer.stride);
    out.used_mut().iter_mut().zip(layer.used()).for_each(|(to, v)| *to = v.sqrt());
    out
}

/// Each place repeated `times` down and across, with another layer added.
///
/// # Errors
/// When the other layer has another shape.
pub(super) fn repeated(
    layer: &Activation,
    times: [usize; 2],
    added: Option<&Activation>,
    buffers: &mut Buffers,
) -> Result<Activation, String> {
    let Shape { rows, columns, .. } = layer.shape;
    let shape = Shape { rows: rows * times[0], columns: columns * times[1], ..layer.shape };
    if added.is_some_and(|a| a.shape != shape || a.stride != layer.stride) {
        return Err("an enlarged layer and another that are laid over each other".to_owned());
    }
    let stride = layer.stride;
    let mut out = buffers.layer(shape, stride);
    let wide = shape.columns * stride;
    for (row, to) in out.used_mut().chunks_exact_mut(wide.max(1)).enumerate() {
        let (picture, row_in) = (row / shape.rows, row % shape.rows / times[0]);
        let from = &layer.values[layer.shape.place(picture, row_in, 0) * stride..][..columns * stride];
        match added {
            Some(added) => {
                let mut other = added.values[row * wide..][..wide].chunks_exact(stride);
                for (from, to) in from.chunks_exact(stride).zip(to.chunks_exact_mut(stride * times[1])) {
                    for (to, other) in to.chunks_exact_mut(stride).zip(&mut other) {
                        to.iter_mut().zip(from).zip(other).for_each(|((to, a), b)| *to = a + b);
                    }
                }
            }
            None if stride == 1 => {
                from.iter().zip(to.chunks_exact_mut(times[1])).for_each(|(value, to)| to.fill(*value));
            }
            None => {
                for (from, to) in from.chunks_exact(stride).zip(to.chunks_exact_mut(stride * times[1])) {
                    to.chunks_exact_mut(stride).for_each(|to| to.copy_from_slice(from));
                }
            }
        }
    }
    Ok(out)
}

/// The channels of several layers one after the other.
///
/// # Errors
/// When the layers differ in anything but their channels.
pub(super) fn joined(layers: &[&Activation], buffers: &mut Buffers) -> Result<Activation, String> {
    let first = layers.first().ok_or("nothing to join")?.shape;
    let channels = layers.iter().map(|l| l.shape.channels).sum();
    if layers.iter().any(|l| Shape { channels: first.channels, ..l.shape } != first) {
        return Err("layers of different sides that are joined".to_owned());
    }
    let mut out = buffers.layer(Shape { channels, ..first }, channels);
    let mut at = 0;
    for layer in layers {
        let own = layer.shape.channels;
        for (to, from) in out.used_mut().chunks_exact_mut(channels).zip(layer.used().chunks_exact(layer.stride)) {
            to[at..at + own].copy_from_slice(&from[..own]);
        }
        at += own;
    }
    Ok(out)
}

/// All numbers of a picture as channels of one place, in the order of ONNX: channel, row, column.
pub(super) fn flattened(layer: &Activation, buffers: &mut Buffers) -> Activation {
    let Shape { pictures, rows, columns, channels } = layer.shape;
    let shape = Shape { pictures, rows: 1, columns: 1, channels: rows * columns * channels };
    let planes = layer.to_planes();
    let mut out = buffers.layer(shape, shape.channels);
    out.used_mut().copy_from_slice(&planes);
    out
}

/// Channels laid out as squares of `side` x `side` places (ONNX operator specification, DepthToSpace, mode CRD).
///
/// # Errors
/// When the channels do not fill such squares.
pub(super) fn unfolded(layer: &Activation, side: usize, buffers: &mut Buffers) -> Result<Activation, String> {
    let Shape { pictures, rows, columns, channels } = layer.shape;
    if side == 0 || !channels.is_multiple_of(side * side) {
        return Err("channels that fill no squares".to_owned());
    }
    let shape = Shape { pictures, rows: rows * side, columns: columns * side, channels: channels / (side * side) };
    let mut out = buffers.layer(shape, shape.channels);
    let mut next = (0, 0, 0);
    for place in 0..layer.shape.places() {
        let (picture, row, column) = next;
        next = layer.shape.after(next);
        let from = &layer.values[place * layer.stride..][..channels];
        for (k, value) in from.iter().enumerate() {
            let (channel, i, j) = (k / (side * side), k / side % side, k % side);
            let to = shape.place(picture, row * side + i, column * side + j);
            out.values[to * shape.channels + channel] = *value;
        }
    }
    Ok(out)
}
