//! How often published 95 % intervals hold the truth, and how often a verdict "mostly shear" is wrong, under conditions that are
//! not ideal.
//!
//! `cargo run --release --example simulate_intervals -- [--runs N] [--only PART OF A NAME] [--settings FILE]`. Seeded: the same numbers every time.
//!
//! Faces: each simulated series has two scissor cuts and two straight pulls (or none) and eight knots. The carriers of a knot
//! are mostly cut or spared whole (beta distribution); of each picture some carriers are seen and of each carrier some ends;
//! the labeller errs at rates that differ from carrier to carrier. Everything goes through `face::score_specimens` as in a real
//! run. The truth is the fraction of all fibres of the simulated face. Knots, loads and rank correlations have parts of their
//! own. Beside each mean width stands what the ideal needs: the width of an interval around the same estimates that would hold
//! the truth just 95 times in 100.

mod faces;
mod knots;
mod loads;

use breakface::settings::{FaceSettings, Settings};

/// What a scenario gave.
#[derive(Default)]
pub struct Tally {
    /// Per estimate: distance from the truth, width of the interval, whether it holds the truth.
    estimates: Vec<(f64, f64, bool)>,
    /// Verdicts "mostly shear".
    shear: usize,
    /// Those of which the truth lies at one half or below.
    wrong: usize,
}

impl Tally {
    /// Counts one published interval.
    pub fn count(&mut self, truth: f64, (found, low, high): (f64, f64, f64)) {
        const ROUNDING: f64 = 1e-9;
        let holds = low <= truth + ROUNDING && truth <= high + ROUNDING;
        self.estimates.push(((found - truth).abs(), high - low, holds));
    }

    /// Counts a verdict "mostly shear".
    pub fn shear(&mut self, truth: f64) {
        self.shear += 1;
        self.wrong += usize::from(truth <= 0.5);
    }

    fn line(&self, name: &str) -> String {
        let n = self.estimates.len().max(1) as f64;
        let mean = |value: fn(&(f64, f64, bool)) -> f64| self.estimates.iter().map(value).sum::<f64>() / n;
        let mut errors: Vec<f64> = self.estimates.iter().map(|e| e.0).collect();
        errors.sort_by(f64::total_cmp);
        let ideal = 2.0 * errors.get((0.95 * n) as usize).copied().unwrap_or(f64::NAN);
        let wrong = 100.0 * self.wrong as f64 / self.shear.max(1) as f64;
        format!(
            "{name}, {:.1}, {:.3}, {:.3}, {:.2}, {:.3}, {:.1} of {}",
            100.0 * mean(|e| f64::from(u8::from(e.2))),
            mean(|e| e.1),
            ideal,
            mean(|e| e.1) / ideal,
            mean(|e| e.0),
            wrong,
            self.shear
        )
    }
}

/// What is asked for.
pub struct Asked {
    runs: u64,
    only: String,
    settings: FaceSettings,
}

impl Asked {
    fn wants(&self, name: &str) -> bool {
        name.contains(&self.only)
    }
}

fn main() -> Result<(), Box<dyn std::error::Error>> {
    let mut asked = Asked { runs: 300, only: String::new(), settings: FaceSettings::default() };
    let mut args = std::env::args().skip(1);
    while let (Some(option), Some(value)) = (args.next(), args.next()) {
        match option.as_str() {
            "--runs" => asked.runs = value.parse()?,
            "--only" => asked.only = value,
            "--settings" => asked.settings = Settings::load(value.as_ref())?.face,
            _ => return Err(format!("no option {option}: --runs, --only or --settings").into()),
        }
    }
    println!(
        "scenario, coverage %, mean width, width the ideal needs, ratio, mean absolute error, wrong % of verdicts mostly shear"
    );
    let print = |name: &str, tally: Tally| println!("{}", tally.line(name));
    faces::run(&asked, print);
    knots::run(&asked, print);
    loads::run(&asked, print);
    Ok(())
}
