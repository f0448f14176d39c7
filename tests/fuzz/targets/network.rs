//! A network file: refused, or loaded within bounds and asked about a small picture; its answers are finite or a fault.

#![no_main]

use breakface::detect::{Detector, detect_ends};
use breakface::micrograph::{Micrograph, decode_micrograph};
use breakface::network::StripCache;
use breakface::settings::{DetectSettings, ReadSettings};
use libfuzzer_sys::fuzz_target;
use std::path::PathBuf;
use std::sync::LazyLock;

/// The file that networks are read from (`TMPDIR` says where).
static FILE: LazyLock<PathBuf> =
    LazyLock::new(|| tempfile::tempdir().expect("a folder can be made").keep().join("network.onnx"));

static PICTURE: LazyLock<Micrograph> = LazyLock::new(|| {
    let bytes = include_bytes!("../../reference/pictures/grey.png");
    decode_micrograph("fuzz", bytes, &ReadSettings::default()).expect("the picture is good")
});

fuzz_target!(init: LazyLock::force(&PICTURE), |bytes: &[u8]| {
    std::fs::write(&*FILE, bytes).expect("a file can be written");
    let Ok(detector) = Detector::from_file(&FILE) else { return };
    let Ok(found) = detect_ends(&mut StripCache::new(&PICTURE), &detector, &DetectSettings::default()) else { return };
    assert!(found.iter().all(|c| c.tip.x.is_finite() && c.tip.y.is_finite() && c.score.is_finite()));
});
