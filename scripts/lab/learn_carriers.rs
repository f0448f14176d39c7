//! Learns the weights of the carrier grouping from rendered pictures whose truth is known, and says how well it groups.
//!
//! `cargo run --example learn_carriers -- TRUTH_DIR… [--results DIR…] [--judge DIR…]`
//! Truth folders hold one JSON per picture (`ends` with `carrier`, `x_px`, …); with `--results` (one folder per truth folder,
//! in order) the measured ends of a run stand in for the true positions. Prints `models/carrier.json`, then
//! the adjusted Rand index by view: cross-validated by folder, and for the `--judge` folders with the weights of all.

use breakface::carrier::learn::{self, KnownPair};
use breakface::carrier::pairs::Scene;
use breakface::carrier::{CarrierInput, PairWeights, View, edge_direction_deg, group_inputs};
use breakface::settings::CarrierSettings;
use breakface::stats::agreement::adjusted_rand;
use breakface::table::{EndRow, read_csv};
use breakface::units::Point;
use rand::{Rng, SeedableRng};
use serde_json::Value;
use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

/// Noise put on true positions, so that weights do not rely on an exactness that measuring does not have.
const TIP_NOISE_D: f64 = 0.1;
const ANGLE_NOISE_DEG: f64 = 2.0;
const RIDGE: f64 = 1.0;

struct Picture {
    view: String,
    size: View,
    shafts: Vec<CarrierInput>,
    carriers: Vec<i64>,
}

fn main() {
    let mut lists: BTreeMap<&str, Vec<PathBuf>> = BTreeMap::new();
    let mut into = "truth";
    for arg in std::env::args().skip(1) {
        match arg.as_str() {
            "--results" => into = "results",
            "--judge" => into = "judge",
            "--judge-results" => into = "judge-results",
            path => lists.entry(into).or_default().push(path.into()),
        }
    }
    let load = |truth: &str, results: &str| -> Vec<Vec<Picture>> {
        let none = Vec::new();
        let results = lists.get(results).unwrap_or(&none);
        let folders = lists.get(truth).unwrap_or(&none);
        folders.iter().enumerate().map(|(i, f)| read_folder(f, results.get(i).map(PathBuf::as_path))).collect()
    };
    let folders = load("truth", "results");
    let judged = load("judge", "judge-results");
    let mut found = Vec::new();
    for left_out in 0..folders.len().max(1) {
        let learnt: Vec<&Picture> = folders
            .iter()
            .enumerate()
            .filter(|(i, _)| *i != left_out || folders.len() == 1)
            .flat_map(|(_, f)| f)
            .collect();
        let Some(weights) = weights_from(&learnt) else { continue };
        found.extend(folders.get(left_out).into_iter().flatten().map(|p| (p.view.clone(), judge(p, &weights))));
    }
    say("cross-validated", &found);
    let all: Vec<&Picture> = folders.iter().flatten().collect();
    let bundled = PairWeights::bundled().expect("bundled");
    let weights = weights_from(&all).unwrap_or_else(|| bundled.clone());
    say("judged", &judged.iter().flatten().map(|p| (p.view.clone(), judge(p, &weights))).collect::<Vec<_>>());
    say(
        "judged, bundled weights",
        &judged.iter().flatten().map(|p| (p.view.clone(), judge(p, bundled))).collect::<Vec<_>>(),
    );
    println!("{}", weights.to_json().expect("finite weights"));
}

fn weights_from(pictures: &[&Picture]) -> Option<PairWeights> {
    let mut pairs = Vec::new();
    for p in pictures.iter().filter(|p| 2 < p.shafts.len()) {
        let n = p.shafts.len() as f64;
        let weight = 1.0 / (n * (n - 1.0) / 2.0).sqrt();
        Scene::new(&p.shafts).each_pair(|i, j, evidence| {
            if p.carriers[i] < 0 || p.carriers[j] < 0 {
                return;
            }
            pairs.push(KnownPair { evidence, same: p.carriers[i] == p.carriers[j], weight });
        });
    }
    let w = learn::fit(&pairs, RIDGE)?;
    let (bias, values) = w.split_first()?;
    Some(PairWeights { bias: *bias, values: values.try_into().ok()? })
}

/// Adjusted Rand index of the ends whose carrier is known; ungrouped ends count as carriers of their own.
fn judge(p: &Picture, weights: &PairWeights) -> Option<f64> {
    let mut truth = p.carriers.clone();
    truth.retain(|c| 0 <= *c);
    truth.sort_unstable();
    truth.dedup();
    if truth.len() < 2 {
        return None;
    }
    let found = group_inputs(&p.shafts, &p.size, (&CarrierSettings::default(), weights));
    let (mut a, mut b) = (Vec::new(), Vec::new());
    for (i, carrier) in p.carriers.iter().enumerate().filter(|(_, c)| 0 <= **c) {
        a.push(*carrier);
        b.push(found[i].map_or(-1 - i as i64, i64::from));
    }
    adjusted_rand(&a, &b)
}

