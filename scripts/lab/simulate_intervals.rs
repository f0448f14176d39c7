//! How often the published 95 % interval of a break face holds the true fraction, and how often a plain Wilson interval would.
//!
//! `cargo run --example simulate_intervals [-- RUNS [SETTINGS.toml]]`. Seeded: the same numbers every time. Each simulated series has two
//! scissor cuts, two straight pulls and eight knots. The carriers of a knot are mostly cut or spared whole (beta distribution); of
//! each picture some carriers are seen and of each carrier some ends, carriers lying above others being seen better; the
//! labeller errs at rates that differ from carrier to carrier. Everything goes through `face::score_specimens` as in a real run.
//! The truth is the fraction of all fibres of the simulated face.

use breakface::face::score_specimens;
use breakface::series::{Kind, SeriesRow};
use breakface::settings::{FaceSettings, Settings};
use breakface::stats::Z95;
use breakface::stats::proportion::wilson;
use breakface::table::{EndRow, ImageRow};
use breakface::tree::Label;
use rand::{Rng, SeedableRng};
use rand_chacha::ChaCha8Rng;

/// One kind of series.
struct Scenario {
    name: &'static str,
    /// Carriers of the braid, and whether the series table says so.
    carriers: usize,
    told: bool,
    fibres: usize,
    /// Carriers in each picture of a face; `carriers` = a picture of the whole tuft.
    pictures: &'static [usize],
    /// Intra-carrier correlation of cutting.
    rho: f64,
    /// Mean error rate of the labeller.
    error: f64,
}

const SCENARIOS: [Scenario; 8] = [
    Scenario {
        name: "teased, 3 x 4 of 8 carriers",
        carriers: 8,
        told: true,
        fibres: 20,
        pictures: &[4, 4, 4],
        rho: 0.8,
        error: 0.04,
    },
    Scenario {
        name: "tuft and teased, 8 carriers",
        carriers: 8,
        told: true,
        fibres: 20,
        pictures: &[8, 4, 4],
        rho: 0.8,
        error: 0.04,
    },
    Scenario {
        name: "tuft and teased, 12 carriers",
        carriers: 12,
        told: true,
        fibres: 16,
        pictures: &[12, 4, 4],
        rho: 0.8,
        error: 0.04,
    },
    Scenario {
        name: "tuft and teased, 16 carriers",
        carriers: 16,
        told: true,
        fibres: 12,
        pictures: &[16, 4, 4],
        rho: 0.8,
        error: 0.04,
    },
    Scenario {
        name: "16 carriers, not told",
        carriers: 16,
        told: false,
        fibres: 12,
        pictures: &[4, 4],
        rho: 0.8,
        error: 0.04,
    },
    Scenario {
        name: "8 carriers, not told",
        carriers: 8,
        told: false,
        fibres: 20,
        pictures: &[4, 4],
        rho: 0.8,
        error: 0.04,
    },
    Scenario {
        name: "carriers half cut (rho 0.3)",
        carriers: 8,
        told: true,
        fibres: 20,
        pictures: &[4, 4],
        rho: 0.3,
        error: 0.04,
    },
    Scenario {
        name: "labeller wrong 1 in 10",
        carriers: 8,
        told: true,
        fibres: 20,
        pictures: &[8, 4],
        rho: 0.8,
        error: 0.10,
    },
];

const DEFAULT_RUNS: u64 = 300;
const KNOTS: usize = 8;

fn main() {
    let runs = std::env::args().nth(1).and_then(|v| v.parse().ok()).unwrap_or(DEFAULT_RUNS);
    let settings =
        std::env::args().nth(2).map_or_else(FaceSettings::default, |path| match Settings::load(path.as_ref()) {
            Ok(settings) => settings.face,
            Err(error) => panic!("{error}"),
        });
    println!("scenario, coverage %, mean width, plain Wilson coverage %, plain Wilson width, mean absolute error");
    let mut all = [0.0; 5];
    for scenario in &SCENARIOS {
        let mut sums = [0.0; 5];
        for run in 0..runs {
            let mut rng = ChaCha8Rng::seed_from_u64(run);
            for found in one_series(scenario, &settings, &mut rng) {
                sums.iter_mut().zip(found).for_each(|(s, v)| *s += v);
            }
        }
        let n = (runs * KNOTS as u64) as f64;
        say(scenario.name, sums.map(|s| s / n));
        all.iter_mut().zip(sums).for_each(|(a, s)| *a += s / n / SCENARIOS.len() as f64);
    }
    say("all", all);
}

fn say(name: &str, m: [f64; 5]) {
    println!("{name}, {:.1}, {:.3}, {:.1}, {:.3}, {:.3}", 100.0 * m[0], m[1], 100.0 * m[2], m[3], m[4]);
}

