//! `breakface stack`: a focus series in, one sharp picture with height and confidence out.

use crate::exit::Code;
use anyhow::{Context, ensure};
use breakface::settings::Settings;
use breakface::stack::{StackResult, frames_of_folder, merge_files};
use indicatif::ProgressBar;
use std::io::IsTerminal;
use std::path::{Path, PathBuf};

/// Arguments of `stack`.
#[derive(Debug, clap::Args)]
#[command(after_help = "\
Examples:
  breakface stack TC-P07-A_site1/ --out TC-P07-A_site1_merged --z-step-um 5
  breakface stack f1.png f2.png f3.png --out merged")]
pub struct Args {
    /// A folder of frames (taken in order of the numbers in their names), or the frames in order of height
    #[arg(required = true, value_name = "FRAMES", help_heading = "Input")]
    frames: Vec<PathBuf>,
    /// Height between neighbouring frames, in µm
    #[arg(long, value_name = "NUMBER", help_heading = "Input")]
    z_step_um: Option<f64>,

    /// Folder for merged.png, height.png, height.json and confidence.png
    #[arg(short, long, value_name = "DIR", help_heading = "Output")]
    out: PathBuf,
    /// Write into a folder that holds an earlier result
    #[arg(short, long, help_heading = "Output")]
    force: bool,
    /// Say nothing but errors
    #[arg(short, long, help_heading = "Output")]
    quiet: bool,

    /// Settings (TOML); see `breakface settings`
    #[arg(long, value_name = "FILE", help_heading = "Method")]
    settings: Option<PathBuf>,
}

/// Runs `stack`.
pub fn run(args: Args) -> anyhow::Result<Code> {
    if let Some(z) = args.z_step_um {
        ensure!(z.is_finite() && 0.0 < z, "--z-step-um must be a positive number of µm");
    }
    let taken = args.out.join("merged.png");
    ensure!(
        args.force || !taken.exists(),
        "{} is there already: choose another folder, or pass --force",
        taken.display()
    );
    let settings = Settings::load_or_default(args.settings.as_deref())?;
    let (place, files) = match &args.frames[..] {
        [folder] if folder.is_dir() => (folder.display().to_string(), frames_of_folder(folder)?),
        files => (files[0].display().to_string(), files.to_vec()),
    };
    let shows = !args.quiet && std::io::stderr().is_terminal();
    let bar = if shows { ProgressBar::new(files.len() as u64) } else { ProgressBar::hidden() };
    let result = merge_files(&place, &files, &settings.stack, &settings.read, &mut |_, _| bar.inc(1));
    bar.finish_and_clear();
    let result = result?;
    std::fs::create_dir_all(&args.out).with_context(|| args.out.display().to_string())?;
    result.write(&args.out, args.z_step_um)?;
    if !args.quiet {
        tell(&result, &args.out);
    }
    let any_unread = result.frames.iter().any(|f| !f.left_out.is_empty());
    Ok(if any_unread { Code::Unread } else { Code::Done })
}

fn tell(result: &StackResult, out: &Path) {
    let used = result.frames.iter().filter(|f| f.left_out.is_empty()).count();
    tell!(
        "{used} of {} frames merged, {} x {} px, {}-bit",
        result.frames.len(),
        result.merged.width(),
        result.merged.height(),
        8 * u16::from(result.merged.color().bytes_per_pixel()) / u16::from(result.merged.color().channel_count())
    );
    let (width, height) = (f64::from(result.merged.width()), f64::from(result.merged.height()));
    let drift = result.frames.iter().map(|f| f.moved.dx.hypot(f.moved.dy)).fold(0.0, f64::max);
    let growth = result.frames.iter().map(|f| f.moved.grow.abs()).fold(0.0, f64::max);
    let edge = growth * width.hypot(height) / 2.0;
    tell!(
        "largest shift between frames and the first one: {drift:.2} px; by magnification at the corners: {edge:.2} px"
    );
    for warning in &result.micrograph.warnings {
        note!("warning: {}", warning.text);
    }
    tell!("Pictures in {0}/merged.png, height.png, confidence.png; their meaning in {0}/height.json", out.display());
}
