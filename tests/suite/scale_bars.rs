//! Scale bars among other drawn strokes, by the real program: which is taken, which is asked about, and how a person says it.
//!
//! Expected lengths are those of the drawing (a line from the pixel of one end to that of the other).

use crate::driver::{Bench, Said};
use image::{GrayImage, Luma};

/// A level white stroke from pixel to pixel, six rows thick.
struct Drawn {
    x0: u32,
    x1: u32,
    y: u32,
}

/// A grey picture with white strokes.
fn picture(strokes: &[Drawn]) -> GrayImage {
    let mut picture = GrayImage::from_pixel(640, 480, Luma([60]));
    for s in strokes {
        fill(&mut picture, (s.x0, s.x1), (s.y, s.y + 5), 255);
    }
    picture
}

fn fill(picture: &mut GrayImage, (x0, x1): (u32, u32), (y0, y1): (u32, u32), grey: u8) {
    for y in y0..=y1 {
        for x in x0..=x1 {
            picture.put_pixel(x, y, Luma([grey]));
        }
    }
}

/// Letters "0", so many, 10 by 14 px, about the column `middle`.
fn write_zeros(picture: &mut GrayImage, count: u32, middle: u32, top: u32) {
    let left = middle - (14 * count - 4) / 2;
    for k in 0..count {
        let (x0, x1) = (left + 14 * k, left + 14 * k + 9);
        fill(picture, (x0, x1), (top, top + 13), 255);
        fill(picture, (x0 + 3, x1 - 3), (top + 3, top + 10), 60);
    }
}

/// `calibrate bar` on a picture whose bar stands for 100 µm.
fn calibrate(picture: &GrayImage, more: &[&str]) -> (Bench, Said) {
    let bench = Bench::new();
    picture.save(bench.write("p.png", "")).expect("a picture");
    let said = bench.run(&[&["calibrate", "bar", "p.png", "--bar-um", "100"], more].concat());
    (bench, said)
}

/// The length that the scale stands for, px.
fn length(picture: &GrayImage, more: &[&str]) -> f64 {
    let (_, said) = calibrate(picture, &[&["--json"], more].concat());
    let value: serde_json::Value = serde_json::from_str(&said.out).unwrap_or_else(|_| panic!("{}", said.err));
    100.0 / value["um_per_px"].as_f64().expect("a number")
}

fn two() -> GrayImage {
    picture(&[Drawn { x0: 40, x1: 240, y: 420 }, Drawn { x0: 380, x1: 480, y: 300 }])
}

#[test]
fn of_several_strokes_none_is_taken_and_all_are_named() {
    let (bench, said) = calibrate(&two(), &["--name", "20x", "--list", "c.csv"]);
    assert_eq!((said.code, said.out.as_str()), (Some(2), ""), "{}", said.err);
    for wanted in ["p.png", "not certain", "200 px at 140,42", "100 px at 430,30", "--at X,Y", "um_per_px"] {
        assert!(said.err.contains(wanted), "{wanted}: {}", said.err);
    }
    assert!(!bench.path("c.csv").exists());
    // In a run: no scale, and the reason with the way out.
    bench.write("series.csv", "image,specimen,bar_um\np.png,S,100\n");
    let said = bench.run(&["classify", "series.csv", "-o", "r", "--no-report", "--quiet"]);
    assert_eq!(bench.column("r/images.csv", "um_per_px"), [""], "{}", said.err);
    let warnings = bench.column("r/images.csv", "warnings").swap_remove(0);
    assert!(warnings.contains("scale_bar_missing") && warnings.contains("not certain"), "{warnings}");
}

#[test]
fn a_person_says_which_stroke_is_the_bar() {
    for (at, expected) in [("140,422", 200.0), ("45, 423.5", 200.0), ("480,307", 100.0)] {
        let found = length(&two(), &["--at", at]);
        assert!((found - expected).abs() <= 1.0, "{at}: {found}");
    }
    let (_, said) = calibrate(&two(), &["--at", "300,100"]);
    assert_eq!(said.code, Some(2), "{}", said.out);
    assert!(said.err.contains("at x 300, y 100") && said.err.contains("the nearest is"), "{}", said.err);
    for wrong in ["140", "a,b", "140,", "NaN,3"] {
        let (_, said) = calibrate(&two(), &["--at", wrong]);
        assert_eq!(said.code, Some(2), "{wrong}: {}", said.out);
        assert!(said.err.contains("from the left and from the top"), "{wrong}: {}", said.err);
    }
}

#[test]
fn the_stroke_with_a_length_written_beside_it_is_the_bar() {
    let mut captioned = two();
    write_zeros(&mut captioned, 4, 430, 276);
    let (_, said) = calibrate(&captioned, &[]);
    assert_eq!(said.code, Some(0), "{}", said.err);
    assert!(said.out.contains("of 2 strokes the one with a length written beside it"), "{}", said.out);
    assert!((length(&captioned, &[]) - 100.0).abs() <= 1.0);
    // Pointing goes before writing.
    assert!((length(&captioned, &["--at", "140,422"]) - 200.0).abs() <= 1.0);
    // Two bars, two lengths: asked about again; two of one length give one scale.
    write_zeros(&mut captioned, 3, 140, 396);
    assert_eq!(calibrate(&captioned, &[]).1.code, Some(2));
    let mut alike = picture(&[Drawn { x0: 40, x1: 240, y: 420 }, Drawn { x0: 380, x1: 580, y: 300 }]);
    write_zeros(&mut alike, 4, 140, 396);
    write_zeros(&mut alike, 4, 480, 276);
    assert!((length(&alike, &[]) - 200.0).abs() <= 1.0);
}

#[test]
fn a_bar_crossed_by_other_marks_is_measured_whole() {
    let mut crossed = picture(&[Drawn { x0: 200, x1: 400, y: 420 }]);
    for x in [212, 300, 371] {
        fill(&mut crossed, (x, x + 2), (0, 479), 0);
    }
    for at in ["205,422", "250,422", "340,422", "399,422"] {
        let found = length(&crossed, &["--at", at]);
        assert!((found - 200.0).abs() <= 1.0, "{at}: {found}");
    }
    assert!((length(&crossed, &[]) - 200.0).abs() <= 1.0);
}

#[test]
fn a_bar_near_the_lower_edge_is_seen() {
    let mut low = picture(&[]);
    fill(&mut low, (500, 600), (475, 477), 255);
    assert!((length(&low, &[]) - 100.0).abs() <= 1.0);
}

/// Dashes of a line are no bar: each goes on beyond its ends.
#[test]
fn a_dash_is_no_bar() {
    let dashes: Vec<Drawn> = (0..4).map(|k| Drawn { x0: 40 + 140 * k, x1: 120 + 140 * k, y: 240 }).collect();
    let (_, said) = calibrate(&picture(&dashes), &[]);
    assert_eq!(said.code, Some(2), "{}", said.out);
    assert!(said.err.contains("not certain"), "{}", said.err);
}
