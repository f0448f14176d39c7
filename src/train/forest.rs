//! A forest: trees on bootstrap samples with features drawn anew for each question (Breiman 2001); the same seed gives
//! the same forest on any number of threads.

use super::fit::{Growth, Rows, grow};
use crate::settings::LabelSettings;
use crate::tree::Node;
use rand::{Rng, SeedableRng};
use rand_chacha::ChaCha8Rng;
use rayon::prelude::*;

/// Grows a forest on the picked rows; `stream` keeps the samples of different folds apart.
pub fn grow_forest(rows: &Rows, picked: &[usize], settings: &LabelSettings, stream: u64) -> Vec<Node> {
    if picked.is_empty() {
        return Vec::new();
    }
    let stepped = rows.in_steps(settings.forest_steps);
    let growth = Growth {
        max_depth: settings.max_depth,
        min_leaf: settings.min_leaf,
        features_per_split: Some((rows.n_features() as f64).sqrt().ceil() as usize),
        midway: false,
    };
    (0..settings.forest_trees as u64)
        .into_par_iter()
        .map(|tree| {
            let mut rng = ChaCha8Rng::seed_from_u64(settings.seed);
            rng.set_stream((stream << 32) | tree);
            let (sample, drawn) = bootstrap(&stepped, picked, &mut rng);
            grow(&sample, &drawn, growth, &mut rng)
        })
        .collect()
}

/// Rows drawn with replacement: each drawn row once, its weight times how often it was drawn.
fn bootstrap(rows: &Rows, picked: &[usize], rng: &mut ChaCha8Rng) -> (Rows, Vec<usize>) {
    let mut times = vec![0u32; picked.len()];
    for _ in 0..picked.len() {
        times[rng.random_range(0..picked.len())] += 1;
    }
    let mut sample = Rows { values: Vec::new(), classes: Vec::new(), weights: Vec::new(), n_classes: rows.n_classes };
    for (&row, &n) in picked.iter().zip(&times).filter(|(_, n)| 0 < **n) {
        sample.values.push(rows.values[row].clone());
        sample.classes.push(rows.classes[row]);
        sample.weights.push(rows.weights[row] * f64::from(n));
    }
    let all = (0..sample.len()).collect();
    (sample, all)
}
