//! The figures from which the order of failure is told, of every specimen of some runs.
//!
//! `cargo run --example history_figures -- RESULTS... [--group RESULTS...]`
//!
//! RESULTS are folders of results; of each, `ends.csv` and `images.csv` are read. Ends of folders after `--group` are grouped to carriers
//! anew: simulated ends have none. Prints CSV: folder, specimen, why there are no figures (empty otherwise), one
//! column per figure. `scripts/history/fit.py` fits `models/history.json` on it.

use breakface::carrier::{CarrierInput, PairWeights, View, edge_direction_deg, group_inputs};
use breakface::face::history::{FIGURES, figures_of_run};
use breakface::settings::{CarrierSettings, HistorySettings};
use breakface::table::{EndRow, ImageRow, read_csv};
use breakface::tree::Label;
use breakface::units::Point;
use std::path::PathBuf;

fn main() -> Result<(), Box<dyn std::error::Error>> {
    println!("folder,specimen,reason,{}", FIGURES.join(","));
    let mut group = false;
    for folder in std::env::args_os().skip(1).map(PathBuf::from) {
        if folder.as_os_str() == "--group" {
            group = true;
            continue;
        }
        let mut ends: Vec<EndRow> = read_csv(&folder.join("ends.csv"))?;
        let pictures: Vec<ImageRow> = read_csv(&folder.join("images.csv"))?;
        if group {
            pictures.iter().for_each(|p| regroup(&mut ends, p));
        }
        for (specimen, found) in figures_of_run(&ends, &pictures, &HistorySettings::default()) {
            let (reason, values) = match found {
                Ok(figures) => (String::new(), figures.values.map(|v| v.map_or_else(String::new, |v| v.to_string()))),
                Err(reason) => (reason, Default::default()),
            };
            println!("{},{specimen},\"{reason}\",{}", folder.display(), values.join(","));
        }
    }
    Ok(())
}

/// Groups the ends of one picture by the bundled weights.
fn regroup(ends: &mut [EndRow], picture: &ImageRow) {
    let mut here: Vec<&mut EndRow> = ends.iter_mut().filter(|e| e.image == picture.series.image).collect();
    let input = |e: &EndRow| CarrierInput {
        tip: Point::new(e.x_px, e.y_px),
        axis_deg: e.axis_deg,
        diameter_px: e.features.get("shaft_diameter_px").unwrap_or(1.0),
        // Only flat ends have an edge: mostly the sheared ones.
        edge_deg: (e.label == Label::Sheared)
            .then(|| e.features.get("cut_angle_deg"))
            .flatten()
            .map(|cut| edge_direction_deg(e.axis_deg, cut)),
        hue_deg: None,
    };
    let inputs: Vec<CarrierInput> = here.iter().map(|e| input(e)).collect();
    let view = View {
        width_px: picture.width_px.unwrap_or(0),
        height_px: picture.height_px.unwrap_or(0),
        carriers: picture.series.carriers,
    };
    let weights = PairWeights::bundled().expect("bundled weights");
    let carriers = group_inputs(&inputs, &view, (&CarrierSettings::default(), weights));
    here.iter_mut().zip(carriers).for_each(|(end, carrier)| end.carrier = carrier);
}
