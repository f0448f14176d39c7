//! `breakface calibrate ruling`.

use super::common::{Keep, read, short};
use crate::exit::Code;
use anyhow::{Context, bail, ensure};
use breakface::calibrate::{DirectedPitch, RulingFit, anisotropy, fit_rulings, residual_plot};
use breakface::settings::Settings;
use breakface::table::write_atomic;
use std::path::PathBuf;

/// Arguments of `calibrate ruling`.
#[derive(Debug, clap::Args)]
pub struct Args {
    /// Pictures of the ruling, taken with one objective; two directions or a grid give x and y
    #[arg(required = true, value_name = "PICTURE", help_heading = "Input")]
    pictures: Vec<PathBuf>,
    /// Distance from line to line, in µm
    #[arg(long, value_name = "NUMBER", help_heading = "Input")]
    pitch_um: f64,
    /// Standard uncertainty of that distance by the certificate, in µm
    #[arg(long, value_name = "NUMBER", default_value_t = 0.0, help_heading = "Input")]
    pitch_u_um: f64,
    #[command(flatten)]
    keep: Keep,
    /// Folder for the residual plots (SVG)
    #[arg(long, value_name = "DIR", help_heading = "Output")]
    out: Option<PathBuf>,
    /// Settings (TOML); see `breakface settings`
    #[arg(short, long, value_name = "FILE", help_heading = "Method")]
    settings: Option<PathBuf>,
}

/// A fit with the picture it comes from.
struct Fitted {
    name: String,
    fit: RulingFit,
}

/// Runs `calibrate ruling`.
pub fn run(args: Args) -> anyhow::Result<Code> {
    ensure!(args.pitch_um.is_finite() && 0.0 < args.pitch_um, "--pitch-um must be a positive number of µm");
    ensure!(args.pitch_u_um.is_finite() && 0.0 <= args.pitch_u_um, "--pitch-u-um must not be negative");
    let settings = Settings::load_or_default(args.settings.as_deref())?;
    let mut fitted = Vec::new();
    let mut refused = 0;
    for path in &args.pictures {
        match fit_picture(path, &settings) {
            Ok(fits) => fitted.extend(fits),
            Err(e) => {
                note!("breakface: {e:#}");
                refused += 1;
            }
        }
    }
    if fitted.is_empty() {
        bail!("no picture gave a scale");
    }
    for f in &fitted {
        args.keep.say(&line(f, &args));
    }
    if let Some(folder) = &args.out {
        write_plots(&fitted, folder, &args)?;
    }
    let (scale, u) = combine(&fitted, &args);
    let percent = 100.0 * u / scale;
    args.keep.say(&format!("scale: {scale:.6} µm/px, standard uncertainty {u:.2e} µm/px ({percent:.3} %)"));
    args.keep.say(&shape(&fitted, &args, &settings));
    let n_lines: usize = fitted.iter().map(|f| f.fit.lines.len()).sum();
    args.keep.put(scale, Some(u), format!("ruling of {} µm, {n_lines} lines", args.pitch_um))?;
    Ok(if refused == 0 { Code::Done } else { Code::Unread })
}

fn fit_picture(path: &std::path::Path, settings: &Settings) -> anyhow::Result<Vec<Fitted>> {
    let micrograph = read(path, settings)?;
    // Captions are searched for by contrast, and rulings look like them; the fit drops stray lines by itself.
    let fits =
        fit_rulings(&micrograph.grey, &[], &settings.calibrate.ruling).with_context(|| path.display().to_string())?;
    Ok(fits.into_iter().map(|fit| Fitted { name: short(path), fit }).collect())
}

fn line(fitted: &Fitted, args: &Args) -> String {
    let fit = &fitted.fit;
    let (scale, u) = fit.um_per_px(args.pitch_um, args.pitch_u_um);
    let standing = match fit.normal_deg {
        d if !(1.0..=179.0).contains(&d) => "upright lines".to_owned(),
        d if (d - 90.0).abs() < 1.0 => "level lines".to_owned(),
        d => format!("lines turned by {:.1}° from upright", if 90.0 < d { d - 180.0 } else { d }),
    };
    format!(
        "{}: {} {} {standing}{}, pitch {:.4} px ± {:.4} px, lines {:.3} px RMS off their places: {scale:.6} µm/px ± {:.3} %",
        fitted.name,
        fit.lines.len(),
        if fit.dark { "dark" } else { "bright" },
        if fit.long_and_short { " (long and short)" } else { "" },
        fit.pitch_px,
        fit.pitch_u_px,
        fit.rms_px,
        100.0 * u / scale
    )
}

/// One scale from all fits, weighted by their own scatter; the certificate's uncertainty is common to all.
fn combine(fitted: &[Fitted], args: &Args) -> (f64, f64) {
    let weights: Vec<f64> = fitted.iter().map(|f| (f.fit.pitch_u_px / f.fit.pitch_px).max(1e-7).powi(-2)).collect();
    let total: f64 = weights.iter().sum();
    let scale = fitted.iter().zip(&weights).map(|(f, w)| w * args.pitch_um / f.fit.pitch_px).sum::<f64>() / total;
    // Pictures that differ by more than their own scatter widen the uncertainty (Birge 1932).
    let n = fitted.len() as f64;
    let off: f64 =
        fitted.iter().zip(&weights).map(|(f, w)| w * (args.pitch_um / f.fit.pitch_px / scale - 1.0).powi(2)).sum();
    let birge = if 1.0 < n { (off / (n - 1.0)).sqrt().max(1.0) } else { 1.0 };
    (scale, scale * (birge / total.sqrt()).hypot(args.pitch_u_um / args.pitch_um))
}

/// What can be said about x against y.
fn shape(fitted: &[Fitted], args: &Args, settings: &Settings) -> String {
    let pitches: Vec<DirectedPitch> = fitted
        .iter()
        .map(|f| DirectedPitch {
            normal_deg: f.fit.normal_deg,
            pitch_px: f.fit.pitch_px,
            pitch_u_px: f.fit.pitch_u_px,
            pitch_um: args.pitch_um,
        })
        .collect();
    match anisotropy(&pitches, &settings.calibrate.ruling) {
        Some(a) => format!(
            "x against y: {:.6} and {:.6} µm/px, ratio {:.5} ± {:.5}",
            a.um_per_px_x, a.um_per_px_y, a.ratio, a.ratio_u
        ),
        None => {
            "x against y: cannot be told from one direction; add a picture with the ruling turned by about 90°".into()
        }
    }
}

fn write_plots(fitted: &[Fitted], folder: &std::path::Path, args: &Args) -> anyhow::Result<()> {
    std::fs::create_dir_all(folder).with_context(|| folder.display().to_string())?;
    for (i, f) in fitted.iter().enumerate() {
        let stem = std::path::Path::new(&f.name).file_stem().unwrap_or_default().to_string_lossy().into_owned();
        let path = folder.join(format!("{stem}-{}.svg", i + 1));
        let title = format!("{}: pitch {:.4} px, {} lines", f.name, f.fit.pitch_px, f.fit.lines.len());
        write_atomic(&path, residual_plot(&f.fit, &title).as_bytes())?;
        args.keep.say(&format!("residual plot: {}", path.display()));
    }
    Ok(())
}