/// Per knot: holds the truth, width, plain Wilson holds it, its width, absolute error.
fn one_series(scenario: &Scenario, settings: &FaceSettings, rng: &mut ChaCha8Rng) -> Vec<[f64; 5]> {
    let (mut ends, mut pictures, mut truth) = (Vec::new(), Vec::new(), Vec::new());
    let kinds = [Kind::Cut, Kind::Cut, Kind::Pull, Kind::Pull].into_iter().chain([Kind::Knot; KNOTS]);
    for (i, kind) in kinds.enumerate() {
        let specimen = format!("S{i:02}");
        let mean = rng.random_range(0.1..0.9);
        let carriers: Vec<Vec<bool>> = (0..scenario.carriers)
            .map(|_| {
                let p = match kind {
                    Kind::Cut => 1.0,
                    Kind::Pull => 0.0,
                    Kind::Knot => beta(rng, mean, scenario.rho),
                };
                (0..scenario.fibres).map(|_| rng.random_bool(p)).collect()
            })
            .collect();
        let all: Vec<bool> = carriers.concat();
        truth.push((specimen.clone(), kind, all.iter().filter(|s| **s).count() as f64 / all.len() as f64));
        for (k, seen) in scenario.pictures.iter().enumerate() {
            let image = format!("{specimen}_{k}.png");
            pictures.push(picture(&image, &specimen, kind, scenario));
            ends.extend(visible(&image, &specimen, &carriers, *seen, scenario, rng));
        }
    }
    let faces = score_specimens(&ends, &pictures, None, settings);
    let knots = truth.iter().filter(|t| t.1 == Kind::Knot);
    knots
        .filter_map(|(specimen, _, f)| {
            let row = faces.specimens.iter().find(|s| s.specimen == *specimen)?;
            let (low, high, found) = (row.sheared_low?, row.sheared_high?, row.sheared_fraction?);
            let n = f64::from(row.n_sheared + row.n_tensile);
            let plain = wilson(f64::from(row.n_sheared), n, Z95)?;
            let yes = |b: bool| f64::from(u8::from(b));
            let inside = low <= *f + 1e-12 && *f <= high + 1e-12;
            Some([yes(inside), high - low, yes(plain.contains(*f)), plain.width(), (found - f).abs()])
        })
        .collect()
}

fn picture(image: &str, specimen: &str, kind: Kind, scenario: &Scenario) -> ImageRow {
    let series = SeriesRow {
        image: image.into(),
        specimen: specimen.into(),
        kind: Some(kind),
        carriers: scenario.told.then_some(scenario.carriers as u32),
        counted: true,
        ..SeriesRow::default()
    };
    ImageRow { series, um_per_px: Some(1.0), width_px: Some(1600), height_px: Some(1200), ..ImageRow::default() }
}

/// Labelled ends of one picture: `seen` carriers drawn at random, of each some ends.
fn visible(
    image: &str,
    specimen: &str,
    carriers: &[Vec<bool>],
    seen: usize,
    scenario: &Scenario,
    rng: &mut ChaCha8Rng,
) -> Vec<EndRow> {
    let mut order: Vec<usize> = (0..carriers.len()).collect();
    (0..order.len()).for_each(|i| order.swap(i, rng.random_range(0..=i)));
    let mut ends = Vec::new();
    for (number, c) in (1u32..).zip(order.into_iter().take(seen)) {
        let visible = rng.random_range(0.3..0.9);
        // The mean error, spread so that some carriers are mislabelled far more often than others.
        let error = scenario.error * if rng.random_bool(0.2) { 4.0 } else { 0.25 };
        for sheared in &carriers[c] {
            if rng.random_bool(visible) {
                let label = if *sheared == rng.random_bool(error) { Label::Tensile } else { Label::Sheared };
                ends.push(end(image, specimen, ends.len() as u32 + 1, number, label));
            }
        }
    }
    ends
}

fn end(image: &str, specimen: &str, number: u32, carrier: u32, label: Label) -> EndRow {
    EndRow {
        image: image.into(),
        specimen: specimen.into(),
        end: number,
        carrier: Some(carrier),
        y_px: f64::from(number),
        label,
        quality: 1.0,
        counted: true,
        ..EndRow::default()
    }
}

/// A draw from the beta distribution with this mean and intra-cluster correlation (Jöhnk 1964, in logarithms so that small shape
/// parameters do not underflow).
fn beta(rng: &mut ChaCha8Rng, mean: f64, rho: f64) -> f64 {
    let total = (1.0 - rho) / rho;
    let (a, b) = (mean * total, (1.0 - mean) * total);
    loop {
        let x = (1.0 - rng.random::<f64>()).ln() / a;
        let y = (1.0 - rng.random::<f64>()).ln() / b;
        let top = x.max(y);
        let sum = top + ((x - top).exp() + (y - top).exp()).ln();
        if sum <= 0.0 {
            return (x - sum).exp();
        }
    }
}
