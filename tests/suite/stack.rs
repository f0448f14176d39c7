//! Focus series: drawn scenes of known height, bad input, depth of grey, order.

use breakface::flag::Flag;
use breakface::settings::{ReadSettings, StackSettings};
use breakface::stack::{StackError, merge_folder};
use std::path::Path;

const SIZE: (u32, u32) = (200, 150);

/// Texture of the scene, 0..1, without repetition over the picture.
fn texture(x: f64, y: f64) -> f64 {
    let hash = |i: i64, j: i64| {
        let mut h = (i.wrapping_mul(0x9E37_79B9) ^ j.wrapping_mul(0x85EB_CA6B)) as u64;
        h = (h ^ (h >> 15)).wrapping_mul(0x2C1B_3C6D_2C1B_3C6D);
        ((h >> 40) & 0xffff) as f64 / 65535.0
    };
    let (i, j) = (x.floor(), y.floor());
    let (fx, fy) = (x - i, y - j);
    let (i, j) = (i as i64, j as i64);
    let top = hash(i, j) * (1.0 - fx) + hash(i + 1, j) * fx;
    let bottom = hash(i, j + 1) * (1.0 - fx) + hash(i + 1, j + 1) * fx;
    0.2 + 0.6 * (top * (1.0 - fy) + bottom * fy)
}

/// The scene is a slope from frame 1 at the left to frame `n − 2` at the right: sharp in the frame of its height, blurred
/// by a pixel per frame away from it.
fn frame(n: usize, index: usize, shift: f64) -> Vec<f64> {
    frame_of(index, Seen { shift, magnified: 1.0 }, &|x| 1.0 + (n as f64 - 3.0) * x / f64::from(SIZE.0))
}

/// How a frame shows the scene: shifted to the right by so many px, magnified about its middle.
#[derive(Clone, Copy)]
struct Seen {
    shift: f64,
    magnified: f64,
}

/// Frame `index` of a scene that is sharp in frame `level(x)` at column x.
fn frame_of(index: usize, seen: Seen, level: &dyn Fn(f64) -> f64) -> Vec<f64> {
    let (width, height) = (SIZE.0 as usize, SIZE.1 as usize);
    let (cx, cy) = ((width as f64 - 1.0) / 2.0, (height as f64 - 1.0) / 2.0);
    let mut out = Vec::with_capacity(width * height);
    for y in 0..height {
        for x in 0..width {
            let sd = (level(x as f64) - index as f64).abs();
            let reach = (2.5 * sd).ceil() as i64;
            let (mut sum, mut total) = (0.0, 0.0);
            for dy in -reach..=reach {
                for dx in -reach..=reach {
                    let w = if reach == 0 { 1.0 } else { (-((dx * dx + dy * dy) as f64) / (2.0 * sd * sd)).exp() };
                    let across = cx + (x as f64 + dx as f64 - seen.shift - cx) / seen.magnified;
                    let down = cy + (y as f64 + dy as f64 - cy) / seen.magnified;
                    sum += w * texture(across / 2.3, down / 2.3);
                    total += w;
                }
            }
            out.push(sum / total);
        }
    }
    out
}

fn save(folder: &Path, name: &str, values: &[f64]) {
    let values = values.iter().map(|v| (v * 65535.0) as u16).collect();
    let picture: image::ImageBuffer<image::Luma<u16>, Vec<u16>> =
        image::ImageBuffer::from_raw(SIZE.0, SIZE.1, values).expect("one value per pixel");
    picture.save(folder.join(name)).expect("temporary folder");
}

fn series(n: usize, shift_per_frame: f64) -> tempfile::TempDir {
    let folder = tempfile::tempdir().expect("temporary folder");
    for i in 0..n {
        save(folder.path(), &format!("f{i}.png"), &frame(n, i, shift_per_frame * i as f64));
    }
    folder
}

/// Frames of a scene by its level, each magnified by so much more than the one before and shifted.
fn series_of(n: usize, growth: f64, shifts: &dyn Fn(usize) -> f64, level: &dyn Fn(f64) -> f64) -> tempfile::TempDir {
    let folder = tempfile::tempdir().expect("temporary folder");
    for i in 0..n {
        let seen = Seen { shift: shifts(i), magnified: (1.0 + growth).powi(i as i32) };
        save(folder.path(), &format!("f{i}.png"), &frame_of(i, seen, level));
    }
    folder
}

fn merge(folder: &Path) -> Result<breakface::stack::StackResult, StackError> {
    merge_folder(folder, &StackSettings::default(), &ReadSettings::default())
}

/// RMS difference from the scene, the border left out.
fn error(values: &[u16], shift: f64) -> f64 {
    let (width, height) = (SIZE.0 as usize, SIZE.1 as usize);
    let (mut sum, mut n) = (0.0, 0.0);
    for y in 10..height - 10 {
        for x in 10..width - 10 {
            let truth = texture((x as f64 - shift) / 2.3, y as f64 / 2.3);
            sum += (f64::from(values[y * width + x]) / 65535.0 - truth).powi(2);
            n += 1.0;
        }
    }
    (sum / n).sqrt()
}

