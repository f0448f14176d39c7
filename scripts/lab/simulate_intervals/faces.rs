//! Faces: one specimen's fraction.

use super::{Asked, Tally};
use breakface::face::{ModelFigures, score_specimens};
use breakface::series::{Kind, SeriesRow};
use breakface::table::{EndRow, FaceVerdict, ImageRow};
use breakface::tree::Label;
use rand::{Rng, SeedableRng};
use rand_chacha::ChaCha8Rng;

/// Which carriers the pictures of a face show.
#[derive(Clone, Copy, PartialEq)]
pub enum Sampling {
    /// Drawn anew for each picture.
    Anew,
    /// Drawn anew, and all from carriers that no other picture shows; the table says so.
    Apart,
    /// The same ones in every picture.
    Same,
}

/// How the run corrects its labels.
#[derive(Clone, Copy, PartialEq)]
pub enum Basis {
    /// Two scissor cuts and two straight pulls whose labels are wrong this often.
    Controls(f64),
    /// No controls: the model's own figures, which claim this error.
    Model(f64),
}

/// One kind of series.
#[derive(Clone, Copy)]
pub struct Scenario {
    pub name: &'static str,
    /// Carriers of the braid, and whether the series table says so.
    pub carriers: usize,
    pub told: bool,
    pub fibres: usize,
    /// Carriers in each picture of a face; `carriers` = a picture of the whole tuft.
    pub pictures: &'static [usize],
    pub sampling: Sampling,
    /// Intra-carrier correlation of cutting.
    pub rho: f64,
    /// Mean error rate of the labeller on knots.
    pub error: f64,
    pub basis: Basis,
    /// Share of ends that are put into a wrong group, and of carriers that are taken for one with their neighbour.
    pub grouping: (f64, f64),
    /// Share of the visible sheared and tensile ends that is found.
    pub recall: (f64, f64),
    /// Whether the series table says how many fibres there are.
    pub fibres_told: bool,
}

const PLAIN: Scenario = Scenario {
    name: "",
    carriers: 8,
    told: true,
    fibres: 20,
    pictures: &[4, 4, 4],
    sampling: Sampling::Anew,
    rho: 0.8,
    error: 0.04,
    basis: Basis::Controls(0.04),
    grouping: (0.0, 0.0),
    recall: (1.0, 1.0),
    fibres_told: false,
};
/// Adjusted Rand index 0.85 and 0.55, as the program groups teased fibres and tufts.
pub const TEASED: (f64, f64) = (0.03, 0.1);
const TUFT: (f64, f64) = (0.12, 0.4);
/// Recalls measured in tufts.
const UNLIKE: (f64, f64) = (0.69, 0.82);

