//! Files of version 0.1.0 (`fixtures/v0.1.0`, written by its program): they open, or the program says exactly how to go on.

use crate::driver::{Bench, fixture};
use breakface::labels::{HandLabel, read_labels};
use breakface::results::Results;
use breakface::settings::{FaceSettings, Settings};
use breakface::train::TrainingTable;

/// A copy of the old files, since some commands write beside them.
fn old(bench: &Bench, name: &str) {
    for entry in walkdir::WalkDir::new(fixture("v0.1.0").join(name)).into_iter().map(Result::unwrap) {
        if entry.file_type().is_file() {
            let to = format!("{name}/{}", entry.file_name().to_string_lossy());
            bench.write(&to, std::fs::read(entry.path()).unwrap());
        }
    }
}

#[test]
fn old_results_open_with_every_value() {
    let bench = Bench::new();
    old(&bench, "results");
    let results = Results::load(&bench.path("results")).unwrap();
    assert_eq!((results.ends.len(), results.images.len(), results.specimens.len()), (24, 2, 2));
    // Columns that have other names now, and those that were not there.
    let raw = bench.column("results/ends.csv", "finder_score");
    let scores: Vec<f64> = results.ends.iter().map(|e| e.features.get("detection_score").unwrap()).collect();
    assert_eq!(raw.iter().map(|v| v.parse::<f64>().unwrap()).collect::<Vec<_>>(), scores);
    assert!(results.ends.iter().all(|e| e.label_model == Some(e.label) && e.label_hand.is_none()));
    assert!(results.ends.iter().all(|e| e.extra.len() == 1), "only the column of the series is passed through");
    let (settings, unknown) = results.run.as_ref().unwrap().settings();
    assert_eq!(settings.face.fewest_ends, 10);
    assert!(unknown.len() < 80, "settings that went into models are named: {unknown:?}");
    for args in [
        ["flag", "results"].as_slice(),
        &["compare", "results"],
        &["report", "results", "--out", "page.html"],
        &["explain", "results", "teased_sem.jpg#1"],
    ] {
        let said = bench.run(args);
        assert_eq!(said.code, Some(0), "{args:?}: {}", said.err);
    }
}

#[test]
fn an_old_reviewed_folder_opens_with_its_hand_labels() {
    let bench = Bench::new();
    old(&bench, "reviewed");
    let results = Results::load(&bench.path("reviewed")).unwrap();
    let hand = |label| results.ends.iter().filter(|e| e.label_hand == Some(label)).count();
    assert_eq!((hand(HandLabel::Sheared), hand(HandLabel::Tensile), hand(HandLabel::NotAnEnd)), (3, 1, 1));
    assert_eq!(results.ends.iter().filter(|e| e.label_model.is_none()).count(), 1, "the end that was added");
    assert_eq!(read_labels(&bench.path("reviewed/labels.csv")).unwrap().len(), 5);
}

#[test]
fn old_labels_and_tables_teach_a_tree() {
    let bench = Bench::new();
    old(&bench, "results");
    let bytes = std::fs::read(fixture("v0.1.0/model.training.csv")).unwrap();
    assert_eq!(TrainingTable::from_csv("model.training.csv", &bytes).unwrap().rows().len(), 24);
    let said = bench.run(&["train", "results", "--controls", "--out", "new.json"]);
    assert_eq!(said.code, Some(0), "{}", said.err);
}

#[test]
fn an_old_model_opens_or_says_how_to_go_on() {
    let bench = Bench::new();
    bench.copy("v0.1.0/model.json", "model.json");
    bench.copy("demo/TC-C04-A_1.jpg", "in/a.jpg");
    let said = bench.run(&["classify", "in", "--out", "r", "--model", "model.json", "--no-report"]);
    assert_eq!(said.code, Some(2));
    assert!(said.err.contains("`breakface train --base OLD.json --out NEW.json`"), "{}", said.err);
    // What it says is the way: the old training table makes a model of today.
    bench.copy("v0.1.0/model.training.csv", "model.training.csv");
    let said = bench.run(&["train", "--base", "model.json", "--out", "new.json"]);
    assert_eq!(said.code, Some(0), "{}", said.err);
    let said = bench.run(&["classify", "in", "--out", "r", "--model", "new.json", "--no-report"]);
    assert_eq!(said.code, Some(0), "{}", said.err);
}

/// The error of an old settings file says exactly how to go on: what it says is done, and the file opens.
#[test]
fn an_old_settings_file_says_what_to_change() {
    let path = fixture("v0.1.0/settings.toml");
    let error = Settings::load(&path).unwrap_err().to_string();
    let lists = error.split("0.1.0; ").nth(1).unwrap();
    let (renamed, gone) = lists.split_once(": rename it there; ").unwrap();
    let renamed: Vec<(&str, &str)> =
        renamed.split(", ").map(|r| r.trim_end_matches(" now").split_once(" is called ").unwrap()).collect();
    let gone: Vec<&str> = gone.split(": no settings").next().unwrap().split(", ").collect();
    let mut section = String::new();
    let mut lines: Vec<(String, String)> = Vec::new();
    for line in std::fs::read_to_string(&path).unwrap().lines() {
        if let Some(name) = line.strip_prefix('[').filter(|_| line.ends_with(']') && !line.contains(',')) {
            section = format!("{}.", name.trim_end_matches(']'));
        } else if let Some((name, value)) = line.split_once(" = ") {
            lines.push((format!("{section}{name}"), value.to_owned()));
        } else if let Some((_, value)) = lines.last_mut() {
            value.push_str(line);
        }
    }
    lines.retain(|(key, _)| !gone.contains(&key.as_str()));
    for (key, _) in &mut lines {
        if let Some((_, new)) = renamed.iter().find(|(old, _)| old == key) {
            *key = (*new).to_owned();
        }
    }
    let bench = Bench::new();
    let text: String = lines.iter().map(|(key, value)| format!("{key} = {value}\n")).collect();
    let changed = bench.write("s.toml", text);
    let settings = Settings::load(&changed).unwrap();
    // Two defaults are others now; the file keeps what it says.
    let old = FaceSettings { hidden_share: 0.18, bootstrap_from: 8, ..FaceSettings::default() };
    assert_eq!(settings.face, old);
}
