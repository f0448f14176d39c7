//! A picture file through the whole pipeline: decoded under small limits, searched, measured, labelled, drawn, tabulated.

#![no_main]

use breakface::detect::Detector;
use breakface::micrograph::decode_micrograph;
use breakface::micrograph::quality::picture_quality;
use breakface::pipeline::{Tools, classify_micrograph};
use breakface::report::overlay::{self, Mark};
use breakface::results::StageSeconds;
use breakface::settings::Settings;
use breakface::table::{EndRow, from_csv, to_csv};
use breakface::tree::Model;
use libfuzzer_sys::fuzz_target;
use std::sync::LazyLock;

/// Small limits, so that an input takes milliseconds; the checks are those of any other limit.
static TOOLS: LazyLock<Tools> = LazyLock::new(|| {
    let mut settings = Settings::default();
    settings.read.min_side_px = 8;
    settings.read.max_side_px = 192;
    settings.read.max_decode_mb = 4;
    let detector = Detector::bundled().expect("the bundled detector loads");
    let model = Model::bundled().expect("the bundled model loads");
    Tools { detector, model, settings, um_per_px: Some(0.5) }
});

fuzz_target!(init: LazyLock::force(&TOOLS), |bytes: &[u8]| {
    let tools = &*TOOLS;
    let Ok(micrograph) = decode_micrograph("fuzz", bytes, &tools.settings.read) else { return };
    let ends = classify_micrograph(&micrograph, None, tools, &mut StageSeconds::default()).expect("bundled networks run");
    picture_quality(&micrograph, &tools.settings.quality);
    let marks: Vec<Mark> = ends.iter().map(|e| Mark { row: &e.row, drawn: &e.measured.drawn }).collect();
    assert!(overlay::draw(&micrograph, &marks).is_ok());
    let rows: Vec<EndRow> = ends.into_iter().map(|e| e.row).collect();
    let read: Vec<EndRow> = from_csv("ends.csv", &to_csv(&rows)).expect("our own table can be read");
    assert_eq!(read, rows);
});
