//! Loads: knot efficiency (alone, and of one of four knots of a run), and load against shear.

use super::{Asked, Tally};
use breakface::knot::compare;
use breakface::series::Kind;
use breakface::stats::rank::{spearman, spearman_interval};
use breakface::stats::ratio::{Sample, of_means};
use breakface::table::SpecimenRow;
use rand::{Rng, SeedableRng};
use rand_chacha::ChaCha8Rng;
use std::f64::consts::{PI, TAU};

/// Names of the scenarios, loads of the knot and of straight pulls, their coefficients of variation.
const EFFICIENCY: [(&str, (usize, f64), (usize, f64)); 4] = [
    ("efficiency, 3 against 10 loads of unlike spread", (3, 0.15), (10, 0.03)),
    ("efficiency, 10 against 3 loads of unlike spread", (10, 0.15), (3, 0.03)),
    ("efficiency, 3 against 3 loads", (3, 0.08), (3, 0.05)),
    ("efficiency, 10 against 10 loads", (10, 0.1), (10, 0.05)),
];
/// The same, one of four knots of a run.
const AMONG_KNOTS: [(&str, (usize, f64), (usize, f64)); 2] = [
    ("efficiency among four knots, 3 against 10 loads", (3, 0.1), (10, 0.03)),
    ("efficiency among four knots, 3 against 3 loads", (3, 0.08), (3, 0.05)),
];
/// Names of the scenarios, pairs, Pearson's correlation.
const RANKS: [(&str, usize, f64); 5] = [
    ("Spearman, 4 pairs", 4, 0.6),
    ("Spearman, 6 pairs", 6, 0.6),
    ("Spearman, 6 pairs, strong", 6, 0.9),
    ("Spearman, 10 pairs", 10, 0.6),
    ("Spearman, 20 pairs", 20, 0.6),
];
const TRUE_EFFICIENCY: f64 = 0.6;
/// A single ratio is quick: more rounds than the faces have.
const ROUNDS: u64 = 10;

/// Runs the scenarios that are wanted.
pub fn run(asked: &Asked, print: impl Fn(&str, Tally)) {
    for (name, knot, pull) in EFFICIENCY.into_iter().filter(|(name, ..)| asked.wants(name)) {
        let mut tally = Tally::default();
        for run in 0..ROUNDS * asked.runs {
            let mut rng = ChaCha8Rng::seed_from_u64(run);
            let mut sample = |(n, cv): (usize, f64), mean: f64| -> Vec<f64> {
                (0..n).map(|_| mean * (1.0 + cv * normal(&mut rng))).collect()
            };
            let (a, b) = (sample(knot, TRUE_EFFICIENCY), sample(pull, 1.0));
            if let Some((ratio, interval)) =
                of_means(Sample::alone(&a), Sample::alone(&b)).and_then(|r| Some((r.ratio, r.interval?)))
            {
                tally.count(TRUE_EFFICIENCY, (ratio, interval.low, interval.high));
            }
        }
        print(name, tally);
    }
    for (name, knot, pull) in AMONG_KNOTS.into_iter().filter(|(name, ..)| asked.wants(name)) {
        let mut tally = Tally::default();
        for run in 0..ROUNDS * asked.runs {
            let rows = knots_and_pulls(knot, pull, &mut ChaCha8Rng::seed_from_u64(run));
            for row in compare(&rows, &asked.settings).knots.into_iter().take(1) {
                if let Some((low, high)) = row.efficiency_low.zip(row.efficiency_high) {
                    tally.count(TRUE_EFFICIENCY, (row.efficiency.unwrap_or(f64::NAN), low, high));
                }
            }
        }
        print(name, tally);
    }
    for (name, n, pearson) in RANKS.into_iter().filter(|(name, ..)| asked.wants(name)) {
        let mut tally = Tally::default();
        // Of normal values (Pearson 1907; Kruskal 1958, Journal of the American Statistical Association 53:814).
        let truth = 6.0 / PI * (pearson / 2.0).asin();
        for run in 0..ROUNDS * asked.runs {
            let mut rng = ChaCha8Rng::seed_from_u64(run);
            let x: Vec<f64> = (0..n).map(|_| normal(&mut rng)).collect();
            let y: Vec<f64> =
                x.iter().map(|x| pearson * x + (1.0 - pearson * pearson).sqrt() * normal(&mut rng)).collect();
            if let Some((r, interval)) = spearman(&x, &y).zip(spearman_interval(&x, &y)) {
                tally.count(truth, (r, interval.low, interval.high));
            }
        }
        print(name, tally);
    }
}

/// Specimens of four knots whose loads spread by half to one and a half times the coefficient of variation given, and pulls.
fn knots_and_pulls((n, cv): (usize, f64), (pulls, pull_cv): (usize, f64), rng: &mut ChaCha8Rng) -> Vec<SpecimenRow> {
    let mut rows = Vec::new();
    for knot in ["A", "B", "C", "D"] {
        let own = cv * rng.random_range(0.5..1.5);
        for _ in 0..n {
            let load = TRUE_EFFICIENCY * (1.0 + own * normal(rng));
            rows.push(SpecimenRow {
                kind: Some(Kind::Knot),
                knot: Some(knot.into()),
                peak_load_n: Some(load),
                ..SpecimenRow::default()
            });
        }
    }
    rows.extend((0..pulls).map(|_| SpecimenRow {
        kind: Some(Kind::Pull),
        peak_load_n: Some(1.0 + pull_cv * normal(rng)),
        ..SpecimenRow::default()
    }));
    rows
}

/// A standard normal value (Box and Muller 1958).
fn normal(rng: &mut ChaCha8Rng) -> f64 {
    let (u, v): (f64, f64) = (1.0 - rng.random::<f64>(), rng.random());
    (-2.0 * u.ln()).sqrt() * (TAU * v).cos()
}