const SCENARIOS: [Scenario; 22] = [
    Scenario { name: "teased, 3 x 4 of 8 carriers", ..PLAIN },
    Scenario { name: "pictures drawn apart, told", carriers: 12, sampling: Sampling::Apart, ..PLAIN },
    Scenario { name: "the same 4 carriers in 3 pictures", sampling: Sampling::Same, ..PLAIN },
    Scenario { name: "the same 3 carriers in 5 pictures", sampling: Sampling::Same, pictures: &[3; 5], ..PLAIN },
    Scenario { name: "tuft and teased, 8 carriers", pictures: &[8, 4, 4], ..PLAIN },
    Scenario { name: "tuft and teased, 12 carriers", carriers: 12, fibres: 16, pictures: &[12, 4, 4], ..PLAIN },
    Scenario { name: "tuft and teased, 16 carriers", carriers: 16, fibres: 12, pictures: &[16, 4, 4], ..PLAIN },
    Scenario { name: "16 carriers, not told", carriers: 16, fibres: 12, told: false, pictures: &[4, 4], ..PLAIN },
    Scenario { name: "8 carriers, not told", told: false, pictures: &[4, 4], ..PLAIN },
    Scenario { name: "carriers half cut (rho 0.3)", pictures: &[4, 4], rho: 0.3, ..PLAIN },
    Scenario { name: "labeller wrong 1 in 10", pictures: &[8, 4], error: 0.1, basis: Basis::Controls(0.1), ..PLAIN },
    Scenario { name: "grouped as teased (0.85)", grouping: TEASED, ..PLAIN },
    Scenario { name: "grouped as tufts (0.55)", grouping: TUFT, pictures: &[8], ..PLAIN },
    Scenario { name: "grouped as tufts, tuft and teased", grouping: TUFT, pictures: &[8, 4, 4], ..PLAIN },
    Scenario {
        name: "grouped, recall as measured, knots wrong 5 %, controls 1 %",
        grouping: TUFT,
        recall: UNLIKE,
        error: 0.05,
        basis: Basis::Controls(0.01),
        ..PLAIN
    },
    Scenario { name: "knots wrong 10 %, controls 1 %", error: 0.1, basis: Basis::Controls(0.01), ..PLAIN },
    Scenario { name: "no controls, labeller wrong 8 %", error: 0.08, basis: Basis::Model(0.02), ..PLAIN },
    Scenario { name: "no controls, labeller wrong 2 %", error: 0.02, basis: Basis::Model(0.02), ..PLAIN },
    Scenario {
        name: "single-picture tuft knots",
        pictures: &[8],
        grouping: TUFT,
        recall: UNLIKE,
        error: 0.04,
        basis: Basis::Controls(0.02),
        ..PLAIN
    },
    Scenario {
        name: "single-picture tuft knots, fibres told",
        pictures: &[8],
        grouping: TUFT,
        recall: UNLIKE,
        error: 0.04,
        basis: Basis::Controls(0.02),
        fibres_told: true,
        ..PLAIN
    },
    Scenario { name: "one picture of 4 of 8 carriers", pictures: &[4], grouping: TEASED, ..PLAIN },
    Scenario {
        name: "five pictures, everything at once",
        pictures: &[8, 4, 4, 4, 4],
        grouping: TUFT,
        recall: UNLIKE,
        error: 0.05,
        basis: Basis::Controls(0.02),
        ..PLAIN
    },
];

/// Knots of a series.
const KNOTS: usize = 8;

/// Runs the scenarios that are wanted.
pub fn run(asked: &Asked, print: impl Fn(&str, Tally)) {
    for scenario in SCENARIOS.iter().filter(|s| asked.wants(s.name)) {
        let mut tally = Tally::default();
        for run in 0..asked.runs {
            let mut rng = ChaCha8Rng::seed_from_u64(run);
            let means: Vec<f64> = (0..KNOTS).map(|_| rng.random_range(0.1..0.9)).collect();
            for (truth, row) in series(scenario, &means, asked, &mut rng) {
                let Some(found) = published(&row) else { continue };
                tally.count(truth, found);
                if row.verdict == Some(FaceVerdict::MostlyShear) {
                    tally.shear(truth);
                }
            }
        }
        print(scenario.name, tally);
    }
}

/// The published fraction and interval of a row.
pub fn published(row: &breakface::table::SpecimenRow) -> Option<(f64, f64, f64)> {
    Some((row.sheared_fraction?, row.sheared_low?, row.sheared_high?))
}

