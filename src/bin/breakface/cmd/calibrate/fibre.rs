//! `breakface calibrate fibre`.

use super::common::Keep;
use crate::exit::Code;
use anyhow::{Context, bail, ensure};
use breakface::calibrate::{PictureDiameter, Plausibility, fibre_diameter_um, judge_diameters, stand_in_scale};
use breakface::settings::{FibreSettings, Settings};
use std::path::{Path, PathBuf};

/// Arguments of `calibrate fibre`.
#[derive(Debug, clap::Args)]
pub struct Args {
    /// Table of ends (`ends.csv`) of a finished run
    #[arg(value_name = "ENDS", help_heading = "Input")]
    ends: PathBuf,
    /// Linear density of one fibre, in dtex
    #[arg(long, value_name = "NUMBER", requires = "density", help_heading = "Input")]
    dtex: Option<f64>,
    /// Density of the fibre, in g/cm³ (0.97 for gel-spun polyethylene)
    #[arg(long, value_name = "NUMBER", requires = "dtex", help_heading = "Input")]
    density: Option<f64>,
    /// Diameter of the fibre, in µm, when it is known directly
    #[arg(long, value_name = "NUMBER", conflicts_with = "dtex", help_heading = "Input")]
    diameter_um: Option<f64>,
    /// Take the fibre as the scale; diameters measured with it then say nothing about the fibre
    #[arg(long, help_heading = "Method")]
    stand_in: bool,
    #[command(flatten)]
    keep: Keep,
    /// Settings (TOML); see `breakface settings`
    #[arg(short, long, value_name = "FILE", help_heading = "Method")]
    settings: Option<PathBuf>,
}

/// Runs `calibrate fibre`.
pub fn run(args: Args) -> anyhow::Result<Code> {
    let settings = Settings::load_or_default(args.settings.as_deref())?.calibrate.fibre;
    let expected = expected(&args)?;
    let pictures = read_ends(&args.ends)?;
    ensure!(!pictures.is_empty(), "{}: the table has no ends with a diameter", args.ends.display());
    if let Some(d) = expected {
        args.keep.say(&format!("expected fibre diameter: {d:.2} µm"));
    }
    let rows = judge_diameters(&pictures, expected, &settings);
    for row in &rows {
        args.keep.say(&line(row, &settings));
        if args.keep.json {
            tell!("{}", as_json(row));
        }
    }
    let doubtful = rows.iter().filter(|r| !r.doubt.is_empty()).count();
    args.keep.say(&format!("pictures with a doubtful scale: {doubtful} of {}", rows.len()));
    if args.stand_in {
        stand_in(&args, &pictures, expected, &settings)?;
    }
    Ok(Code::Done)
}

fn expected(args: &Args) -> anyhow::Result<Option<f64>> {
    match (args.diameter_um, args.dtex.zip(args.density)) {
        (Some(d), _) => {
            ensure!(d.is_finite() && 0.0 < d, "--diameter-um must be a positive number of µm");
            Ok(Some(d))
        }
        (None, Some((dtex, density))) => {
            Ok(Some(fibre_diameter_um(dtex, density).context("--dtex and --density must be positive numbers")?))
        }
        (None, None) => Ok(None),
    }
}

fn as_json(row: &Plausibility) -> serde_json::Value {
    serde_json::json!({
        "schema": "breakface-calibrate/1", "image": row.image, "n_ends": row.n_ends, "diameter_px": row.diameter_px,
        "diameter_um": row.diameter_um, "doubt": row.doubt,
    })
}

fn line(row: &Plausibility, settings: &FibreSettings) -> String {
    let verdict = match (row.doubt.is_empty(), row.diameter_um) {
        (false, _) => row.doubt.clone(),
        (true, Some(d)) => format!("fibres measure {d:.1} µm: plausible"),
        (true, None) if row.diameter_px.is_none() => {
            format!("not judged: {} measured ends, {} are needed", row.n_ends, settings.min_ends)
        }
        (true, None) => format!("no scale; fibres are {:.1} px across", row.diameter_px.unwrap_or_default()),
    };
    format!("{}: {verdict}", row.image)
}

fn stand_in(
    args: &Args,
    pictures: &[PictureDiameter],
    expected: Option<f64>,
    settings: &FibreSettings,
) -> anyhow::Result<()> {
    let Some(expected) = expected else { bail!("a stand-in scale needs --dtex with --density, or --diameter-um") };
    args.keep.say(&format!(
        "STAND-IN SCALE: no measurement. Every diameter measured with it comes out as {expected:.1} µm on average."
    ));
    let mut scales = Vec::new();
    for picture in pictures {
        if let Some(scale) = stand_in_scale(&picture.diameters_px, expected, settings) {
            let u = 100.0 * scale.relative_u.unwrap_or(0.0);
            let um_per_px = scale.um_per_px();
            args.keep.say(&format!("{}: {um_per_px:.5} µm/px, standard uncertainty {u:.0} % or more", picture.image));
            scales.push(scale);
        }
    }
    match (&scales[..], &args.keep.name) {
        ([], _) => bail!("no picture has enough measured ends"),
        ([one], _) => {
            let u = one.relative_u.map(|r| r * one.um_per_px());
            args.keep.put(one.um_per_px(), u, format!("STAND-IN: fibre of {expected:.1} µm"))
        }
        (_, Some(_)) => bail!("a stand-in scale is kept for one picture at a time: give a table of one picture"),
        _ => Ok(()),
    }
}

/// Diameters by picture, in table order.
fn read_ends(path: &Path) -> anyhow::Result<Vec<PictureDiameter>> {
    let name = path.display().to_string();
    let mut reader = csv::Reader::from_path(path).with_context(|| name.clone())?;
    let header = reader.headers().with_context(|| name.clone())?.clone();
    let column = |wanted: &str| {
        let place = header.iter().position(|h| h == wanted);
        place.with_context(|| format!("{name}: column {wanted} is missing; give the ends.csv of a finished run"))
    };
    let (image, px, um) = (column("image")?, column("shaft_diameter_px")?, column("shaft_diameter_um")?);
    let mut pictures: Vec<PictureDiameter> = Vec::new();
    for record in reader.records() {
        let record = record.with_context(|| name.clone())?;
        let number = |i: usize| record.get(i).and_then(|t| t.parse::<f64>().ok()).filter(|v| v.is_finite() && 0.0 < *v);
        let Some(diameter) = number(px) else { continue };
        let picture = record.get(image).unwrap_or_default();
        let at = pictures.iter().position(|p| p.image == picture).unwrap_or_else(|| {
            pictures.push(PictureDiameter { image: picture.into(), diameters_px: Vec::new(), um_per_px: None });
            pictures.len() - 1
        });
        pictures[at].diameters_px.push(diameter);
        pictures[at].um_per_px = pictures[at].um_per_px.or_else(|| Some(number(um)? / diameter));
    }
    Ok(pictures)
}
