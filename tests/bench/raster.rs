//! Hand-written raster functions beside their counterparts in imageproc: `cargo bench --bench raster`.

use breakface::raster::{Plane, Template, parts, runs_of};
use image::{GrayImage, ImageBuffer, Luma};
use imageproc::region_labelling::{Connectivity, connected_components};
use imageproc::template_matching::{MatchTemplateMethod, match_template_parallel};

const WIDTH: usize = 2000;
const HEIGHT: usize = 1500;
/// Standard deviation of the smoothing, px.
const SD: f64 = 2.5;

fn main() {
    divan::main();
}

/// Wavy stripes, as fibres side by side give them.
fn stripes() -> Plane {
    let value = |i: usize| {
        let (x, y) = ((i % WIDTH) as f32, (i / WIDTH) as f32);
        0.5 + 0.4 * (x * 0.13 + (y * 0.02).sin() * 9.0).sin() * (y * 0.05).cos()
    };
    Plane { width: WIDTH, height: HEIGHT, values: (0..WIDTH * HEIGHT).map(value).collect() }
}

fn bytes(plane: &Plane, f: impl Fn(f32) -> u8) -> GrayImage {
    let values = plane.values.iter().map(|v| f(*v)).collect();
    GrayImage::from_raw(plane.width as u32, plane.height as u32, values).expect("sizes agree")
}

#[divan::bench]
fn blur_here(bencher: divan::Bencher) {
    let plane = stripes();
    bencher.bench_local(|| plane.smoothed(SD));
}

#[divan::bench]
fn blur_imageproc(bencher: divan::Bencher) {
    let plane = stripes();
    let image: ImageBuffer<Luma<f32>, Vec<f32>> =
        ImageBuffer::from_raw(WIDTH as u32, HEIGHT as u32, plane.values).expect("sizes agree");
    bencher.bench_local(|| imageproc::filter::gaussian_blur_f32(&image, SD as f32));
}

#[divan::bench]
fn components_here(bencher: divan::Bencher) {
    let image = bytes(&stripes(), |v| u8::from(0.6 < v));
    let raw = image.as_raw();
    bencher.bench_local(|| {
        let runs = runs_of(WIDTH, HEIGHT, |y, row| row.copy_from_slice(&raw[y * WIDTH..(y + 1) * WIDTH]));
        parts(&runs, (WIDTH as u32, HEIGHT as u32))
    });
}

#[divan::bench]
fn components_imageproc(bencher: divan::Bencher) {
    let image = bytes(&stripes(), |v| u8::from(0.6 < v));
    bencher.bench_local(|| connected_components(&image, Connectivity::Eight, Luma([0])));
}

/// A field and a piece of it.
fn field_and_piece() -> (Plane, Plane) {
    let field = stripes().reduced(8.0);
    let values = (0..40 * 30).map(|i| field.row(50 + i / 40)[60 + i % 40]).collect();
    (field, Plane { width: 40, height: 30, values })
}

#[divan::bench]
fn matching_here(bencher: divan::Bencher) {
    let (field, piece) = field_and_piece();
    bencher.bench_local(|| Template::new(&piece).best(&field, 0..=WIDTH, 0..=HEIGHT));
}

#[divan::bench]
fn matching_imageproc(bencher: divan::Bencher) {
    let (field, piece) = field_and_piece();
    let (field, piece) = (bytes(&field, |v| (v * 255.0) as u8), bytes(&piece, |v| (v * 255.0) as u8));
    let method = MatchTemplateMethod::CrossCorrelationNormalized;
    bencher.bench_local(|| match_template_parallel(&field, &piece, method));
}