/// One series with knots of these mean fractions: the true fraction of each knot's face and its row.
pub fn series(
    scenario: &Scenario,
    means: &[f64],
    asked: &Asked,
    rng: &mut ChaCha8Rng,
) -> Vec<(f64, breakface::table::SpecimenRow)> {
    let (mut ends, mut pictures, mut truth) = (Vec::new(), Vec::new(), Vec::new());
    let controls = match scenario.basis {
        Basis::Controls(_) => &[(Kind::Cut, 1.0), (Kind::Cut, 1.0), (Kind::Pull, 0.0), (Kind::Pull, 0.0)][..],
        Basis::Model(_) => &[],
    };
    let knots = means.iter().map(|m| (Kind::Knot, *m));
    for (i, (kind, mean)) in controls.iter().copied().chain(knots).enumerate() {
        let specimen = format!("S{i:02}");
        let braid: Vec<Vec<bool>> = (0..scenario.carriers)
            .map(|_| {
                let p = if kind == Kind::Knot { beta(rng, mean, scenario.rho) } else { mean };
                (0..scenario.fibres).map(|_| rng.random_bool(p)).collect()
            })
            .collect();
        let all: Vec<bool> = braid.concat();
        truth.push((kind, all.iter().filter(|s| **s).count() as f64 / all.len() as f64));
        let mut order = shuffled(scenario.carriers, rng);
        for (k, seen) in scenario.pictures.iter().enumerate() {
            let image = format!("{specimen}_{k}.png");
            pictures.push(picture(&image, &specimen, kind, scenario));
            let error = match (kind, scenario.basis) {
                (Kind::Knot, _) | (_, Basis::Model(_)) => scenario.error,
                (_, Basis::Controls(error)) => error,
            };
            let shown: Vec<usize> = match scenario.sampling {
                Sampling::Anew => shuffled(scenario.carriers, rng).into_iter().take(*seen).collect(),
                Sampling::Same => order.iter().copied().take(*seen).collect(),
                Sampling::Apart => order.split_off(order.len() - seen),
            };
            ends.extend(visible(&image, &specimen, &braid, &shown, (scenario, error), rng));
        }
    }
    let model = match scenario.basis {
        Basis::Controls(_) => None,
        Basis::Model(error) => {
            const COUNTED: f64 = 3000.0;
            let right = COUNTED * (1.0 - error);
            Some(ModelFigures {
                sheared_right: right,
                sheared_labelled: COUNTED,
                tensile_right: right,
                tensile_labelled: COUNTED,
            })
        }
    };
    let faces = score_specimens(&ends, &pictures, model.as_ref(), &asked.settings);
    truth
        .iter()
        .zip(faces.specimens)
        .filter(|((kind, _), _)| *kind == Kind::Knot)
        .map(|((_, f), row)| (*f, row))
        .collect()
}

fn shuffled(n: usize, rng: &mut ChaCha8Rng) -> Vec<usize> {
    let mut order: Vec<usize> = (0..n).collect();
    (0..n).for_each(|i| order.swap(i, rng.random_range(0..=i)));
    order
}

fn picture(image: &str, specimen: &str, kind: Kind, scenario: &Scenario) -> ImageRow {
    let mut extra = Vec::new();
    if scenario.sampling == Sampling::Apart {
        extra.push(("overlap".to_owned(), "no".to_owned()));
    }
    if scenario.fibres_told {
        extra.push(("fibres".to_owned(), (scenario.carriers * scenario.fibres).to_string()));
    }
    let series = SeriesRow {
        image: image.into(),
        specimen: specimen.into(),
        kind: Some(kind),
        carriers: scenario.told.then_some(scenario.carriers as u32),
        counted: true,
        extra,
        ..SeriesRow::default()
    };
    ImageRow { series, um_per_px: Some(1.0), width_px: Some(1600), height_px: Some(1200), ..ImageRow::default() }
}

/// Labelled ends of one picture of these carriers, labelled wrong at a mean rate.
fn visible(
    image: &str,
    specimen: &str,
    braid: &[Vec<bool>],
    shown: &[usize],
    (scenario, mean_error): (&Scenario, f64),
    rng: &mut ChaCha8Rng,
) -> Vec<EndRow> {
    let (misplaced, merged) = scenario.grouping;
    let mut ends = Vec::new();
    let mut group = 0;
    for (place, c) in shown.iter().enumerate() {
        if place == 0 || !rng.random_bool(merged) {
            group += 1;
        }
        let visible = rng.random_range(0.3..0.9);
        // The mean error, spread so that some carriers are mislabelled far more often than others.
        let error = mean_error * if rng.random_bool(0.2) { 4.0 } else { 0.25 };
        for sheared in &braid[*c] {
            let recall = if *sheared { scenario.recall.0 } else { scenario.recall.1 };
            if rng.random_bool(visible * recall) {
                let label = if *sheared == rng.random_bool(error) { Label::Tensile } else { Label::Sheared };
                let carrier = if rng.random_bool(misplaced) { rng.random_range(1..=shown.len() as u32) } else { group };
                ends.push(end(image, specimen, ends.len() as u32 + 1, carrier, label));
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
pub fn beta(rng: &mut ChaCha8Rng, mean: f64, rho: f64) -> f64 {
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
