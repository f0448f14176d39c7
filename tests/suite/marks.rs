//! Marks drawn over pictures: masked where they are, and nothing else masked. The marks are drawn here, by imageproc.

use crate::driver::{Bench, fixture, repository};
use ab_glyph::FontRef;
use breakface::micrograph::decode_micrograph;
use breakface::settings::ReadSettings;
use image::codecs::jpeg::JpegEncoder;
use image::{Rgb, RgbImage};
use imageproc::drawing as draw;
use imageproc::rect::Rect;
use rand::{Rng, SeedableRng};
use rand_chacha::ChaCha8Rng;

/// Pictures without marks of their own: real electron micrographs, and parts of rendered light micrographs.
const PICTURES: [&str; 5] = [
    "real/PE_07_3kV_20201119.jpg",
    "real/PP_03_3kV.jpg",
    "real/polyester_123.jpg",
    "rendered/teased_sem.jpg",
    "rendered/tuft_ring.jpg",
];
const COLOURS: [[u8; 3]; 8] =
    [[255, 255, 255], [0, 0, 0], [255, 0, 0], [0, 255, 0], [255, 255, 0], [255, 128, 0], [255, 0, 255], [0, 255, 255]];
const TEXTS: [&str; 4] = ["50 um", "2026-11-28 14:03", "x500 HV 3.0 kV", "Lab 7"];

/// Draws one mark of a kind by its number; the same call on a black picture gives its mask.
fn draw_mark(picture: &mut RgbImage, kind: usize, seed: u64, colour: Rgb<u8>) {
    let mut rng = ChaCha8Rng::seed_from_u64(seed);
    let (w, h) = (picture.width() as i32, picture.height() as i32);
    let (x, y) = (rng.random_range(w / 20..w * 2 / 3), rng.random_range(h / 20..h * 4 / 5));
    let thick = rng.random_range(2..4_u32);
    let bar = |p: &mut RgbImage, x: i32, y: i32, w: u32, h: u32| {
        draw::draw_filled_rect_mut(p, Rect::at(x, y).of_size(w, h), colour);
    };
    match kind {
        0 => {
            let (length, tick) = (rng.random_range(60..200), rng.random_range(6..14));
            bar(picture, x, y, length, thick);
            bar(picture, x, y - tick, thick, 2 * tick as u32);
            bar(picture, x + length as i32, y - tick, thick, 2 * tick as u32);
        }
        1 => {
            let bytes = std::fs::read(repository("src/report/overlay/dejavu-sans-bold-subset.ttf")).unwrap();
            let font = FontRef::try_from_slice(&bytes).unwrap();
            let size = rng.random_range(18.0..36.0_f32);
            draw::draw_text_mut(picture, colour, x, y, size, &font, TEXTS[(seed % 4) as usize]);
        }
        2 => {
            bar(picture, 0, y, w as u32, thick);
            bar(picture, x, 0, thick, h as u32);
        }
        3 => draw::draw_filled_circle_mut(picture, (x, y), rng.random_range(5..12), colour),
        4 => {
            let (length, height) = (rng.random_range(60..160), rng.random_range(40..100));
            for (dx, dy, w, h) in
                [(0, 0, length, thick), (0, height, length, thick), (0, 0, thick, height), (length, 0, thick, height)]
            {
                bar(picture, x + dx as i32, y + dy as i32, w, h);
            }
        }
        _ => {
            let angle = rng.random_range(0.0..std::f32::consts::TAU);
            let (dx, dy) = (angle.cos(), angle.sin());
            let at = |along: f32, across: f32| {
                let place = |v: i32, d: f32, e: f32| (v as f32 + along * d + across * e).round() as i32;
                imageproc::point::Point::new(place(x, dx, -dy), place(y, dy, dx))
            };
            draw::draw_polygon_mut(picture, &[at(0.0, -1.5), at(60.0, -1.5), at(60.0, 1.5), at(0.0, 1.5)], colour);
            draw::draw_polygon_mut(picture, &[at(74.0, 0.0), at(58.0, 7.0), at(58.0, -7.0)], colour);
        }
    }
}

/// Kinds of marks.
const KINDS: usize = 6;

fn jpeg(picture: &RgbImage) -> Vec<u8> {
    let mut bytes = Vec::new();
    JpegEncoder::new_with_quality(&mut bytes, 92).encode_image(picture).unwrap();
    bytes
}

/// A picture of at most 800 x 600 px, without the caption of rendered ones.
fn picture(name: &str) -> RgbImage {
    let whole = image::open(fixture(name)).unwrap().to_rgb8();
    let (w, h) = (whole.width().min(800), whole.height().min(600));
    image::imageops::crop_imm(
        &whole,
        whole.width() / 8,
        whole.height() / 8,
        w.min(whole.width() * 7 / 8),
        h.min(whole.height() * 3 / 4),
    )
    .to_image()
}

