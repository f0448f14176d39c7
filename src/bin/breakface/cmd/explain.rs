//! `breakface explain`: the path of one end through the tree, and its picture.

use crate::exit::Code;
use anyhow::{Context, bail};
use breakface::flag::Reason;
use breakface::micrograph::Micrograph;
use breakface::results::Results;
use breakface::stack::read_to_show;
use breakface::table::{EndRow, write_atomic};
use breakface::train::describe_tree::explain;
use breakface::train::ground_truth::base_name;
use breakface::tree::{Label, Model};
use breakface::units::Point;
use image::codecs::png::PngEncoder;
use serde_json::json;
use std::io::Write;
use std::path::PathBuf;

/// Arguments of `explain`.
#[derive(Debug, clap::Args)]
#[command(after_help = "\
Examples:
  breakface explain results TC-P07-A/TC-P07-A_1.jpg#12
  breakface explain results TC-P07-A_1.jpg#12 --crop end.png")]
pub struct Args {
    /// Folder that a run of `classify` has written
    #[arg(value_name = "RESULTS")]
    results: PathBuf,
    /// End: specimen/picture#number, or picture#number
    #[arg(value_name = "END")]
    end: String,
    /// Write the picture of the end (PNG)
    #[arg(long, value_name = "FILE.png")]
    crop: Option<PathBuf>,
    /// Folder of the pictures, when it has moved since the run
    #[arg(long, value_name = "DIR")]
    pictures: Option<PathBuf>,
    /// Model to explain, instead of the bundled one
    #[arg(short, long, value_name = "FILE")]
    model: Option<PathBuf>,
    /// Write JSON instead of lines
    #[arg(long)]
    json: bool,
}

/// Runs `explain`.
pub fn run(args: Args) -> anyhow::Result<Code> {
    let model = match &args.model {
        Some(path) => {
            let bytes = breakface::files::read_regular(path).with_context(|| format!("model {}", path.display()))?;
            Model::from_json(&bytes).with_context(|| format!("model {}", path.display()))?
        }
        None => Model::bundled()?,
    };
    let results = Results::load(&args.results)?;
    let end = find_end(&results, &args.end)?;
    let mut out = crate::say::out();
    let lines = explain(&model, &end.features, &not_gradable(end));
    if args.json {
        serde_json::to_writer_pretty(&mut out, &as_json(&model, end, &lines))?;
        writeln!(out)?;
    } else {
        writeln!(out, "{} at ({:.1}, {:.1}) px", end.id(), end.x_px, end.y_px)?;
        lines.iter().try_for_each(|line| writeln!(out, "{line}"))?;
    }
    if let Some(run) = &results.run
        && run.model.digest != model.digest()
    {
        note!(
            "the run was labelled {} by another model (\"{}\"): give it with --model to explain its labels",
            end.label.word(),
            run.model.name
        );
    }
    if let Some(path) = &args.crop {
        let bytes = crop(&results, end, args.pictures.as_deref())?;
        write_atomic(path, &bytes)?;
        if !args.json {
            writeln!(out, "picture of the end: {}", path.display())?;
        }
    }
    Ok(Code::Done)
}

fn as_json(model: &Model, end: &EndRow, lines: &[String]) -> serde_json::Value {
    let path: Vec<_> = model
        .path(&end.features)
        .iter()
        .map(|step| {
            json!({
                "feature": step.feature.name, "unit": step.feature.unit, "value": step.value, "threshold": step.threshold,
                "side": step.side.word(), "sheared": step.counts.0, "tensile": step.counts.1,
            })
        })
        .collect();
    let (sheared, tensile) = model.leaf_counts(&end.features);
    json!({
        "schema": "breakface-explain/1", "image": end.image, "specimen": end.specimen, "end": end.end,
        "x_px": end.x_px, "y_px": end.y_px, "label": end.label.word(), "p_sheared": end.p_sheared,
        "model": model.name, "path": path, "leaf": { "sheared": sheared, "tensile": tensile },
        "outside": model.out_of_range(&end.features), "lines": lines,
    })
}

/// Why the run gave no verdict, unless it was only for the probabilities.
pub fn not_gradable(end: &EndRow) -> Vec<Reason> {
    if end.label != Label::Unclear {
        return Vec::new();
    }
    Reason::split(&end.reason).filter(|r| !r.is_undecided()).collect()
}

fn find_end<'a>(results: &'a Results, wanted: &str) -> anyhow::Result<&'a EndRow> {
    let Some((place, number)) = wanted.rsplit_once('#') else {
        bail!("end {wanted:?}: expected specimen/picture#number or picture#number, as in overlays and ends.csv");
    };
    let Ok(number) = number.parse::<u32>() else { bail!("end {wanted:?}: {number:?} is no number of an end") };
    let here = |e: &&EndRow| {
        e.end == number
            && (place == e.image || place == base_name(&e.image) || place == format!("{}/{}", e.specimen, e.image))
    };
    let found: Vec<&EndRow> = results.ends.iter().filter(here).collect();
    match found.as_slice() {
        [one] => Ok(one),
        [] => bail!("end {wanted:?} is not in {}", results.folder.join("ends.csv").display()),
        several => bail!("end {wanted:?} could be {}", several.iter().map(|e| e.id()).collect::<Vec<_>>().join(" or ")),
    }
}

/// Half the width of the crop in shaft diameters, its least size in px of the picture, and its size in px of the file.
const CROP_DIAMETERS: f64 = 5.0;
const CROP_LEAST_PX: f64 = 32.0;
const CROP_OUT_PX: u32 = 480;

fn crop(results: &Results, end: &EndRow, pictures: Option<&std::path::Path>) -> anyhow::Result<Vec<u8>> {
    let path = match pictures {
        Some(folder) => Some(folder.join(&end.image)),
        None => results.picture_path(&end.image),
    };
    let Some(path) = path else {
        bail!("{}: the run does not say where the picture is; give --pictures DIR", end.image)
    };
    let settings = results.settings();
    let micrograph = read_to_show(&path, None, &settings)
        .with_context(|| format!("{}: if the pictures have moved, give --pictures DIR", end.image))?;
    let half = CROP_LEAST_PX.max(CROP_DIAMETERS * end.features.get("shaft_diameter_px").unwrap_or(0.0));
    let picture = image::RgbImage::from_fn(CROP_OUT_PX, CROP_OUT_PX, |x, y| {
        let along = |i: u32| (f64::from(i) + 0.5) / f64::from(CROP_OUT_PX) * 2.0 - 1.0;
        colour(&micrograph, Point::new(end.x_px + along(x) * half, end.y_px + along(y) * half))
    });
    let mut bytes = Vec::new();
    picture.write_with_encoder(PngEncoder::new(&mut bytes)).context("picture of the end")?;
    Ok(bytes)
}

/// Colour at a place; grey pictures by interpolation, colour pictures by the nearest pixel, black outside.
fn colour(micrograph: &Micrograph, p: Point) -> image::Rgb<u8> {
    if !micrograph.grey.contains(p) {
        return image::Rgb([0; 3]);
    }
    if let Some(rgb) = &micrograph.rgb {
        let (x, y) = (p.x.round().max(0.0) as u32, p.y.round().max(0.0) as u32);
        return *rgb.get_pixel(x.min(rgb.width() - 1), y.min(rgb.height() - 1));
    }
    image::Rgb([(micrograph.grey.bilinear(p) * 255.0).round() as u8; 3])
}
