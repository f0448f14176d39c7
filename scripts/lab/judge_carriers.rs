//! How well the published carriers of a run match the truth of rendered pictures.
//!
//! `cargo run --example judge_carriers -- TRUTH_DIR RESULTS`
//!
//! TRUTH_DIR holds one truth JSON per picture, RESULTS the tables of `breakface classify` on them. Prints, by view, the adjusted
//! Rand index over found gradable ends (ungrouped ends count as carriers of their own), and for carriers that were truly sheared
//! and seen edge-on how far the published cut plane, and its resultant length, lie from those of the true ends.

use breakface::carrier::edge_direction_deg;
use breakface::stats::agreement::adjusted_rand;
use breakface::stats::angle::axes;
use breakface::table::{CarrierRow, EndRow, read_csv};
use breakface::units::{Point, axial_gap_deg, direction_gap_deg};
use serde_json::Value;
use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

/// Fewest edge-on sheared ends of a true carrier for its plane to be known.
const FEWEST: usize = 3;
/// Part of the face normal towards the camera below which a cut is seen edge-on.
const EDGE_ON: f64 = 0.5;

#[derive(Default)]
struct Found {
    rand: Vec<f64>,
    plane_gaps: Vec<f64>,
    resultant_gaps: Vec<f64>,
    edge_gaps: Vec<f64>,
    axis_gaps: Vec<f64>,
    without_plane: usize,
}

fn main() -> Result<(), Box<dyn std::error::Error>> {
    let args: Vec<PathBuf> = std::env::args_os().skip(1).map(PathBuf::from).collect();
    let [truth, results] = &args[..] else { return Err("usage: judge_carriers TRUTH_DIR RESULTS".into()) };
    let ends: Vec<EndRow> = read_csv(&results.join("ends.csv"))?;
    let carriers: Vec<CarrierRow> = read_csv(&results.join("carriers.csv"))?;
    let mut by_view: BTreeMap<String, Found> = BTreeMap::new();
    for file in truths(truth) {
        let picture: Value = serde_json::from_slice(&std::fs::read(&file)?)?;
        let (Some(image), Some(view)) = (picture["image"].as_str(), picture["view"].as_str()) else { continue };
        let of_image = |name: &str| name.rsplit('/').next() == Some(image);
        let ends: Vec<&EndRow> = ends.iter().filter(|e| of_image(&e.image)).collect();
        let carriers: Vec<&CarrierRow> = carriers.iter().filter(|c| of_image(&c.image)).collect();
        judge(&picture, &ends, &carriers, by_view.entry(view.to_owned()).or_default());
    }
    for (view, f) in &mut by_view {
        let n = f.rand.len();
        let mean = f.rand.iter().sum::<f64>() / n.max(1) as f64;
        println!("{view}: adjusted Rand {mean:.3} over {n} pictures");
    }
    let mut all = Found::default();
    for f in by_view.into_values() {
        all.plane_gaps.extend(f.plane_gaps);
        all.resultant_gaps.extend(f.resultant_gaps);
        all.edge_gaps.extend(f.edge_gaps);
        all.axis_gaps.extend(f.axis_gaps);
        all.without_plane += f.without_plane;
    }
    println!(
        "cut plane of {} truly sheared carriers: median {:.1} degrees off truth, 90 % within {:.1}; resultant median {:.3} off; {} without a plane",
        all.plane_gaps.len(),
        quantile(&mut all.plane_gaps, 0.5),
        quantile(&mut all.plane_gaps, 0.9),
        quantile(&mut all.resultant_gaps, 0.5),
        all.without_plane
    );
    println!(
        "single edges of {} ends: median {:.1} degrees off truth; axes {:.1}",
        all.edge_gaps.len(),
        quantile(&mut all.edge_gaps, 0.5),
        quantile(&mut all.axis_gaps, 0.5)
    );
    Ok(())
}

