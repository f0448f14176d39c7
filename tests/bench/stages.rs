//! Time of each stage on three views at 2 and 20 megapixels: `cargo bench`. Results on one machine are in docs/speed.md.
//!
//! The views are bundled rendered pictures of 1600 x 1200 px: a teased view, a tuft seen end-on, a close-up. At 20
//! megapixels they are the same fields enlarged, as a larger camera on the same microscope would see them.

use breakface::detect::{Candidate, Detector, detect_ends};
use breakface::measure::{MeasuredEnd, accept, measure_ends};
use breakface::micrograph::{Micrograph, decode_micrograph};
use breakface::network::StripCache;
use breakface::pipeline::{Classified, Tools, classify_candidates};
use breakface::report::overlay::{Mark, draw};
use breakface::results::StageSeconds;
use breakface::settings::Settings;
use breakface::table::to_csv;
use breakface::tree::Model;
use image::codecs::jpeg::JpegEncoder;
use image::imageops::{FilterType, resize};
use std::collections::HashMap;
use std::sync::{Arc, LazyLock, Mutex};

fn main() {
    divan::main();
}

/// View and megapixels.
const CASES: [(&str, u32); 6] = [
    ("teased_sem", 2),
    ("teased_sem", 20),
    ("tuft_ring", 2),
    ("tuft_ring", 20),
    ("close_backlit", 2),
    ("close_backlit", 20),
];

static TOOLS: LazyLock<Tools> = LazyLock::new(|| Tools {
    detector: Detector::bundled().expect("the bundled detector loads"),
    model: Model::bundled().expect("the bundled model loads"),
    settings: Settings::default(),
    um_per_px: None,
});

/// Everything that stages start from, made once for each case.
struct Case {
    bytes: Vec<u8>,
    picture: Micrograph,
    candidates: Vec<Candidate>,
    measured: Vec<MeasuredEnd>,
    ends: Vec<Classified>,
}

/// The file of a view: as it is bundled, or enlarged to 20 megapixels.
fn file(view: &str, megapixels: u32) -> Vec<u8> {
    let path = format!("{}/fixtures/rendered/{view}.jpg", env!("CARGO_MANIFEST_DIR"));
    let bytes = std::fs::read(path).expect("the fixture is there");
    if megapixels == 2 {
        return bytes;
    }
    let small = image::load_from_memory(&bytes).expect("the fixture is a picture").to_rgb8();
    let large = resize(&small, 5160, 3870, FilterType::CatmullRom);
    let mut bytes = Vec::new();
    JpegEncoder::new_with_quality(&mut bytes, 92).encode_image(&large).expect("a picture can be saved");
    bytes
}

fn made(case: (&'static str, u32)) -> Case {
    let bytes = file(case.0, case.1);
    let settings = &TOOLS.settings;
    let picture = decode_micrograph(case.0, &bytes, &settings.read).expect("the picture can be read");
    let mut strips = StripCache::new(&picture);
    let candidates = detect_ends(&mut strips, &TOOLS.detector, &settings.detect).expect("bundled networks run");
    let measured = measure_ends(&mut strips, &candidates, &settings.measure).expect("bundled networks run");
    let ends = classify_candidates(&picture, &candidates, &TOOLS, &mut StageSeconds::default()).expect("they run");
    Case { bytes, picture, candidates, measured, ends }
}

fn case(case: (&'static str, u32)) -> Arc<Case> {
    static CASES: LazyLock<Mutex<HashMap<(&str, u32), Arc<Case>>>> = LazyLock::new(Mutex::default);
    let mut cases = CASES.lock().expect("no bench fails");
    Arc::clone(cases.entry(case).or_insert_with(|| Arc::new(made(case))))
}

#[divan::bench(args = CASES, sample_count = 5, sample_size = 1)]
fn a_decode(bencher: divan::Bencher<'_, '_>, which: (&'static str, u32)) {
    let case = case(which);
    bencher.bench(|| decode_micrograph(which.0, &case.bytes, &TOOLS.settings.read).is_ok());
}

/// The floor: decoding and one pass over the grey values, without looking for burnt-in text.
#[divan::bench(args = CASES, sample_count = 5, sample_size = 1)]
fn a_floor(bencher: divan::Bencher<'_, '_>, which: (&'static str, u32)) {
    let case = case(which);
    bencher.bench(|| {
        let grey = image::load_from_memory(&case.bytes).expect("the picture can be read").to_luma16();
        grey.as_raw().iter().map(|v| u64::from(*v)).sum::<u64>()
    });
}

#[divan::bench(args = CASES, sample_count = 5, sample_size = 1)]
fn b_find(bencher: divan::Bencher<'_, '_>, which: (&'static str, u32)) {
    let case = case(which);
    bencher.bench(|| detect_ends(&mut StripCache::new(&case.picture), &TOOLS.detector, &TOOLS.settings.detect));
}

#[divan::bench(args = CASES, sample_count = 5, sample_size = 1)]
fn c_measure(bencher: divan::Bencher<'_, '_>, which: (&'static str, u32)) {
    let case = case(which);
    let settings = &TOOLS.settings;
    bencher.bench(|| measure_ends(&mut StripCache::new(&case.picture), &case.candidates, &settings.measure));
}

/// Doubles dropped, grouped to carriers, asked of the tree.
#[divan::bench(args = CASES, sample_count = 5, sample_size = 1)]
fn d_label(bencher: divan::Bencher<'_, '_>, which: (&'static str, u32)) {
    let case = case(which);
    let settings = &TOOLS.settings;
    let (width_px, height_px) = (case.picture.grey.width(), case.picture.grey.height());
    let view = breakface::carrier::View { width_px, height_px, carriers: None };
    bencher.with_inputs(|| case.measured.clone()).bench_values(|measured| {
        let ends = accept(&case.picture, measured, &settings.detect);
        let groups = breakface::carrier::group(&ends, &view, &settings.carrier);
        let labels = ends.iter().map(|end| TOOLS.model.predict(&end.features, &end.not_gradable).label);
        (groups, labels.collect::<Vec<_>>())
    });
}

/// The overlay drawn and encoded, and the rows as CSV; the disk is left out.
#[divan::bench(args = CASES, sample_count = 5, sample_size = 1)]
fn e_write(bencher: divan::Bencher<'_, '_>, which: (&'static str, u32)) {
    let case = case(which);
    let rows: Vec<_> = case.ends.iter().map(|e| e.row.clone()).collect();
    bencher.bench(|| {
        let marks: Vec<Mark<'_>> = case.ends.iter().map(|e| Mark { row: &e.row, drawn: &e.measured.drawn }).collect();
        (draw(&case.picture, &marks).unwrap(), to_csv(&rows))
    });
}
