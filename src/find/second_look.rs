//! The second look: every candidate is shown once more, straightened and at two sizes, to a small network that says whether
//! a fibre ends there, how wide it is and where exactly the tip lies.
//!
//! Copies of the picture + candidates -> the same candidates, corrected. Made by `scripts/finder/second_look.py`.

use rten::Model;
use rten_tensor::NdTensor;
use rten_tensor::prelude::*;

use super::Candidate;
use super::network::{FinderError, run_alone};
use super::pyramid::Level;
use crate::units::{Point, wrap_deg};

/// Rows and columns of a patch; part of the network, like the numbers below.
const SIDE: usize = 48;
/// The network's unit of length, spacings.
const UNIT: f64 = 8.0;
/// How far the middle of the patch lies behind the candidate's tip, spacings: more shaft than ground in view.
const BEHIND: f64 = 6.0;
/// Answers per patch: real, log2 width, ahead, right, cos, sin, sheared.
const ANSWERS: usize = 7;
/// Keeps patches without contrast from being blown up to noise; part of the network.
const FLAT: f32 = 0.1;
/// Patches that go through the network together.
const BATCH: usize = 64;

static BUNDLED: &[u8] = include_bytes!("../../models/second_look.onnx");

/// The network of the second look.
pub(super) struct SecondLook {
    model: Model,
}

impl SecondLook {
    /// The network that is compiled in.
    pub(super) fn bundled() -> Result<Self, FinderError> {
        let unusable = |reason: String| FinderError::Unusable { name: "bundled second look".to_owned(), reason };
        let look = Self { model: Model::load_static_slice(BUNDLED).map_err(|e| unusable(e.to_string()))? };
        look.run(NdTensor::zeros([1, 2, SIDE, SIDE])).map_err(unusable)?;
        Ok(look)
    }

    /// Digest of the weights.
    pub(super) fn digest() -> blake3::Hash {
        blake3::hash(BUNDLED)
    }

    /// Corrects candidates: tip, axis, width, score and look are those of the second look.
    pub(super) fn correct(&self, levels: &[Level], candidates: &[Candidate]) -> Vec<Candidate> {
        let mut corrected = Vec::with_capacity(candidates.len());
        for batch in candidates.chunks(BATCH) {
            let steps: Vec<(usize, f64)> = batch.iter().map(|c| step(c, levels)).collect();
            let patches: Vec<f32> = batch.iter().zip(&steps).flat_map(|(c, &(k, s))| patch(levels, c, k, s)).collect();
            let input = NdTensor::from_data([batch.len(), 2, SIDE, SIDE], patches);
            // Shapes were proven when the network was loaded; a failed run keeps what the first look said.
            let Ok(answers) = self.run(input) else {
                corrected.extend_from_slice(batch);
                continue;
            };
            for (i, (candidate, &(_, step))) in batch.iter().zip(&steps).enumerate() {
                corrected.push(apply(candidate, step * UNIT, |a| f64::from(answers[[i, a]])));
            }
        }
        corrected
    }

    fn run(&self, input: NdTensor<f32, 4>) -> Result<NdTensor<f32, 2>, String> {
        let n = input.size(0);
        let answers: NdTensor<f32, 2> = run_alone(&self.model, input)?
            .try_into()
            .map_err(|_| "answers with something else than numbers".to_owned())?;
        if answers.shape() == [n, ANSWERS] {
            Ok(answers)
        } else {
            Err(format!("answers with shape {:?}", answers.shape()))
        }
    }
}

/// Copy to look at and spacing of the patch, px: the power of two nearest to width / 8.
fn step(candidate: &Candidate, levels: &[Level]) -> (usize, f64) {
    let k = (candidate.width_px / UNIT).log2().round().clamp(0.0, levels.len().saturating_sub(1) as f64) as usize;
    (k, levels[k].reduction)
}

fn apply(candidate: &Candidate, unit: f64, answer: impl Fn(usize) -> f64) -> Candidate {
    let forward = candidate.tip.towards(candidate.axis_deg, unit * answer(2));
    let tip = forward.towards(candidate.axis_deg + 90.0, unit * answer(3));
    let sigmoid = |x: f64| 1.0 / (1.0 + (-x).exp());
    Candidate {
        tip,
        axis_deg: wrap_deg(candidate.axis_deg + answer(5).atan2(answer(4)).to_degrees()),
        width_px: unit * answer(1).exp2(),
        // Both looks must like it: their geometric mean judged better than either on rendered training pictures.
        score: (candidate.score * sigmoid(answer(0))).sqrt(),
        look_sheared: Some(sigmoid(answer(6))),
    }
}

/// Two layers of grey around the candidate, its axis pointing up, each with zero mean and unit deviation.
fn patch(levels: &[Level], candidate: &Candidate, k: usize, step: f64) -> Vec<f32> {
    let (sin, cos) = candidate.axis_deg.to_radians().sin_cos();
    let middle = (SIDE as f64 - 1.0) / 2.0;
    let mut values = Vec::with_capacity(2 * SIDE * SIDE);
    for layer in 0..2 {
        let spacing = step * f64::from(1 << layer);
        let level = &levels[(k + layer as usize).min(levels.len() - 1)];
        let start = values.len();
        for row in 0..SIDE {
            let ahead = (middle - row as f64 - BEHIND) * spacing;
            for column in 0..SIDE {
                let side = (column as f64 - middle) * spacing;
                let (tip, x, y) = (candidate.tip, ahead * cos - side * sin, ahead * sin + side * cos);
                values.push(level.bilinear(Point::new(tip.x + x, tip.y + y)));
            }
        }
        normalise(&mut values[start..]);
    }
    values
}

fn normalise(values: &mut [f32]) {
    let n = values.len() as f32;
    let mean = values.iter().sum::<f32>() / n;
    // The deviation of a sample (n - 1), as in training.
    let deviation = (values.iter().map(|v| (v - mean).powi(2)).sum::<f32>() / (n - 1.0)).sqrt();
    values.iter_mut().for_each(|v| *v = (*v - mean) / (deviation + FLAT));
}
