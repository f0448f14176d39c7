//! Laboratory: how often does a model learnt from few labels stop giving one of the two labels?
//!
//! usage: cargo run --release --example retrain_often -- [TABLE.training.csv] [MODELS]
//!
//! Trains MODELS (240) models from 30 to 300 labelled ends of a few specimens each, and judges every one on all ends of the
//! other specimens. A class counts as abolished when at least 98 % of it get no verdict or the other label. Prints one line
//! per number of labels: models, abolished ones, those of them that `train` warned of, and medians of coverage and balanced
//! accuracy.

use breakface::settings::LabelSettings;
use breakface::train::confusion::Confusion;
use breakface::train::{Options, TrainingRow, TrainingTable, train};
use breakface::tree::{Label, Model};
use rand::SeedableRng;
use rand::seq::SliceRandom;
use rand_chacha::ChaCha8Rng;

/// Numbers of labels, each tried equally often.
const SIZES: [usize; 8] = [30, 50, 75, 100, 150, 200, 250, 300];
/// Share of a class without its label from which it counts as abolished.
const ABOLISHED: f64 = 0.98;

/// What became of one model.
struct Tried {
    abolished: bool,
    warned: bool,
    coverage: f64,
    balanced_accuracy: f64,
    steepest: f64,
}

fn main() -> Result<(), Box<dyn std::error::Error>> {
    let args: Vec<String> = std::env::args().skip(1).collect();
    let table = match args.first() {
        Some(path) => TrainingTable::from_csv(path, &std::fs::read(path)?)?,
        None => TrainingTable::bundled()?,
    };
    let models: usize = args.get(1).map_or(Ok(240), |n| n.parse())?;
    println!("labels models abolished warned_of_these coverage balanced_accuracy steepest_slope");
    for size in SIZES {
        let tried: Vec<Tried> = (0..models / SIZES.len()).filter_map(|i| one(&table, size, i as u64)).collect();
        let abolished: Vec<&Tried> = tried.iter().filter(|t| t.abolished).collect();
        println!(
            "{size} {} {} {} {:.3} {:.3} {:.2}",
            tried.len(),
            abolished.len(),
            abolished.iter().filter(|t| t.warned).count(),
            median(tried.iter().map(|t| t.coverage).collect()),
            median(tried.iter().map(|t| t.balanced_accuracy).collect()),
            tried.iter().map(|t| t.steepest).fold(0.0, f64::max)
        );
    }
    Ok(())
}

/// Trains one model from `size` labels on as few specimens as hold them, in random order; none when they are of one class.
fn one(table: &TrainingTable, size: usize, seed: u64) -> Option<Tried> {
    let mut rng = ChaCha8Rng::seed_from_u64(seed);
    rng.set_stream(size as u64);
    let (groups, names) = table.groups();
    let mut order: Vec<usize> = (0..names.len()).collect();
    order.shuffle(&mut rng);
    let of = |group: usize| -> Vec<usize> { (0..groups.len()).filter(|&r| groups[r] == group).collect() };
    let (mut picked, mut used) = (Vec::new(), Vec::new());
    for group in order {
        if size <= picked.len() {
            break;
        }
        // A person labels part of the ends of a specimen and goes on to the next.
        let mut ends = of(group);
        ends.shuffle(&mut rng);
        ends.truncate((size / 4).max(5));
        picked.extend(ends);
        used.push(group);
    }
    picked.truncate(size);
    let rows: Vec<TrainingRow> = picked.iter().map(|&r| table.rows()[r].clone()).collect();
    let trained = train(&TrainingTable::new(rows), &LabelSettings::default(), &Options::default()).ok()?;
    let mut said = Confusion::default();
    for (row, group) in table.rows().iter().zip(&groups) {
        if !used.contains(group) {
            said.add(row.label, trained.model.predict(&row.features, &[]).label);
        }
    }
    Some(tried(&trained.model, &trained.warnings, &said))
}

fn tried(model: &Model, warnings: &[String], said: &Confusion) -> Tried {
    let lost = |right: u64, rest: u64| ABOLISHED <= rest as f64 / (right + rest).max(1) as f64;
    let abolished = lost(said.sheared_right, said.sheared_wrong + said.sheared_unclear)
        || lost(said.tensile_right, said.tensile_wrong + said.tensile_unclear);
    Tried {
        abolished,
        warned: warnings
            .iter()
            .any(|w| w.contains("POOR") || w.contains(Label::Unclear.word()) || w.contains("no verdict")),
        coverage: said.coverage().unwrap_or(0.0),
        balanced_accuracy: said.balanced_accuracy().unwrap_or(0.5),
        steepest: model.witnesses.shape.calibration.slope.max(model.witnesses.appearance.calibration.slope),
    }
}

fn median(mut values: Vec<f64>) -> f64 {
    values.sort_by(f64::total_cmp);
    values.get(values.len() / 2).copied().unwrap_or(f64::NAN)
}
