//! Pictures in every format that is read, against what Pillow and tifffile read from the same files
//! (`scripts/reference/pictures.py`; library versions in `tests/reference/pictures.json`).

use crate::driver::repository;
use breakface::micrograph::{Micrograph, decode_micrograph, read_micrograph};
use breakface::settings::ReadSettings;
use serde_json::Value;

fn expected() -> Vec<(String, Value)> {
    let text = std::fs::read_to_string(repository("tests/reference/pictures.json")).unwrap();
    let all: Value = serde_json::from_str(&text).unwrap();
    all["pictures"].as_object().unwrap().iter().map(|(name, value)| (name.clone(), value.clone())).collect()
}

fn read(name: &str) -> Micrograph {
    read_micrograph(&repository("tests/reference/pictures").join(name), &ReadSettings::default())
        .unwrap_or_else(|e| panic!("{e}"))
}

#[test]
fn greys_are_those_of_other_libraries() {
    for (name, value) in expected() {
        let grey = read(&name).grey;
        assert_eq!(u64::from(grey.width()), value["width"].as_u64().unwrap(), "{name}");
        assert_eq!(u64::from(grey.height()), value["height"].as_u64().unwrap(), "{name}");
        // Decoders of JPEG may differ by rounding: allowed for in `grey_within`; all others are exact.
        let within = value["grey_within"].as_f64().unwrap();
        for at in value["at"].as_array().unwrap() {
            let [x, y, grey_there] = [0, 1, 2].map(|i| at[i].as_u64().unwrap());
            let index = y as usize * grey.width() as usize + x as usize;
            let found = f64::from(grey.values()[index]);
            assert!((found - grey_there as f64).abs() <= within, "{name} at {x}, {y}: {found}, expected {grey_there}");
        }
        let mean = grey.values().iter().map(|v| f64::from(*v)).sum::<f64>() / grey.values().len() as f64;
        assert!((mean - value["mean"].as_f64().unwrap()).abs() <= 0.5 * within + 1e-6, "{name}: mean {mean}");
    }
}

#[test]
fn scales_and_warnings_come_from_the_tags() {
    for (name, value) in expected() {
        let micrograph = read(&name);
        let found = micrograph.scale.map(|s| s.um_per_px());
        match (found, value["um_per_px"].as_f64()) {
            // PNG keeps whole pixels per metre and TIFF a ratio: six digits survive.
            (Some(found), Some(expected)) => assert!((found / expected - 1.0).abs() < 1e-6, "{name}: {found}"),
            (None, None) => {}
            (found, expected) => panic!("{name}: scale {found:?}, expected {expected:?}"),
        }
        let names: Vec<&str> = micrograph.warnings.iter().map(|w| w.flag.name()).collect();
        let expected: Vec<&str> = value["warnings"].as_array().unwrap().iter().filter_map(Value::as_str).collect();
        assert_eq!(names, expected, "{name}");
    }
}

/// Sums of the pictures that the scikit-image 0.26.0 package ships (check values, section 7.1).
#[test]
fn pictures_of_scikit_image_have_their_sums() {
    for (name, sum) in [("camera.png", 33_832_495_u64), ("coins.png", 11_269_333)] {
        let found: u64 = read(name).grey.values().iter().map(|v| u64::from(v / 257)).sum();
        assert_eq!(found, sum, "{name}");
    }
}

#[test]
fn colours_are_kept_where_there_are_any() {
    assert!(read("rgb.webp").rgb.is_some() && read("palette.png").rgb.is_some());
    assert!(read("grey.png").rgb.is_none() && read("grey_alpha.png").rgb.is_none());
}

#[test]
fn limits_are_checked_before_decoding() {
    let bytes = std::fs::read(repository("tests/reference/pictures/grey16.png")).unwrap();
    let small = ReadSettings { max_side_px: 80, ..ReadSettings::default() };
    let message = decode_micrograph("p.png", &bytes, &small).unwrap_err().to_string();
    assert!(message.starts_with("p.png: 90 x 66 px is over the limit (80 px on a side)"), "{message}");
    let tight = ReadSettings { max_decode_mb: 0, ..ReadSettings::default() };
    let message = decode_micrograph("p.png", &bytes, &tight).unwrap_err().to_string();
    assert!(message.contains("is over the limit (0 MB decoded)"), "{message}");
}
