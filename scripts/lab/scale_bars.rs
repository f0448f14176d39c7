//! Finds the scale bars of rendered pictures whose truth is known, as they are and turned upright.
//!
//! `cargo run --example scale_bars -- SET…`; SET holds pictures with one truth JSON each (`um_per_px`, and `scale_bar_um` where
//! a bar was drawn). Prints how many bars were found to one pixel, how many to 3 %, how many were wrong, and how many were asked
//! about, with the true bar among the strokes seen or not; and false bars of pictures without one.

use breakface::calibrate::{NoBar, choose_scale_bar};
use breakface::micrograph::read_micrograph;
use breakface::settings::{BarSettings, ReadSettings};
use serde_json::Value;
use std::path::{Path, PathBuf};

#[derive(Default)]
struct Count {
    right: usize,
    near: usize,
    wrong: usize,
    asked: usize,
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
        "{set}, {what}: {} of {} bars within 1 px, {} more within 3 %, {} wrong, {} asked about with the bar among what is seen, \
         {} not seen; {} false bars in {} pictures without one",
        c.right,
        c.right + c.near + c.wrong + c.asked + c.missed,
        c.near,
        c.wrong,
        c.asked,
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
    let found = choose_scale_bar(&micrograph, &BarSettings::default());
    let name = picture.file_name().unwrap_or_default().to_string_lossy();
    let near = |px: f64, found: f64| (found - px).abs() <= (0.03 * px).max(1.0);
    match (expected, found) {
        (Some(px), Ok((bar, _))) if (bar.length_px - px).abs() <= 1.0 => count.right += 1,
        (Some(px), Ok((bar, _))) if near(px, bar.length_px) => count.near += 1,
        (Some(px), Ok((bar, why))) => {
            count.wrong += 1;
            println!("  {what}{name}: {:.1} px instead of {px:.1}, {:?}, {why:?}", bar.length_px, bar.area);
        }
        (Some(px), Err(NoBar::Doubtful(seen))) if seen.iter().any(|b| near(px, b.length_px)) => count.asked += 1,
        (Some(_), Err(_)) => count.missed += 1,
        (None, Ok((bar, _))) => {
            (count.without, count.false_bars) = (count.without + 1, count.false_bars + 1);
            println!("  {what}{name}: false bar {:?}, score {:.2}", bar.area, bar.score);
        }
        (None, Err(_)) => count.without += 1,
    }
}
