//! Scores from saved tables: no picture is opened, so it takes a moment, and a changed label changes the answer.
//!
//! `cargo run --release --example saved_tables -- out/demo`

use breakface::face::score_specimens;
use breakface::knot::compare;
use breakface::results::Results;
use std::path::PathBuf;

fn main() -> Result<(), Box<dyn std::error::Error>> {
    let folder = PathBuf::from(std::env::args().nth(1).ok_or("which folder of results?")?);
    let results = Results::load(&folder)?;
    let settings = results.settings().face;

    // Break faces from ends, knots from break faces: the same functions that a run uses.
    let faces = score_specimens(&results.ends, &results.images, None, &settings);
    for face in &faces.specimens {
        if let (Some(fraction), Some(low), Some(high)) = (face.sheared_fraction, face.sheared_low, face.sheared_high) {
            println!("{:12} sheared {fraction:.2} ({low:.2} to {high:.2})", face.specimen);
        }
    }
    for knot in compare(&faces.specimens, &settings).knots {
        let rank = knot.rank.map_or_else(|| "-".into(), |r| r.to_string());
        println!("{rank:>2} {:16} {} specimens", knot.knot, knot.n_specimens);
    }
    Ok(())
}
