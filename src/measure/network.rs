//! Small networks over straightened strips: initial ends -> what a network answers for each.
//!
//! A strip is the surroundings of a initial end, its axis turned upright and its width brought to a fixed number of samples.

use rten::Model;
use rten_tensor::NdTensor;
use rten_tensor::prelude::*;

use crate::measure::planes::Planes;
use crate::measure::shaft::InitialEnd;
use crate::runtime;
use crate::units::Point;

/// Samples across the initial width; part of the networks, like the three numbers below.
pub(super) const PER_WIDTH: f64 = 12.0;
/// Rows behind the initial tip.
pub(super) const BEHIND: f64 = 57.0;
/// Rows of the strip.
pub(super) const ROWS: usize = 80;
/// Columns of the strip; the centre line runs between the two middle ones.
pub(super) const COLUMNS: usize = 48;
/// Strips that go through a network together: large enough to be fast, small enough to stay in the cache.
const BATCH: usize = 16;
/// Keeps strips without any contrast from being blown up to full noise; part of the networks.
const FLAT: f32 = 0.01;

/// What a network answers for initial ends, in their order: `size` numbers each, and the initial end they were asked for.
///
/// `None` where there is no initial end, there is no network, or it fails.
pub(super) fn answers(
    network: Option<&Model>,
    planes: &Planes,
    roughs: &[Option<InitialEnd>],
    size: usize,
) -> Vec<Option<(InitialEnd, Vec<f32>)>> {
    let Some(network) = network else {
        return roughs.iter().map(|_| None).collect();
    };
    let known: Vec<InitialEnd> = roughs.iter().flatten().copied().collect();
    let answered: Vec<Option<Vec<f32>>> =
        known.chunks(BATCH).flat_map(|batch| run(network, planes, batch, size)).collect();
    let mut answered = answered.into_iter();
    roughs
        .iter()
        .map(|initial| {
            let initial = (*initial)?;
            answered.next().flatten().map(|numbers| (initial, numbers))
        })
        .collect()
}

/// Answers for one batch, `size` numbers for each strip.
fn run(network: &Model, planes: &Planes, batch: &[InitialEnd], size: usize) -> Vec<Option<Vec<f32>>> {
    let mut input = Vec::with_capacity(batch.len() * 3 * ROWS * COLUMNS);
    for initial in batch {
        input.extend(strip(planes, initial));
    }
    let tensor = NdTensor::from_data([batch.len(), 3, ROWS, COLUMNS], input);
    let output = runtime::run(network, tensor.view().into()).ok().and_then(|v| v.into_tensor::<f32>());
    let numbers = output.map(|t| t.to_vec()).unwrap_or_default();
    let mut answers = numbers.chunks_exact(size).map(<[f32]>::to_vec);
    batch.iter().map(|_| answers.next()).collect()
}

/// Input of one strip: blue, green and red (as the networks were shown), to mean 0 and standard deviation 1.
fn strip(planes: &Planes, initial: &InitialEnd) -> Vec<f32> {
    let step = initial.width_px / PER_WIDTH;
    let (sin, cos) = initial.axis_deg.to_radians().sin_cos();
    let n = ROWS * COLUMNS;
    let mut values = vec![0.0f32; 3 * n];
    let sampler = planes.sampler(step);
    for i in 0..ROWS {
        let u = (i as f64 - BEHIND) * step;
        for j in 0..COLUMNS {
            let v = (j as f64 - 0.5 * (COLUMNS - 1) as f64) * step;
            let p = Point::new(initial.tip.x + u * cos - v * sin, initial.tip.y + u * sin + v * cos);
            let colour = sampler.at(p);
            let grey = planes.channels() == 1;
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
/// `scripts/reference/regression network.py`), to 1e-4.
#[cfg(test)]
pub(super) fn assert_answers(network: Option<&Model>, reference: &str) {
    let reference: serde_json::Value = serde_json::from_str(reference).expect("JSON");
    let strips = NdTensor::from_fn([2, 3, ROWS, COLUMNS], |[n, c, i, j]| {
        let shaft = (2 * j).abs_diff(COLUMNS - 1) < 12 + n && i < 57;
        (((i * 7 + j * 13 + c * 5 + n * 3) % 17) as f32 - 8.0) / 32.0 + if shaft { 2.0 } else { 0.0 } - 0.5
    });
    let answer = runtime::run(network.expect("bundled"), strips.view().into()).expect("runs");
    let own = answer.into_tensor::<f32>().expect("numbers").to_vec();
    let every = reference["every"].as_u64().expect("number") as usize;
    let theirs = reference["values"].as_array().expect("list");
    assert_eq!(own.len().div_ceil(every), theirs.len());
    for (own, theirs) in own.iter().step_by(every).zip(theirs) {
        let theirs = theirs.as_f64().expect("number");
        assert!((f64::from(*own) - theirs).abs() < 1e-4 * theirs.abs().max(1.0), "{own} {theirs}");
    }
}
