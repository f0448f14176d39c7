//! `breakface calibrate bar`.

use super::common::{Keep, read, short};
use crate::exit::Code;
use anyhow::{bail, ensure};
use breakface::calibrate::find_scale_bar;
use breakface::settings::Settings;
use std::path::PathBuf;

/// Arguments of `calibrate bar`.
#[derive(Debug, clap::Args)]
pub struct Args {
    /// Picture with a burnt-in scale bar
    #[arg(value_name = "PICTURE", help_heading = "Input")]
    picture: PathBuf,
    /// Length that the bar stands for, in µm; captions are not read
    #[arg(long, value_name = "NUMBER", help_heading = "Input")]
    bar_um: f64,
    #[command(flatten)]
    keep: Keep,
    /// Settings (TOML); see `breakface settings`
    #[arg(short, long, value_name = "FILE", help_heading = "Method")]
    settings: Option<PathBuf>,
}

/// Runs `calibrate bar`.
pub fn run(args: Args) -> anyhow::Result<Code> {
    ensure!(args.bar_um.is_finite() && 0.0 < args.bar_um, "--bar-um must be a positive number of µm");
    let settings = Settings::load_or_default(args.settings.as_deref())?;
    let micrograph = read(&args.picture, &settings)?;
    let Some(bar) = find_scale_bar(&micrograph, &settings.read.burnt_in.bar) else {
        bail!(
            "{}: no scale bar is seen; give the scale as um_per_px in the series table instead",
            args.picture.display()
        );
    };
    let Some(scale) = bar.scale(args.bar_um) else { bail!("{}: the bar has no length", args.picture.display()) };
    let relative = scale.relative_u.unwrap_or(0.0);
    args.keep.say(&format!(
        "{}: {}scale bar {} at x {} to {}, y {} to {}: {:.1} px ± {:.1} px for {} µm",
        short(&args.picture),
        if bar.upright { "upright " } else { "" },
        if bar.ticks { "with end ticks" } else { "without ticks" },
        bar.area.x0,
        bar.area.x1 - 1,
        bar.area.y0,
        bar.area.y1 - 1,
        bar.length_px,
        bar.length_u_px,
        args.bar_um
    ));
    let (um_per_px, percent) = (scale.um_per_px(), 100.0 * relative);
    args.keep.say(&format!("scale: {um_per_px:.6} µm/px, standard uncertainty {percent:.2} %"));
    let source = format!("scale bar of {} µm in {}", args.bar_um, short(&args.picture));
    args.keep.put(scale.um_per_px(), Some(scale.um_per_px() * relative), source)?;
    Ok(Code::Done)
}
