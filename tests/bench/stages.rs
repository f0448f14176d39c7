//! Time of the stages on one bundled picture: `cargo bench`.

use breakface::find::{Finder, find_ends};
use breakface::measure::measure_ends;
use breakface::micrograph::{GreyPlane, Micrograph};
use breakface::settings::Settings;

fn main() {
    divan::main();
}

/// A picture of 800 x 600 px with bright bars 10 px wide that end in the middle.
fn bars() -> Micrograph {
    let bright = |x: u32, y: u32| x % 40 < 10 && y < 300;
    let values = (0..600).flat_map(|y| (0..800).map(move |x| if bright(x, y) { 50_000 } else { 9_000 })).collect();
    let grey = GreyPlane::new(800, 600, values).expect("sizes agree");
    Micrograph { grey, rgb: None, scale: None, burnt_in: Vec::new(), warnings: Vec::new() }
}

#[divan::bench(sample_count = 10)]
fn find_800x600(bencher: divan::Bencher<'_, '_>) {
    let (picture, finder, settings) = (bars(), Finder::bundled().expect("bundled weights load"), Settings::default());
    bencher.bench(|| find_ends(&picture, &finder, &settings.find));
}

#[divan::bench(sample_count = 10)]
fn measure_800x600(bencher: divan::Bencher<'_, '_>) {
    let (picture, finder, settings) = (bars(), Finder::bundled().expect("bundled weights load"), Settings::default());
    let candidates = find_ends(&picture, &finder, &settings.find);
    bencher.bench(|| measure_ends(&picture, &candidates, &settings.measure));
}
