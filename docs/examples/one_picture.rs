//! One picture, stage by stage: read, find, measure, group, label.
//!
//! `cargo run --release --example one_picture -- fixtures/rendered/teased_sem.jpg 0.96`

use breakface::carrier::{self, View};
use breakface::detect::{Detector, detect_ends};
use breakface::measure::{accept, measure_ends};
use breakface::micrograph::read_micrograph;
use breakface::network::StripCache;
use breakface::settings::Settings;
use breakface::tree::Model;
use breakface::units::{Scale, ScaleSource};
use std::path::Path;

fn main() -> Result<(), Box<dyn std::error::Error>> {
    let mut args = std::env::args().skip(1);
    let file = args.next().ok_or("which picture?")?;
    let settings = Settings::default();

    // The file becomes a micrograph. A scale is optional: with it, only sizes that fibres can have are searched.
    let mut micrograph = read_micrograph(Path::new(&file), &settings.read)?;
    if let Some(um_per_px) = args.next() {
        micrograph.scale = Scale::new(um_per_px.parse()?, ScaleSource::Run);
    }

    // Places where a fibre seems to end. Straightened strips that are cut here are used again when ends are measured.
    let mut strips = StripCache::new(&micrograph);
    let candidates = detect_ends(&mut strips, &Detector::bundled()?, &settings.detect)?;

    // Measuring drops what turns out to be a second look at one end.
    let measured = measure_ends(&mut strips, &candidates, &settings.measure)?;
    let mut ends = accept(&micrograph, measured, &settings.detect);

    // Ends that run together belong to one carrier, and tell more together than alone.
    let view = View { width_px: micrograph.grey.width(), height_px: micrograph.grey.height(), carriers: None };
    let carriers = carrier::group(&ends, &view, &settings.carrier)?;
    carrier::set_features(&mut ends, &carriers, &settings);

    // Shape and appearance are heard, and the label says how sure it is.
    let model = Model::bundled()?;
    for (end, carrier) in ends.iter().zip(&carriers) {
        let verdict = model.predict(&end.features, &end.not_gradable);
        println!(
            "({:6.1}, {:6.1}) carrier {:>2}  {:8}  p(sheared) {:4}  bulb ratio {}",
            end.tip.x,
            end.tip.y,
            carrier.map_or_else(|| "-".into(), |c| c.to_string()),
            verdict.label.word(),
            verdict.p_sheared.map_or_else(|| "-".into(), |p| format!("{p:.2}")),
            end.features.get("bulb_ratio").map_or_else(|| "-".into(), |r| format!("{r:.2}")),
        );
    }
    Ok(())
}