#[test]
fn a_slope_comes_out_sharp_with_its_height() {
    let n = 10;
    let result = merge(series(n, 0.0).path()).expect("a good series");
    assert_eq!(result.merged.color(), image::ColorType::L16, "16 bits are kept");
    let best_single = (0..n).map(|i| error(&to_u16(&frame(n, i, 0.0)), 0.0)).fold(f64::INFINITY, f64::min);
    let merged = error(result.micrograph.grey.values(), 0.0);
    assert!(merged < 0.35 * best_single, "merged {merged}, best frame {best_single}");
    let (width, height) = (SIZE.0 as usize, SIZE.1 as usize);
    let mut off: Vec<f64> = Vec::new();
    for y in 10..height - 10 {
        for x in 10..width - 10 {
            let truth = 1.0 + (n as f64 - 3.0) * x as f64 / width as f64;
            off.push((f64::from(result.height[y * width + x]) - truth).abs());
        }
    }
    off.sort_by(f64::total_cmp);
    assert!(off[off.len() / 2] < 0.5, "median height error {} frames", off[off.len() / 2]);
    assert!(!result.micrograph.warnings.iter().any(|w| w.flag == Flag::StackOrder));
}

fn to_u16(values: &[f64]) -> Vec<u16> {
    values.iter().map(|v| (v * 65535.0) as u16).collect()
}

#[test]
fn drifting_frames_are_laid_on_the_first() {
    let result = merge(series(8, 0.8).path()).expect("a good series");
    let last = &result.frames[7];
    assert!((last.moved.dx - 5.6).abs() < 0.3 && last.moved.dy.abs() < 0.2, "{last:?}");
    let still = error(merge(series(8, 0.0).path()).expect("good").micrograph.grey.values(), 0.0);
    let merged = error(result.micrograph.grey.values(), 0.0);
    assert!(merged < 2.0 * still, "drifting {merged}, still {still}");
}

/// Largest distance of where frames were laid from where they lie.
fn off_by(result: &breakface::stack::StackResult, shifts: &dyn Fn(usize) -> f64) -> f64 {
    let off = result.frames.iter().enumerate().map(|(i, f)| (f.moved.dx - shifts(i)).hypot(f.moved.dy));
    off.fold(0.0, f64::max)
}

#[test]
fn breathing_is_undone_where_it_is_and_only_there() {
    let slope = |x: f64| 1.0 + 6.0 * x / f64::from(SIZE.0);
    for (total, still) in [(0.0, true), (0.002, false), (0.01, false)] {
        let n = 9;
        let result = merge(series_of(n, total / 8.0, &|_| 0.0, &slope).path()).expect("a good series");
        let found = result.frames[n - 1].moved.grow;
        // At the corners of this small picture 0.2 % is a quarter of a pixel, too little to be worth a resampling.
        assert!(found == 0.0 || !still, "{found} for {total}");
        assert!((found - total).abs() < 0.0025, "{found} for {total}");
        assert!(off_by(&result, &|_| 0.0) < 0.5, "{total}");
    }
}

#[test]
fn a_stage_that_wanders_over_deep_relief_is_followed() {
    // Left half near, right half far: no frame shows both sharp.
    let cliff = |x: f64| if x < f64::from(SIZE.0) / 2.0 { 1.0 } else { 7.0 };
    let wander = |i: usize| 2.5 * (2.1 * i as f64).sin() * i as f64 / 8.0;
    let result = merge(series_of(9, 0.0, &wander, &cliff).path()).expect("a good series");
    let grown = result.frames.iter().map(|f| f.moved.grow.abs()).fold(0.0, f64::max);
    assert!(off_by(&result, &wander) < 0.6 && grown == 0.0, "{:?}", result.frames);
    let unmoved = merge(series_of(9, 0.0, &|_| 0.0, &cliff).path()).expect("a good series");
    assert!(unmoved.frames.iter().all(|f| f.moved == breakface::stack::Move::default()), "{:?}", unmoved.frames);
}

#[test]
fn bad_frames_are_left_out_and_named() {
    let folder = series(6, 0.0);
    std::fs::write(folder.path().join("f3.png"), b"\x89PNG\r\n\x1a\nbroken").expect("temporary folder");
    let small: image::ImageBuffer<image::Luma<u8>, Vec<u8>> = image::ImageBuffer::new(80, 90);
    small.save(folder.path().join("f4.png")).expect("temporary folder");
    let result = merge(folder.path()).expect("four frames are left");
    let told: Vec<&str> = result
        .micrograph
        .warnings
        .iter()
        .filter(|w| w.flag == Flag::StackFrameLeftOut)
        .map(|w| w.text.as_str())
        .collect();
    assert_eq!(told.len(), 2, "{told:?}");
    assert!(told[0].contains("f3.png") && told[1].contains("80 x 90 px"), "{told:?}");
}

