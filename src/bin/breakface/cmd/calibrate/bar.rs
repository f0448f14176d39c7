//! `breakface calibrate bar`.

use super::common::{Keep, read, short};
use crate::exit::Code;
use anyhow::{anyhow, bail, ensure};
use breakface::calibrate::{NoBar, ScaleBar, TakenFor, choose_scale_bar, scale_bar_at};
use breakface::settings::Settings;
use breakface::units::Point;
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
    /// A place on the bar, in px from the left and from the top, when the picture shows several strokes like it
    #[arg(long, value_name = "X,Y", value_parser = parse_place, help_heading = "Input")]
    at: Option<Point>,
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
    let bars = &settings.read.burnt_in.bar;
    let found = match args.at {
        Some(at) => scale_bar_at(&micrograph, at, bars),
        None => choose_scale_bar(&micrograph, bars),
    };
    let (bar, taken_for) = found.map_err(|e| anyhow!("{}: {e}; {}", args.picture.display(), way_out(&e)))?;
    let Some(scale) = bar.scale(args.bar_um) else { bail!("{}: the bar has no length", args.picture.display()) };
    let relative = scale.relative_u.unwrap_or(0.0);
    args.keep.say(&line(&bar, taken_for, &args));
    let (um_per_px, percent) = (scale.um_per_px(), 100.0 * relative);
    args.keep.say(&format!("scale: {um_per_px:.6} µm/px, standard uncertainty {percent:.2} %"));
    let source = format!("scale bar of {} µm in {}", args.bar_um, short(&args.picture));
    args.keep.put(scale.um_per_px(), Some(scale.um_per_px() * relative), source)?;
    Ok(Code::Done)
}

/// What to do when no bar is taken.
fn way_out(reason: &NoBar) -> &'static str {
    match reason {
        NoBar::Missing => "give the scale as um_per_px in the series table instead",
        NoBar::Doubtful(_) => {
            "look at the picture and say which it is with --at X,Y; when none is, give the scale as um_per_px in the series table"
        }
        _ => "give a place on the bar itself, or the scale as um_per_px in the series table",
    }
}

fn line(bar: &ScaleBar, taken_for: TakenFor, args: &Args) -> String {
    let why = match taken_for {
        TakenFor::ItsCaption(n) => format!(" (of {n} strokes the one with a length written beside it)"),
        _ => String::new(),
    };
    format!(
        "{}: {}scale bar {} at x {} to {}, y {} to {}{why}: {:.1} px ± {:.1} px for {} µm",
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
    )
}

/// A place as two numbers of px.
fn parse_place(text: &str) -> Result<Point, String> {
    let number = |t: &str| t.trim().parse::<f64>().ok().filter(|v| v.is_finite());
    let place = text.split_once(',').and_then(|(x, y)| Some(Point::new(number(x)?, number(y)?)));
    place.ok_or_else(|| "expected px from the left and from the top, such as 640,950".into())
}