fn truths(folder: &Path) -> Vec<PathBuf> {
    let entries = std::fs::read_dir(folder).into_iter().flatten().flatten();
    let mut files: Vec<PathBuf> =
        entries.map(|e| e.path()).filter(|p| p.extension().is_some_and(|e| e == "json")).collect();
    files.sort();
    files
}

fn quantile(values: &mut [f64], q: f64) -> f64 {
    values.sort_by(f64::total_cmp);
    values.get(((values.len() as f64 - 1.0) * q).round().max(0.0) as usize).copied().unwrap_or(f64::NAN)
}

/// Direction of a true end's edge, when it is a cut seen edge-on.
fn true_edge(end: &Value) -> Option<f64> {
    let edge_on = end["label"] == "sheared" && end["face_nz"].as_f64()?.abs() < EDGE_ON;
    Some(edge_direction_deg(end["axis_deg"].as_f64()?, end["end_line_deg"].as_f64()?)).filter(|_| edge_on)
}

fn judge(picture: &Value, ends: &[&EndRow], carriers: &[&CarrierRow], found: &mut Found) {
    let none = Vec::new();
    let known = picture["ends"].as_array().unwrap_or(&none);
    let place = |e: &Value| Some(Point::new(e["x_px"].as_f64()?, e["y_px"].as_f64()?));
    let pairs: Vec<(&Value, &EndRow)> = ends
        .iter()
        .filter_map(|row| {
            let tip = Point::new(row.x_px, row.y_px);
            let gap = |e: &&Value| place(e).map_or(f64::MAX, |p| p.distance(tip));
            let nearest = known.iter().min_by(|a, b| gap(a).total_cmp(&gap(b)))?;
            let reach = nearest["shaft_diameter_px"].as_f64()?;
            (gap(&nearest) <= reach && nearest["gradable"] == true).then_some((nearest, *row))
        })
        .collect();
    let truth: Vec<i64> = pairs.iter().filter_map(|(e, _)| e["carrier"].as_i64()).collect();
    let kinds: std::collections::BTreeSet<i64> = truth.iter().copied().collect();
    if 1 < kinds.len() && truth.len() == pairs.len() {
        let groups: Vec<i64> =
            pairs.iter().enumerate().map(|(i, (_, r))| r.carrier.map_or(-1 - i as i64, i64::from)).collect();
        found.rand.extend(adjusted_rand(&truth, &groups));
    }
    for (end, row) in &pairs {
        let Some((edge, cut)) = true_edge(end).zip(row.features.get("cut_angle_deg")) else { continue };
        found.edge_gaps.push(axial_gap_deg(edge, edge_direction_deg(row.axis_deg, cut)));
        found.axis_gaps.push(direction_gap_deg(row.axis_deg, end["axis_deg"].as_f64().unwrap_or(f64::NAN)));
    }
    for carrier in kinds {
        let edges: Vec<f64> = known.iter().filter(|e| e["carrier"] == carrier).filter_map(true_edge).collect();
        if edges.len() < FEWEST {
            continue;
        }
        // The found group that holds most of the carrier's found ends.
        let mut votes: BTreeMap<u32, usize> = BTreeMap::new();
        for (_, row) in pairs.iter().filter(|(e, _)| e["carrier"] == carrier) {
            row.carrier.into_iter().for_each(|c| *votes.entry(c).or_default() += 1);
        }
        let Some((group, _)) = votes.into_iter().max_by_key(|(_, n)| *n) else { continue };
        let row = carriers.iter().find(|c| c.carrier == group);
        let Some(mean) = axes(&edges) else { continue };
        match (mean.mean_deg, row.and_then(|r| r.cut_plane_deg.zip(r.cut_plane_resultant))) {
            (Some(deg), Some((plane, resultant))) => {
                found.plane_gaps.push(axial_gap_deg(deg, plane));
                found.resultant_gaps.push((mean.resultant - resultant).abs());
            }
            _ => found.without_plane += 1,
        }
    }
}
