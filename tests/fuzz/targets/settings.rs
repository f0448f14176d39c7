//! A settings file: read and checked, written and read again, and used on a small picture.

#![no_main]

use breakface::detect::Detector;
use breakface::micrograph::decode_micrograph;
use breakface::micrograph::quality::picture_quality;
use breakface::pipeline::{Tools, classify_micrograph};
use breakface::results::StageSeconds;
use breakface::settings::Settings;
use breakface::tree::Model;
use libfuzzer_sys::fuzz_target;
use std::cell::RefCell;
use std::path::PathBuf;
use std::sync::LazyLock;

/// The file that settings are read from (`TMPDIR` says where).
static FILE: LazyLock<PathBuf> =
    LazyLock::new(|| tempfile::tempdir().expect("a folder can be made").keep().join("settings.toml"));

thread_local! {
    static TOOLS: RefCell<Tools> = RefCell::new(Tools {
        detector: Detector::bundled().expect("the bundled detector loads"),
        model: Model::bundled().expect("the bundled model loads"),
        settings: Settings::default(),
        um_per_px: Some(0.5),
    });
}

fuzz_target!(init: TOOLS.with_borrow(|_| ()), |bytes: &[u8]| {
    std::fs::write(&*FILE, bytes).expect("a file can be written");
    let Ok(settings) = Settings::load(&FILE) else { return };
    settings.check().expect("what was loaded is within its limits");
    std::fs::write(&*FILE, settings.to_toml().expect("settings can be written")).expect("a file can be written");
    assert_eq!(Settings::load(&FILE).expect("our own settings can be read"), settings);
    let picture = include_bytes!("../../reference/pictures/grey.png");
    let Ok(micrograph) = decode_micrograph("fuzz", picture, &settings.read) else { return };
    picture_quality(&micrograph, &settings.quality);
    TOOLS.with_borrow_mut(|tools| {
        tools.settings = settings;
        // What comes out is the settings' affair; that it comes is asked here.
        let _ = classify_micrograph(&micrograph, Some(8), tools, &mut StageSeconds::default());
    });
});