#[test]
fn too_few_frames_are_an_error_that_says_why() {
    let folder = tempfile::tempdir().expect("temporary folder");
    assert!(matches!(merge(folder.path()), Err(StackError::TooFew { found: 0, .. })));
    save(folder.path(), "f0.png", &frame(4, 0, 0.0));
    assert!(matches!(merge(folder.path()), Err(StackError::TooFew { found: 1, .. })));
    std::fs::write(folder.path().join("f1.png"), b"").expect("temporary folder");
    let text = merge(folder.path()).expect_err("one frame").to_string();
    assert!(text.contains("f1.png") && text.contains("at least two"), "{text}");
    assert!(matches!(merge(&folder.path().join("none")), Err(StackError::Folder { .. })));
}

#[test]
fn frames_out_of_order_are_noticed() {
    let n = 8;
    let folder = tempfile::tempdir().expect("temporary folder");
    for (place, i) in [4, 0, 6, 2, 7, 1, 5, 3].into_iter().enumerate() {
        save(folder.path(), &format!("f{place}.png"), &frame(n, i, 0.0));
    }
    let result = merge(folder.path()).expect("readable");
    assert!(result.micrograph.warnings.iter().any(|w| w.flag == Flag::StackOrder), "{:?}", result.micrograph.warnings);
}

#[test]
fn a_long_series_is_merged_like_a_short_one() {
    let folder = tempfile::tempdir().expect("temporary folder");
    let base: Vec<Vec<f64>> = (0..6).map(|i| frame(6, i, 0.0)).collect();
    for i in 0..300 {
        save(folder.path(), &format!("f{i}.png"), &base[i * 6 / 300]);
    }
    let result = merge(folder.path()).expect("300 frames");
    assert_eq!(result.frames.len(), 300);
    assert!(result.frames.iter().all(|f| f.left_out.is_empty()));
    let few = StackSettings { max_frames: 100, ..StackSettings::default() };
    let refused = merge_folder(folder.path(), &few, &ReadSettings::default()).expect_err("over the limit");
    assert!(matches!(refused, StackError::TooMany { found: 300, most: 100, .. }));
}

/// A white label with a black bar, as cameras write it into every frame.
fn burn_in(values: &mut [f64]) {
    let width = SIZE.0 as usize;
    for y in 124..146 {
        for x in 140..194 {
            values[y * width + x] = if (134..139).contains(&y) && (147..187).contains(&x) { 0.0 } else { 1.0 };
        }
    }
}

#[test]
fn a_bar_that_is_burnt_into_wandering_frames_stays_and_holds_nothing_back() {
    let folder = tempfile::tempdir().expect("temporary folder");
    let shift = |i: usize| 2.0 * i as f64;
    for i in 0..8 {
        let mut values = frame(8, i, shift(i));
        burn_in(&mut values);
        save(folder.path(), &format!("f{i}.png"), &values);
    }
    let result = merge(folder.path()).expect("a good series");
    let off: Vec<f64> = result.frames.iter().enumerate().map(|(i, f)| f.moved.dx - shift(i)).collect();
    assert!(off.iter().all(|d| d.abs() < 0.5), "{off:?}");
    let mut drawn = vec![0.5; (SIZE.0 * SIZE.1) as usize];
    burn_in(&mut drawn);
    let merged = result.micrograph.grey.values();
    let inside = |y: usize, x: usize| y * SIZE.0 as usize + x;
    for (y, x) in [(136, 150), (136, 185), (130, 150), (136, 143), (136, 190)] {
        assert_eq!(f64::from(merged[inside(y, x)]) / 65535.0, drawn[inside(y, x)], "row {y}, column {x}");
    }
}

#[test]
fn a_folder_of_frames_stands_for_a_picture_in_a_series() {
    let bench = crate::driver::Bench::new();
    let frames = bench.path("in/frames");
    std::fs::create_dir_all(&frames).expect("temporary folder");
    for i in 0..6 {
        save(&frames, &format!("f{i}.png"), &frame(6, i, 0.0));
    }
    std::fs::write(frames.join("f6.png"), b"\x89PNG\r\n\x1a\nbroken").expect("temporary folder");
    bench.write("in/series.csv", "image,specimen,um_per_px\nframes,S1,0.5\n");
    let classify = || bench.run(&["classify", "in/series.csv", "--out", "r", "--no-report", "--quiet"]);
    let said = classify();
    assert_eq!(said.code, Some(0), "{}", said.err);
    assert_eq!(bench.column("r/images.csv", "status"), ["done"]);
    assert_eq!(bench.column("r/images.csv", "width_px"), ["200"]);
    let warnings = bench.column("r/images.csv", "warnings").swap_remove(0);
    assert!(warnings.contains("stack_frame_left_out") && warnings.contains("f6.png"), "{warnings}");
    // A frame that changes makes the picture be done again; with one frame left it fails by itself and says why.
    (1..6).for_each(|i| std::fs::remove_file(frames.join(format!("f{i}.png"))).expect("own file"));
    let said = classify();
    assert_eq!(said.code, Some(3), "{}", said.err);
    assert!(bench.column("r/images.csv", "error")[0].contains("at least two"));
}
