//! What the networks of single ends are shown: the surroundings of an end, its axis upright, its width a fixed number of samples.

use rten_tensor::NdTensor;

use super::model::{Contract, Network, NetworkError};
use super::planes::Planes;
use crate::cancel::Cancel;
use crate::units::Point;

/// Samples across the told width; part of the networks, like the three numbers below.
pub(crate) const PER_WIDTH: f64 = 12.0;
/// Rows behind the told tip.
pub(crate) const BEHIND: f64 = 57.0;
/// Rows of the strip.
pub(crate) const ROWS: usize = 80;
/// Columns of the strip; the centre line runs between the two middle ones.
pub(crate) const COLUMNS: usize = 48;
/// Strips that go through a network together: large enough to be fast, small enough to stay in the cache.
const BATCH: usize = 16;
/// Keeps strips without any contrast from being blown up to full noise; part of the networks.
const FLAT: f32 = 0.01;

/// An end as it is known before it is measured.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct InitialEnd {
    /// Tip, px.
    pub(crate) tip: Point,
    /// Direction out of the fibre, degrees.
    pub(crate) axis_deg: f64,
    /// Width of the shaft, px.
    pub(crate) width_px: f64,
    /// Standard uncertainty of the logarithm of that width.
    pub(crate) width_sigma: f64,
}

/// The contract of a network of strips that answers in this shape.
pub(crate) const fn contract(answer: fn([usize; 4]) -> Vec<usize>) -> Contract {
    Contract { trials: [[1, 3, ROWS, COLUMNS], [3, 3, ROWS, COLUMNS]], answer, largest: [BATCH, 3, ROWS, COLUMNS] }
}

/// What a network answers for each of these ends, in their order.
///
/// # Errors
/// When the network fails, or the answers are no longer wanted.
pub(crate) fn answers(
    network: &Network,
    planes: &Planes,
    ends: &[InitialEnd],
    cancel: Cancel<'_>,
) -> Result<Vec<Vec<f32>>, NetworkError> {
    let mut answers = Vec::with_capacity(ends.len());
    for batch in ends.chunks(BATCH) {
        cancel.check()?;
        let mut input = Vec::with_capacity(batch.len() * 3 * ROWS * COLUMNS);
        batch.iter().for_each(|end| input.extend(strip(planes, end)));
        let numbers = network.run(NdTensor::from_data([batch.len(), 3, ROWS, COLUMNS], input))?.into_data();
        answers.extend(numbers.chunks_exact(numbers.len() / batch.len()).map(<[f32]>::to_vec));
    }
    Ok(answers)
}

/// Input of one strip: blue, green and red (as the networks were shown), to mean 0 and standard deviation 1.
fn strip(planes: &Planes, end: &InitialEnd) -> Vec<f32> {
    let step = end.width_px / PER_WIDTH;
    let (sin, cos) = end.axis_deg.to_radians().sin_cos();
    let n = ROWS * COLUMNS;
    let mut values = vec![0.0f32; 3 * n];
    let sampler = planes.sampler(step);
    let grey = planes.channels() == 1;
    for i in 0..ROWS {
        let u = (i as f64 - BEHIND) * step;
        for j in 0..COLUMNS {
            let v = (j as f64 - 0.5 * (COLUMNS - 1) as f64) * step;
            let p = Point::new(end.tip.x + u * cos - v * sin, end.tip.y + u * sin + v * cos);
            let colour = sampler.at(p);
            for k in 0..3 {
                values[(2 - k) * n + i * COLUMNS + j] = colour[if grey { 0 } else { k }];
            }
        }
    }
    let count = values.len() as f32;
    let mean = values.iter().sum::<f32>() / count;
    let spread = (values.iter().map(|v| (v - mean) * (v - mean)).sum::<f32>() / count).sqrt();
    values.iter_mut().for_each(|v| *v = (*v - mean) / (spread + FLAT));
    values
}

/// Compares a network's answer to two fixed strips with that of onnxruntime (version in the file;
/// `scripts/reference/strip_networks.py`), to 1e-4.
#[cfg(test)]
pub(crate) fn assert_answers(network: &Network, reference: &str) {
    let reference: serde_json::Value = serde_json::from_str(reference).expect("JSON");
    let strips = NdTensor::from_fn([2, 3, ROWS, COLUMNS], |[n, c, i, j]| {
        let shaft = (2 * j).abs_diff(COLUMNS - 1) < 12 + n && i < 57;
        (((i * 7 + j * 13 + c * 5 + n * 3) % 17) as f32 - 8.0) / 32.0 + if shaft { 2.0 } else { 0.0 } - 0.5
    });
    let own = network.run(strips).expect("runs").into_data();
    let every = reference["every"].as_u64().expect("number") as usize;
    let theirs = reference["values"].as_array().expect("list");
    assert_eq!(own.len().div_ceil(every), theirs.len());
    for (own, theirs) in own.iter().step_by(every).zip(theirs) {
        let theirs = theirs.as_f64().expect("number");
        assert!((f64::from(*own) - theirs).abs() < 1e-4 * theirs.abs().max(1.0), "{own} {theirs}");
    }
}
