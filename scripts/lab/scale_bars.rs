//! Finds the scale bars of rendered pictures whose truth is known, as they are and turned upright.
//!
//! `cargo run --example scale_bars -- SET…`; SET holds pictures with one truth JSON each (`um_per_px`, and `scale_bar_um` where
//! a bar was drawn). Prints how many bars were found to one pixel, how many were missed or wrong, and false bars of
//! pictures without one.

use breakface::calibrate::find_scale_bar;
use breakface::micrograph::read_micrograph;
use breakface::settings::{BarSettings, ReadSettings};
use serde_json::Value;
use std::path::{Path, PathBuf};

#[derive(Default)]
struct Count {
    right: usize,
    wrong: usize,
    missed: usize,
    false_bars: usize,
    without: usize,
}

fn main() {
    for set in std::env::args().skip(1) {
        let turned_folder = tempfile::tempdir().ok();
        let (mut level, mut upright) = (Count::default(), Count::default());
        for truth in truths(Path::new(&set)) {
            let Some((picture, expected)) = picture_of(&truth) else { continue };
            count(&mut level, "", &picture, expected);
            if let Some(turned) = turned_folder.as_ref().and_then(|f| turn(&picture, f.path())) {
                count(&mut upright, "upright: ", &turned, expected);
            }
        }
        say(&set, "level", &level);
        say(&set, "turned upright", &upright);
    }
}

fn say(set: &str, what: &str, c: &Count) {
    println!(
        "{set}, {what}: {} of {} bars within 1 px, {} wrong, {} missed; {} false bars in {} pictures without one",
        c.right,
        c.right + c.wrong + c.missed,
        c.wrong,
        c.missed,
        c.false_bars,
        c.without
    );
}

fn truths(set: &Path) -> Vec<PathBuf> {
    let entries = std::fs::read_dir(set).into_iter().flatten().flatten();
    let mut files: Vec<PathBuf> =
        entries.map(|e| e.path()).filter(|p| p.extension().is_some_and(|e| e == "json")).collect();
    files.sort();
    files
}

/// The picture and the length of its bar, px.
fn picture_of(truth: &Path) -> Option<(PathBuf, Option<f64>)> {
    let value: Value = serde_json::from_slice(&std::fs::read(truth).ok()?).ok()?;
    let picture = truth.parent()?.join(value.get("image")?.as_str()?);
    let number = |name: &str| value.get(name).and_then(Value::as_f64);
    Some((picture, number("scale_bar_um").zip(number("um_per_px")).map(|(bar, scale)| bar / scale)))
}

/// The picture with rows and columns exchanged, as PNG.
fn turn(picture: &Path, folder: &Path) -> Option<PathBuf> {
    let turned = image::open(picture).ok()?.rotate90().fliph();
    let path = folder.join(picture.file_stem()?).with_extension("png");
    turned.save(&path).ok()?;
    Some(path)
}

fn count(count: &mut Count, what: &str, picture: &Path, expected: Option<f64>) {
    let Ok(micrograph) = read_micrograph(picture, &ReadSettings::default()) else { return };
    let found = find_scale_bar(&micrograph, &BarSettings::default());
    let name = picture.file_name().unwrap_or_default().to_string_lossy();
    match (expected, found) {
        (Some(px), Some(bar)) if (bar.length_px - px).abs() <= 1.0 => count.right += 1,
        (Some(px), Some(bar)) => {
            count.wrong += 1;
            println!(
                "  {what}{name}: {:.1} px instead of {px:.1}, {:?}, score {:.2}",
                bar.length_px, bar.area, bar.score
            );
        }
        (Some(px), None) => {
            count.missed += 1;
            println!("  {what}{name}: bar of {px:.1} px not found");
        }
        (None, Some(bar)) => {
            (count.without, count.false_bars) = (count.without + 1, count.false_bars + 1);
            println!("  {what}{name}: false bar {:?}, score {:.2}", bar.area, bar.score);
        }
        (None, None) => count.without += 1,
    }
}
