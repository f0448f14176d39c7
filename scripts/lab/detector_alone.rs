//! Runs the detector without the measuring stage over a folder of pictures and writes a small table, for judging the network
//! by itself and for training the trees that weigh its hits:
//! `cargo run --example detector_alone -- FOLDER OUT.csv [DETECTOR.onnx] [MIN_SCORE] [scale|none] [hits|ends] [MIRROR_UP_TO_MPX]`.
//! With `hits`, every hit that may become a candidate is written with the features of `detect::RESCORE_FEATURES`.

use std::io::Write;
use std::path::{Path, PathBuf};

use breakface::detect::{Candidate, Detector, RESCORE_FEATURES, describe_detections, detect_ends};
use breakface::micrograph::read_micrograph;
use breakface::network::StripCache;
use breakface::settings::{DetectSettings, ReadSettings};
use breakface::units::{Scale, ScaleSource};
use rayon::prelude::*;

fn main() -> Result<(), Box<dyn std::error::Error>> {
    let args: Vec<String> = std::env::args().collect();
    let [folder, out] = [1, 2].map(|i| PathBuf::from(args.get(i).cloned().unwrap_or_default()));
    let detector = match args.get(3).filter(|f| !f.is_empty() && *f != "bundled") {
        Some(file) => Detector::from_file(Path::new(file))?,
        None => Detector::bundled()?,
    };
    let mut settings = DetectSettings::default();
    if let Some(score) = args.get(4) {
        settings.min_score = score.parse()?;
    }
    let use_scale = args.get(5).is_none_or(|a| a != "none");
    let with_features = args.get(6).is_some_and(|a| a == "hits");
    if let Some(mpx) = args.get(7) {
        settings.mirror_up_to_mpx = mpx.parse()?;
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
            let mut micrograph = read_micrograph(&folder.join(name), &ReadSettings::default()).ok()?;
            micrograph.scale =
                doc["um_per_px"].as_f64().filter(|_| use_scale).and_then(|s| Scale::new(s, ScaleSource::Series));
            let mut strips = StripCache::new(&micrograph);
            let lines: Vec<String> = if with_features {
                let described = describe_detections(&mut strips, &detector, &settings).ok()?;
                described.iter().map(|(c, d)| line(name, c, &d.values())).collect()
            } else {
                detect_ends(&mut strips, &detector, &settings).ok()?.iter().map(|c| line(name, c, &[])).collect()
            };
            Some(lines.concat())
        })
        .collect();
    let mut file = std::fs::File::create(out)?;
    write!(file, "image,x_px,y_px,axis_deg,shaft_diameter_px,label,p_sheared,score")?;
    if with_features {
        write!(file, ",{}", RESCORE_FEATURES.join(","))?;
    }
    writeln!(file)?;
    Ok(file.write_all(rows.concat().as_bytes())?)
}

fn line(name: &str, c: &Candidate, features: &[f64]) -> String {
    let p = c.network_p_sheared.unwrap_or(0.5);
    let label = if p >= 0.5 { "sheared" } else { "tensile" };
    let features: String = features.iter().map(|f| format!(",{f:.5}")).collect();
    format!(
        "{name},{:.2},{:.2},{:.2},{:.3},{label},{p:.4},{:.4}{features}\n",
        c.tip.x, c.tip.y, c.axis_deg, c.width_px, c.score
    )
}