fn say(what: &str, found: &[(String, Option<f64>)]) {
    for view in ["teased", "tuft", "close"] {
        let values: Vec<f64> = found.iter().filter(|f| f.0 == view).filter_map(|f| f.1).collect();
        if !values.is_empty() {
            let mean = values.iter().sum::<f64>() / values.len() as f64;
            println!("{what}: {view}: adjusted Rand {mean:.3} over {} pictures", values.len());
        }
    }
}

fn read_folder(folder: &Path, results: Option<&Path>) -> Vec<Picture> {
    let mut files: Vec<PathBuf> = std::fs::read_dir(folder)
        .into_iter()
        .flatten()
        .filter_map(|e| Some(e.ok()?.path()))
        .filter(|p| p.extension().is_some_and(|e| e == "json"))
        .collect();
    files.sort();
    let ends: Option<Vec<EndRow>> = results.and_then(|r| read_csv(&r.join("ends.csv")).ok());
    let mut rng = rand_chacha::ChaCha8Rng::seed_from_u64(1);
    files.iter().filter_map(|f| picture(f, ends.as_deref(), &mut rng)).collect()
}

fn picture(file: &Path, ends: Option<&[EndRow]>, rng: &mut rand_chacha::ChaCha8Rng) -> Option<Picture> {
    let truth: Value = serde_json::from_slice(&std::fs::read(file).ok()?).ok()?;
    let number = |v: &Value, name: &str| v.get(name).and_then(Value::as_f64);
    let known = truth.get("ends")?.as_array()?;
    let (mut shafts, mut carriers) = (Vec::new(), Vec::new());
    let mut noise = |size: f64| {
        // Sum of twelve uniforms: normal enough.
        ((0..12).map(|_| rng.random::<f64>()).sum::<f64>() - 6.0) * size
    };
    if let Some(rows) = ends {
        let settings = CarrierSettings::default();
        let image = truth.get("image")?.as_str()?;
        for row in rows.iter().filter(|r| r.image.ends_with(image)) {
            let Some(shaft) = of_row(row, &settings) else { continue };
            let near = |e: &&Value| {
                let at = Point::new(number(e, "x_px").unwrap_or(f64::MAX), number(e, "y_px").unwrap_or(f64::MAX));
                at.distance(shaft.tip)
            };
            let nearest = known.iter().min_by(|a, b| near(a).total_cmp(&near(b)));
            let carrier = nearest
                .filter(|e| near(e) <= number(e, "shaft_diameter_px").unwrap_or(0.0))
                .filter(|e| e.get("gradable").and_then(Value::as_bool) == Some(true));
            carriers.push(carrier.and_then(|e| e.get("carrier")?.as_i64()).unwrap_or(-1));
            shafts.push(shaft);
        }
    } else {
        for e in known.iter().filter(|e| e.get("gradable").and_then(Value::as_bool) == Some(true)) {
            let d = number(e, "shaft_diameter_px")?;
            let axis_deg = number(e, "axis_deg")? + noise(ANGLE_NOISE_DEG);
            shafts.push(CarrierInput {
                tip: Point::new(
                    number(e, "x_px")? + noise(TIP_NOISE_D * d),
                    number(e, "y_px")? + noise(TIP_NOISE_D * d),
                ),
                axis_deg,
                diameter_px: d,
                edge_deg: number(e, "cut_angle_signed_deg")
                    .map(|cut| edge_direction_deg(axis_deg, cut) + noise(ANGLE_NOISE_DEG)),
                hue_deg: None,
            });
            carriers.push(e.get("carrier")?.as_i64()?);
        }
    }
    let size = |name: &str| number(&truth, name).unwrap_or(0.0) as u32;
    let carriers_of_braid = number(&truth, "specimen_carriers").map(|n| n as u32);
    Some(Picture {
        view: truth.get("view")?.as_str()?.to_owned(),
        size: View { width_px: size("width_px"), height_px: size("height_px"), carriers: carriers_of_braid },
        shafts,
        carriers,
    })
}

fn of_row(row: &EndRow, settings: &CarrierSettings) -> Option<CarrierInput> {
    let end = breakface::measure::MeasuredEnd {
        tip: Point::new(row.x_px, row.y_px),
        axis_deg: row.axis_deg,
        score: 1.0,
        quality: row.quality,
        features: row.features.clone(),
        drawn: breakface::measure::Drawn::default(),
        not_gradable: Vec::new(),
    };
    CarrierInput::of(&end, settings)
}