/// Whether each pixel lies in a box.
fn mask_of(bytes: &[u8]) -> Vec<bool> {
    let micrograph = decode_micrograph("marked", bytes, &ReadSettings::default()).unwrap();
    let width = micrograph.grey.width() as usize;
    let mut mask = vec![false; width * micrograph.grey.height() as usize];
    for b in &micrograph.burnt_in {
        for y in b.y0 as usize..b.y1 as usize {
            mask[y * width + b.x0 as usize..y * width + b.x1 as usize].fill(true);
        }
    }
    mask
}

#[test]
fn marks_of_every_kind_and_colour_are_masked() {
    let (mut covered, mut all) = (0, 0);
    let mut missed = Vec::new();
    for (i, name) in PICTURES.iter().enumerate().step_by(2) {
        let plain = picture(name);
        for kind in 0..KINDS {
            for (c, colour) in COLOURS.iter().enumerate() {
                let seed = (i * 1000 + kind * 100 + c) as u64;
                let (mut marked, mut alone) = (plain.clone(), RgbImage::new(plain.width(), plain.height()));
                draw_mark(&mut marked, kind, seed, Rgb(*colour));
                draw_mark(&mut alone, kind, seed, Rgb([255; 3]));
                let mask = mask_of(&jpeg(&marked));
                let drawn: Vec<usize> =
                    alone.pixels().enumerate().filter(|(_, p)| 127 < p.0[0]).map(|(i, _)| i).collect();
                // A white mark on white ground cannot be seen.
                let seen = drawn.iter().filter(|i| mask[**i]).count();
                all += 1;
                match drawn.len() * 9 <= seen * 10 {
                    true => covered += 1,
                    false => {
                        missed.push(format!("{name}: kind {kind}, colour {colour:?}: {seen} of {} px", drawn.len()))
                    }
                }
            }
        }
    }
    assert!(all * 17 <= covered * 20, "{covered} of {all} marks are masked:\n{}", missed.join("\n"));
}

#[test]
fn fibres_are_not_masked() {
    for name in &PICTURES[..3] {
        let mask = mask_of(&std::fs::read(fixture(name)).unwrap());
        let share = mask.iter().filter(|m| **m).count() as f64 / mask.len() as f64;
        assert!(share < 1e-3, "{name}: {share} of the picture is masked");
    }
}

/// Hundreds of marks over pictures with fibres, through the program: no end is put on any of them. An end that is found in the
/// same place of the picture without marks is the picture's.
#[test]
fn no_end_is_put_on_a_mark() {
    const MARKS: usize = 16;
    let bench = Bench::new();
    let mut drawn: Vec<(String, Vec<bool>, usize)> = Vec::new();
    for (p, name) in PICTURES.iter().enumerate() {
        let plain = picture(name);
        bench.write(&format!("in/{p}.jpg"), jpeg(&plain));
        for turn in 0..3 {
            let (mut marked, mut alone) = (plain.clone(), RgbImage::new(plain.width(), plain.height()));
            for n in 0..MARKS {
                let seed = (p * 10_000 + turn * 1000 + n) as u64;
                draw_mark(&mut marked, n % KINDS, seed, Rgb(COLOURS[(n + turn) % COLOURS.len()]));
                draw_mark(&mut alone, n % KINDS, seed, Rgb([255; 3]));
            }
            let name = format!("{p}_{turn}.jpg");
            bench.write(&format!("in/{name}"), jpeg(&marked));
            drawn.push((name, alone.pixels().map(|p| 127 < p.0[0]).collect(), plain.width() as usize));
        }
    }
    let said = bench.run(&["classify", "in", "-o", "r", "-q", "--no-report", "--no-overlays"]);
    assert_eq!(said.code, Some(0), "{}", said.err);
    let columns = ["image", "x_px", "y_px", "shaft_diameter_px"].map(|c| bench.column("r/ends.csv", c));
    let number = |c: usize, i: usize| columns[c][i].parse::<f64>().unwrap_or(0.0);
    let rows: Vec<(&str, f64, f64, f64)> =
        (0..columns[0].len()).map(|i| (columns[0][i].as_str(), number(1, i), number(2, i), number(3, i))).collect();
    let mut wrong = Vec::new();
    for (name, ink, width) in &drawn {
        let on_ink = |x: f64, y: f64| {
            let near = |v: f64| (v.round() as i64 - 2).max(0)..=v.round() as i64 + 2;
            near(y)
                .flat_map(|y| near(x).map(move |x| (x, y)))
                .any(|(x, y)| x < *width as i64 && ink.get(y as usize * width + x as usize).is_some_and(|i| *i))
        };
        let plain = format!("{}.jpg", name.split('_').next().unwrap());
        for (_, x, y, d) in rows.iter().filter(|r| r.0 == name && on_ink(r.1, r.2)) {
            let own = rows.iter().any(|r| r.0 == plain && (r.1 - x).hypot(r.2 - y) <= d.max(r.3).max(10.0));
            if !own {
                wrong.push(format!("{name}: ({x}, {y})"));
            }
        }
    }
    assert!(wrong.is_empty(), "{} ends on {} marks: {}", wrong.len(), MARKS * drawn.len(), wrong.join("; "));
}
