//! Quality of a picture through the public interface: focus measures against other programs, and every measure against pictures
//! made worse by a known amount.

use breakface::micrograph::quality::{focus_measures, picture_quality, quality_warnings};
use breakface::micrograph::{GreyPlane, Micrograph, decode_micrograph, read_micrograph};
use breakface::settings::{QualitySettings, ReadSettings};
use rand::{Rng, SeedableRng};
use std::path::{Path, PathBuf};

fn file(name: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join(name)
}

/// Grey 0..1 of a picture, row-major.
fn greys(name: &str) -> (u32, u32, Vec<f64>) {
    let grey = read_micrograph(&file(name), &ReadSettings::default()).unwrap().grey;
    (grey.width(), grey.height(), grey.values().iter().map(|v| f64::from(*v) / 65535.0).collect())
}

fn micrograph(width: u32, height: u32, values: &[f64]) -> Micrograph {
    let values = values.iter().map(|v| (v * 65535.0).round().clamp(0.0, 65535.0) as u16).collect();
    let grey = GreyPlane::new(width, height, values).unwrap();
    Micrograph { grey, rgb: None, scale: None, burnt_in: Vec::new(), warnings: Vec::new() }
}

/// Gaussian smoothing cut at 4 standard deviations, edges repeated, as scipy.ndimage.gaussian_filter(mode="nearest").
fn blurred(width: u32, height: u32, values: &[f64], sigma: f64) -> Vec<f64> {
    if sigma == 0.0 {
        return values.to_vec();
    }
    let reach = (4.0 * sigma + 0.5) as i64;
    let weights: Vec<f64> = (-reach..=reach).map(|k| (-0.5 * (k as f64 / sigma).powi(2)).exp()).collect();
    let total: f64 = weights.iter().sum();
    let (w, h) = (i64::from(width), i64::from(height));
    let pass = |values: &[f64], dx: i64, dy: i64| -> Vec<f64> {
        (0..w * h)
            .map(|i| {
                let (x, y) = (i % w, i / w);
                let at = |k: i64| values[((y + k * dy).clamp(0, h - 1) * w + (x + k * dx).clamp(0, w - 1)) as usize];
                weights.iter().zip(-reach..=reach).map(|(weight, k)| weight * at(k)).sum::<f64>() / total
            })
            .collect()
    };
    pass(&pass(values, 0, 1), 1, 0)
}

#[test]
fn focus_measures_fall_as_other_programs_say() {
    // Check values 6 (numpy, scipy 1.x, scikit-image 0.26): "camera" blurred by 0, 1, 2 and 4 px. The plane has 16 bits, which
    // matters for the last digits of the Laplacian only.
    let table = [
        (0.0, 1.7355e-2, 4.8106e-3, 7.4365e-3),
        (1.0, 7.4775e-4, 2.1659e-3, 2.8965e-3),
        (2.0, 9.2652e-5, 8.9610e-4, 1.1067e-3),
        (4.0, 7.4828e-6, 3.1130e-4, 3.3987e-4),
    ];
    let (w, h, values) = greys("tests/reference/pictures/camera.png");
    let mut sharpness = f64::INFINITY;
    for (sigma, laplacian, sobel, brenner) in table {
        let soft = micrograph(w, h, &blurred(w, h, &values, sigma));
        let q = picture_quality(&soft, &QualitySettings::default());
        let focus = focus_measures(&soft.grey);
        for (name, found, expected) in [
            ("laplacian", focus.laplacian_variance, laplacian),
            ("sobel", focus.sobel_mean_square, sobel),
            ("brenner", focus.brenner, brenner),
        ] {
            assert!((found / expected - 1.0).abs() < 1e-4, "{name} at {sigma}: {found} instead of {expected}");
        }
        let found = q.sharpness.unwrap();
        assert!(found < sharpness, "sharpness {found} at {sigma}, {sharpness} before");
        sharpness = found;
    }
}

#[test]
fn sharpness_does_not_depend_on_light() {
    let (w, h, values) = greys("fixtures/demo/TC-P07-A_1.jpg");
    let dim: Vec<f64> = values.iter().map(|v| 0.2 + 0.4 * v).collect();
    let of = |v: &[f64]| picture_quality(&micrograph(w, h, v), &QualitySettings::default()).sharpness.unwrap();
    let (bright, dim) = (of(&values), of(&dim));
    assert!((bright / dim - 1.0).abs() < 0.03, "{bright} {dim}");
}

#[test]
fn noise_is_measured_as_it_was_put_on() {
    let (w, h, values) = greys("tests/reference/pictures/camera.png");
    let smooth = blurred(w, h, &values, 2.0);
    let mut rng = rand_chacha::ChaCha8Rng::seed_from_u64(3);
    for sd in [0.01, 0.03, 0.06] {
        // Sum of twelve even spreads: normal enough. Greys are drawn in so that none is clipped.
        let mut normal = || (0..12).map(|_| rng.random::<f64>()).sum::<f64>() - 6.0;
        let noisy: Vec<f64> = smooth.iter().map(|v| 0.3 + 0.4 * v + sd * normal()).collect();
        let found = picture_quality(&micrograph(w, h, &noisy), &QualitySettings::default()).noise;
        assert!((found / sd - 1.0).abs() < 0.1, "{found} instead of {sd}");
    }
}

#[test]
fn lost_light_and_shadow_are_counted() {
    // 10 of 100 columns black, 20 white.
    let values: Vec<f64> = (0..100 * 100)
        .map(|i| match i % 100 {
            0..=9 => 0.0,
            80..=99 => 1.0,
            _ => 0.5,
        })
        .collect();
    let q = picture_quality(&micrograph(100, 100, &values), &QualitySettings::default());
    assert!((q.clipped_low - 0.1).abs() < 1e-12 && (q.clipped_high - 0.2).abs() < 1e-12, "{q:?}");
    let names: Vec<&str> =
        quality_warnings(&q, Some(7.0), &QualitySettings::default()).iter().map(|w| w.flag.name()).collect();
    assert!(
        names.contains(&"clipped_high") && names.contains(&"coarse") && !names.contains(&"clipped_low"),
        "{names:?}"
    );
}

#[test]
fn strong_compression_shows() {
    let picture = image::open(file("tests/reference/pictures/camera.png")).unwrap().to_luma8();
    let blockiness = |quality: u8| {
        let mut bytes = Vec::new();
        picture.write_with_encoder(image::codecs::jpeg::JpegEncoder::new_with_quality(&mut bytes, quality)).unwrap();
        let decoded = decode_micrograph("camera.jpg", &bytes, &ReadSettings::default()).unwrap();
        picture_quality(&decoded, &QualitySettings::default()).blockiness
    };
    let steps = [95, 50, 20, 8].map(blockiness);
    assert!(steps.windows(2).all(|s| s[0] < s[1]), "{steps:?}");
    assert!(
        steps[0] < QualitySettings::default().blockiness && QualitySettings::default().blockiness < steps[3],
        "{steps:?}"
    );
}

#[test]
fn pictures_without_content_give_no_sharpness_and_no_fault() {
    for (w, h) in [(1, 1), (16, 3), (64, 64)] {
        let q = picture_quality(&micrograph(w, h, &vec![0.5; (w * h) as usize]), &QualitySettings::default());
        assert_eq!(q.sharpness, None);
        assert_eq!((q.noise, q.blockiness), (0.0, 0.0));
    }
}
