//! Knots: the mean fraction of a knot from a few specimens.

use super::faces::{self, Basis, Sampling, Scenario, TEASED, beta};
use super::{Asked, Tally};
use breakface::knot::compare;
use breakface::table::{FaceVerdict, SpecimenRow};
use rand::{Rng, SeedableRng};
use rand_chacha::ChaCha8Rng;

/// Names of the scenarios, specimens of a knot, standard deviation between them.
const SCENARIOS: [(&str, usize, f64); 7] = [
    ("knot of 1 specimen, SD 0.15", 1, 0.15),
    ("knot of 1 specimen, SD 0.25", 1, 0.25),
    ("knot of 2 specimens, SD 0.2", 2, 0.2),
    ("knot of 3 specimens, SD 0.15", 3, 0.15),
    ("knot of 3 specimens, SD 0.25", 3, 0.25),
    ("knot of 5 specimens, SD 0.2", 5, 0.2),
    ("knot of 10 specimens, SD 0.2", 10, 0.2),
];

/// A face as most laboratories picture it.
const FACE: Scenario = Scenario {
    name: "",
    carriers: 8,
    told: true,
    fibres: 20,
    pictures: &[8, 4],
    sampling: Sampling::Anew,
    rho: 0.8,
    error: 0.04,
    basis: Basis::Controls(0.04),
    grouping: TEASED,
    recall: (1.0, 1.0),
    fibres_told: false,
};

/// Knots of a series.
const KNOTS: usize = 4;

/// Runs the scenarios that are wanted.
pub fn run(asked: &Asked, print: impl Fn(&str, Tally)) {
    for (name, specimens, sd) in SCENARIOS.into_iter().filter(|(name, ..)| asked.wants(name)) {
        let mut tally = Tally::default();
        for run in 0..asked.runs {
            one_series(specimens, sd, asked, &mut ChaCha8Rng::seed_from_u64(run), &mut tally);
        }
        print(name, tally);
    }
}

fn one_series(specimens: usize, sd: f64, asked: &Asked, rng: &mut ChaCha8Rng, tally: &mut Tally) {
    let knots: Vec<f64> = (0..KNOTS).map(|_| rng.random_range(0.15..0.85)).collect();
    let means: Vec<f64> = knots
        .iter()
        .flat_map(|mean| std::iter::repeat_n(*mean, specimens))
        // Within nought and one a beta distribution has no more spread than this.
        .map(|mean| beta(rng, mean, (sd * sd / (mean * (1.0 - mean))).min(0.95)))
        .map(|mean| mean.clamp(0.001, 0.999))
        .collect();
    let mut rows: Vec<SpecimenRow> = faces::series(&FACE, &means, asked, rng).into_iter().map(|(_, row)| row).collect();
    for (i, row) in rows.iter_mut().enumerate() {
        row.knot = Some(format!("K{}", i / specimens));
    }
    for row in compare(&rows, &asked.settings).knots {
        let Some(truth) = row.knot.strip_prefix('K').and_then(|k| k.parse().ok()).and_then(|k: usize| knots.get(k))
        else {
            continue;
        };
        if let Some((low, high)) = row.sheared_low.zip(row.sheared_high) {
            tally.count(*truth, (row.sheared_fraction.unwrap_or(f64::NAN), low, high));
        }
        if row.verdict == Some(FaceVerdict::MostlyShear) {
            tally.shear(*truth);
        }
    }
}
