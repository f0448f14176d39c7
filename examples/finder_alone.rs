//! Runs the finder without the measuring stage over a folder of pictures and writes a small table of candidates, for
//! judging the network by itself: `cargo run --example finder_alone -- FOLDER OUT.csv [FINDER.onnx] [MIN_SCORE] [scale|none] [raw]`.

use std::io::Write;
use std::path::{Path, PathBuf};

use breakface::find::{Finder, find_ends};
use breakface::micrograph::{GreyPlane, Micrograph};
use breakface::settings::FindSettings;
use breakface::units::{Scale, ScaleSource};
use rayon::prelude::*;

fn main() -> Result<(), Box<dyn std::error::Error>> {
    let args: Vec<String> = std::env::args().collect();
    let [folder, out] = [1, 2].map(|i| PathBuf::from(args.get(i).cloned().unwrap_or_default()));
    let finder = match args.get(3).filter(|f| !f.is_empty() && *f != "bundled") {
        Some(file) => Finder::from_file(Path::new(file))?,
        None => Finder::bundled()?,
    };
    let mut settings = FindSettings::default();
    if let Some(score) = args.get(4) {
        settings.min_score = score.parse()?;
    }
    let use_scale = args.get(5).is_none_or(|a| a != "none");
    if args.get(6).is_some_and(|a| a == "raw") {
        // Every hit of every size, unmerged: to study how hits on one end compete.
        settings.second_look = false;
        (settings.same_end_reach_d, settings.same_shaft_reach_d) = (0.0, 0.0);
    }
    let mut truths: Vec<PathBuf> = std::fs::read_dir(&folder)?
        .filter_map(|e| e.ok().map(|e| e.path()))
        .filter(|p| p.extension().is_some_and(|e| e == "json"))
        .collect();
    truths.sort();
    let rows: Vec<String> = truths
        .par_iter()
        .filter_map(|truth| {
            let doc: serde_json::Value = serde_json::from_slice(&std::fs::read(truth).ok()?).ok()?;
            let name = doc.get("image")?.as_str()?;
            let luma = image::open(folder.join(name)).ok()?.to_luma16();
            let grey = GreyPlane::new(luma.width(), luma.height(), luma.into_raw())?;
            let scale =
                doc["um_per_px"].as_f64().filter(|_| use_scale).and_then(|s| Scale::new(s, ScaleSource::Series));
            let micrograph = Micrograph { grey, rgb: None, scale, burnt_in: Vec::new(), warnings: Vec::new() };
            let found = find_ends(&micrograph, &finder, &settings);
            let lines = found.iter().map(|c| {
                let p = c.look_sheared.unwrap_or(0.5);
                let label = if p >= 0.5 { "sheared" } else { "tensile" };
                format!(
                    "{name},{:.2},{:.2},{:.2},{:.3},{label},{p:.4},{:.4}\n",
                    c.tip.x, c.tip.y, c.axis_deg, c.width_px, c.score
                )
            });
            Some(lines.collect())
        })
        .collect();
    let mut file = std::fs::File::create(out)?;
    writeln!(file, "image,x_px,y_px,axis_deg,shaft_diameter_px,label,p_sheared,score")?;
    Ok(file.write_all(rows.concat().as_bytes())?)
}
