//! `breakface series`: a series table to fill in, with one row for every picture of a folder.

use crate::exit::Code;
use crate::specimen_from::{self, Pattern};
use anyhow::{Context, ensure};
use breakface::files::folder_of;
use breakface::pipeline;
use breakface::report::counted;
use breakface::series::Kind;
use breakface::table::{guard_formula, write_atomic};
use std::path::PathBuf;

/// Arguments of `series`.
#[derive(Debug, clap::Args)]
#[command(after_help = "\
Open the table in a spreadsheet, fill in what is known (kind, knot, line, load), save it as CSV, and give it to
`breakface classify`. Only image and specimen are needed; empty cells stay empty.

Examples:
  breakface series pictures
  breakface series pictures --specimen-from '{specimen}_{*}' --um-per-px 0.48")]
pub struct Args {
    /// Folder of pictures (searched with its subfolders)
    #[arg(value_name = "FOLDER", help_heading = "Input")]
    folder: PathBuf,
    #[arg(long, value_name = "PATTERN", help = specimen_from::HELP, help_heading = "Input")]
    specimen_from: Option<Pattern>,
    /// Scale to write into every row, in micrometres per pixel
    #[arg(long, value_name = "NUMBER", help_heading = "Input")]
    um_per_px: Option<f64>,
    /// Table to write [default: series.csv in FOLDER]; it must lie in FOLDER, because pictures are found from there
    #[arg(short, long, value_name = "FILE", help_heading = "Output")]
    out: Option<PathBuf>,
    /// Replace a table that is there
    #[arg(short, long, help_heading = "Output")]
    force: bool,
}

const COLUMNS: [&str; 12] = [
    "image",
    "specimen",
    "kind",
    "knot",
    "line",
    "side",
    "site",
    "um_per_px",
    "carriers",
    "peak_load_n",
    "count",
    "note",
];

/// Runs `series`.
pub fn run(args: Args) -> anyhow::Result<Code> {
    ensure!(args.folder.is_dir(), "{}: is no folder", args.folder.display());
    if let Some(scale) = args.um_per_px {
        ensure!(scale.is_finite() && 0.0 < scale, "--um-per-px: expected a number above 0, found {scale}");
    }
    let out = args.out.clone().unwrap_or_else(|| args.folder.join("series.csv"));
    let beside = super::classify::same_folder(folder_of(&out), &args.folder);
    ensure!(beside, "--out {}: the table must lie in {}", out.display(), args.folder.display());
    ensure!(args.force || !out.exists(), "{}: is there already; add --force to replace it", out.display());
    let mut jobs = pipeline::pictures_in(&args.folder, &out);
    ensure!(!jobs.is_empty(), "{}: no pictures there (PNG, JPEG, TIFF, BMP or WebP)", args.folder.display());
    let notes = args.specimen_from.as_ref().map(|pattern| pattern.apply(&mut jobs)).unwrap_or_default();
    let mut writer = csv::WriterBuilder::new().terminator(csv::Terminator::CRLF).from_writer(Vec::new());
    writer.write_record(COLUMNS)?;
    let scale = args.um_per_px.map(|s| s.to_string()).unwrap_or_default();
    for job in &jobs {
        let row = &job.series;
        let text = |t: &Option<String>| guard_formula(t.as_deref().unwrap_or_default());
        writer.write_record([
            guard_formula(&row.image),
            guard_formula(&row.specimen),
            row.kind.map(Kind::word).unwrap_or_default().into(),
            text(&row.knot),
            text(&row.line),
            text(&row.side),
            text(&row.site),
            scale.clone(),
            String::new(),
            String::new(),
            "yes".into(),
            String::new(),
        ])?;
    }
    write_atomic(&out, &writer.into_inner().context("the table could not be put together")?)?;
    let mut specimens: Vec<&str> = jobs.iter().map(|j| j.series.specimen.as_str()).collect();
    specimens.sort_unstable();
    specimens.dedup();
    for note in notes {
        note!("note: {note}");
    }
    tell!(
        "{}: {} of {}; fill in kind (cut, pull, knot), knot, line and peak_load_n, then:\n  breakface classify {0} --out results",
        out.display(),
        counted(jobs.len(), "picture", "pictures"),
        counted(specimens.len(), "specimen", "specimens"),
    );
    Ok(Code::Done)
}
