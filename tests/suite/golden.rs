//! Frozen results per stage: each stage starts from the frozen output of the one before, so that a change points at one
//! stage. They say "unchanged", not "right"; what is right is tested elsewhere.
//!
//! After a change that is meant: `BREAKFACE_GOLDEN=write cargo test --test suite golden`, read the difference, and say in
//! the commit why the new values are right.

use crate::driver::{fixture, repository};
use breakface::detect::{Candidate, Detector, detect_ends};
use breakface::micrograph::{Micrograph, read_micrograph};
use breakface::network::StripCache;
use breakface::pipeline::{Scores, Tools, classify_candidates, model_figures};
use breakface::results::StageSeconds;
use breakface::settings::{DetectSettings, Settings};
use breakface::table::{EndRow, ImageRow, Status, TableRow, read_csv, to_csv};
use breakface::tree::Model;
use breakface::units::{Point, Scale, ScaleSource};
use std::path::PathBuf;

/// Pictures: name, fixture, µm per px.
const PICTURES: [(&str, &str, Option<f64>); 2] =
    [("teased_sem", "rendered/teased_sem.jpg", Some(0.96)), ("polyester", "real/polyester_123.jpg", None)];

fn golden(name: &str) -> PathBuf {
    repository("tests/golden").join(name)
}

fn writing() -> bool {
    std::env::var("BREAKFACE_GOLDEN").is_ok_and(|v| v == "write")
}

fn picture(file: &str, um_per_px: Option<f64>) -> Micrograph {
    let mut micrograph = read_micrograph(&fixture(file), &Settings::default().read).unwrap();
    micrograph.scale = um_per_px.and_then(|v| Scale::new(v, ScaleSource::Series));
    micrograph
}

/// What is frozen of a candidate: x, y, axis, width, score.
fn candidate_line(c: &Candidate) -> String {
    let look = c.network_p_sheared.map(|v| format!("{v:.4}")).unwrap_or_default();
    format!("{:.2},{:.2},{:.2},{:.3},{:.4},{look}", c.tip.x, c.tip.y, c.axis_deg, c.width_px, c.score)
}

fn parse_candidates(text: &str) -> Vec<Candidate> {
    text.lines()
        .skip(1)
        .map(|line| {
            let v: Vec<Option<f64>> = line.split(',').map(|f| f.parse().ok()).collect();
            let needed = |i: usize| v[i].unwrap();
            Candidate {
                tip: Point::new(needed(0), needed(1)),
                axis_deg: needed(2),
                width_px: needed(3),
                score: needed(4),
                network_p_sheared: v[5],
            }
        })
        .collect()
}

/// How far a candidate may move between machines before it counts as moved, px: rounding of a network's arithmetic.
const MOVED_PX: f64 = 0.5;

#[test]
fn finding_gives_the_frozen_candidates() {
    let detector = Detector::bundled().unwrap();
    for (name, file, um_per_px) in PICTURES {
        let mut found = {
            let picture = picture(file, um_per_px);
            detect_ends(&mut StripCache::new(&picture), &detector, &DetectSettings::default()).unwrap()
        };
        found.sort_by(|a, b| a.tip.y.total_cmp(&b.tip.y).then(a.tip.x.total_cmp(&b.tip.x)));
        let path = golden(&format!("{name}.candidates.csv"));
        if writing() {
            let lines: Vec<String> = found.iter().map(candidate_line).collect();
            let text = format!("x_px,y_px,axis_deg,width_px,score,network_p_sheared\n{}\n", lines.join("\n"));
            std::fs::write(&path, text).unwrap();
        }
        let frozen = parse_candidates(&std::fs::read_to_string(&path).unwrap());
        let near = |a: &Candidate, list: &[Candidate]| list.iter().any(|b| a.tip.distance(b.tip) < MOVED_PX);
        // Close to the smallest score that is kept, rounding decides.
        let sure = |c: &&Candidate| DetectSettings::default().min_score + 0.05 < c.score;
        let lost: Vec<_> = frozen.iter().filter(sure).filter(|c| !near(c, &found)).map(candidate_line).collect();
        let appeared: Vec<_> = found.iter().filter(sure).filter(|c| !near(c, &frozen)).map(candidate_line).collect();
        assert!(lost.is_empty() && appeared.is_empty(), "{name}: lost {lost:?}, appeared {appeared:?}");
    }
}

#[test]
fn measuring_and_labelling_give_the_frozen_rows() {
    let tools = Tools {
        detector: Detector::bundled().unwrap(),
        model: Model::bundled().unwrap(),
        settings: Settings::default(),
        um_per_px: None,
    };
    for (name, file, um_per_px) in PICTURES {
        let text = std::fs::read_to_string(golden(&format!("{name}.candidates.csv"))).unwrap();
        let candidates = parse_candidates(&text);
        let micrograph = picture(file, um_per_px);
        let mut seconds = StageSeconds::default();
        let classified = classify_candidates(&micrograph, &candidates, &tools, &mut seconds).unwrap();
        let rows: Vec<EndRow> =
            classified.into_iter().map(|c| EndRow { image: file.into(), specimen: name.into(), ..c.row }).collect();
        let path = golden(&format!("{name}.ends.csv"));
        if writing() {
            std::fs::write(&path, to_csv(&rows)).unwrap();
        }
        let frozen: Vec<EndRow> = read_csv(&path).unwrap();
        assert_eq!(rows.len(), frozen.len(), "{name}: number of ends");
        for (row, frozen) in rows.iter().zip(&frozen) {
            assert_close(row, frozen);
        }
    }
}

/// Every column equal; numbers to one part in a thousand, which is more than rounding and less than any change that matters.
fn assert_close(row: &EndRow, frozen: &EndRow) {
    use breakface::table::Cell;
    for ((column, a), b) in EndRow::columns().iter().zip(row.cells()).zip(frozen.cells()) {
        let equal = match (&a, &b) {
            (Cell::Number(Some(a)), Cell::Number(Some(b))) => (a - b).abs() <= 1e-3 * (1.0 + b.abs()),
            _ => a == b,
        };
        assert!(equal, "{}, {}: {a:?}, frozen {b:?}", row.id(), column.name);
    }
}

#[test]
fn scores_of_frozen_rows_are_the_frozen_scores() {
    let mut ends: Vec<EndRow> = Vec::new();
    let mut images = Vec::new();
    for (name, file, um_per_px) in PICTURES {
        ends.extend(read_csv::<EndRow>(&golden(&format!("{name}.ends.csv"))).unwrap());
        let mut image = ImageRow { um_per_px, status: Status::Done, ..ImageRow::default() };
        image.series.image = file.into();
        image.series.specimen = name.into();
        image.series.counted = true;
        (image.width_px, image.height_px) = (Some(1600), Some(1200));
        images.push(image);
    }
    let model = Model::bundled().unwrap();
    let scores = Scores::from_rows(&ends, &images, model_figures(&model).as_ref(), &Settings::default().face);
    let path = golden("specimens.csv");
    if writing() {
        std::fs::write(&path, to_csv(&scores.specimens)).unwrap();
    }
    let frozen = String::from_utf8(std::fs::read(&path).unwrap()).unwrap();
    assert_eq!(String::from_utf8(to_csv(&scores.specimens)).unwrap(), frozen);
}
