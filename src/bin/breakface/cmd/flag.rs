//! `breakface flag`: what was flagged, worst first.

use crate::exit::Code;
use anyhow::Context;
use breakface::flag::Severity;
use breakface::knot::flagged::{Flagged, flagged};
use breakface::results::Results;
use breakface::table::guard_formula;
use serde_json::json;
use std::io::Write;
use std::path::PathBuf;

/// Arguments of `flag`.
#[derive(Debug, clap::Args)]
#[command(after_help = "Examples:\n  breakface flag results\n  breakface flag results --fail-on-flag --json")]
pub struct Args {
    /// Folder of results
    #[arg(value_name = "RESULTS")]
    results: PathBuf,
    /// Exit with 1 when an alarm, finding or caution was raised
    #[arg(long)]
    fail_on_flag: bool,
    /// One JSON object per line
    #[arg(long, conflicts_with = "csv", help_heading = "Output")]
    json: bool,
    /// A CSV table
    #[arg(long, help_heading = "Output")]
    csv: bool,
    /// Leave out notes
    #[arg(long, help_heading = "Output")]
    no_notes: bool,
    /// Mostly shear: the whole interval lies above this fraction [default: as in the run]
    #[arg(long, value_name = "FRACTION", value_parser = fraction, help_heading = "Thresholds")]
    mostly_shear_above: Option<f64>,
    /// Too few: fewer labelled ends than this [default: as in the run]
    #[arg(long, value_name = "ENDS", help_heading = "Thresholds")]
    fewest_ends: Option<u32>,
    /// Too few: an interval wider than this fraction [default: as in the run]
    #[arg(long, value_name = "FRACTION", value_parser = fraction, help_heading = "Thresholds")]
    widest_interval: Option<f64>,
    /// Too few: fewer specimens of a knot than this [default: as in the run]
    #[arg(long, value_name = "SPECIMENS", help_heading = "Thresholds")]
    fewest_specimens: Option<u32>,
}

fn fraction(text: &str) -> Result<f64, String> {
    let value = text.parse::<f64>().map_err(|_| format!("{text:?} is not a number"))?;
    if (0.0..=1.0).contains(&value) { Ok(value) } else { Err("expected a number from 0 to 1".into()) }
}

/// Runs `flag`.
pub fn run(args: Args) -> anyhow::Result<Code> {
    let results =
        Results::load(&args.results).context("run `breakface classify` first, or name its folder of results")?;
    let mut settings = results.settings().face;
    settings.mostly_shear_above = args.mostly_shear_above.unwrap_or(settings.mostly_shear_above);
    settings.fewest_ends = args.fewest_ends.unwrap_or(settings.fewest_ends);
    settings.widest_verdict = args.widest_interval.unwrap_or(settings.widest_verdict);
    settings.fewest_specimens = args.fewest_specimens.unwrap_or(settings.fewest_specimens);
    let mut found = flagged(&results.specimens, &results.knots, &results.images, &settings);
    found.retain(|f| !args.no_notes || f.severity != Severity::Note);
    if args.json {
        write_json(crate::say::out(), &found)?;
    } else if args.csv {
        write_csv(std::io::stdout().lock(), &found)?;
    } else {
        write_lines(crate::say::out(), &found)?;
    }
    let raised = found.iter().any(|f| f.severity != Severity::Note);
    Ok(if raised && args.fail_on_flag { Code::Flagged } else { Code::Done })
}

fn write_lines(mut out: impl Write, found: &[Flagged]) -> anyhow::Result<()> {
    if found.is_empty() {
        writeln!(out, "nothing flagged")?;
    }
    for f in found {
        writeln!(out, "{:<8} {:<22} {} {}: {}", f.severity.word(), f.flag, f.about.word(), f.subject, f.evidence)?;
    }
    Ok(())
}

fn write_json(mut out: impl Write, found: &[Flagged]) -> anyhow::Result<()> {
    for f in found {
        let object = json!({
            "type": "flag",
            "schema": "breakface-flags/1",
            "severity": f.severity.word(),
            "flag": f.flag,
            "about": f.about.word(),
            "subject": f.subject,
            "sheared_fraction": f.sheared_fraction,
            "sheared_low": f.sheared_low,
            "sheared_high": f.sheared_high,
            "evidence": f.evidence,
        });
        writeln!(out, "{object}")?;
    }
    Ok(())
}

fn write_csv(out: impl Write, found: &[Flagged]) -> anyhow::Result<()> {
    let mut csv = csv::Writer::from_writer(out);
    csv.write_record([
        "severity",
        "flag",
        "about",
        "subject",
        "sheared_fraction",
        "sheared_low",
        "sheared_high",
        "evidence",
    ])?;
    let number = |v: Option<f64>| v.map_or_else(String::new, |v| v.to_string());
    for f in found {
        csv.write_record([
            f.severity.word(),
            &f.flag,
            f.about.word(),
            &guard_formula(&f.subject),
            &number(f.sheared_fraction),
            &number(f.sheared_low),
            &number(f.sheared_high),
            &guard_formula(&f.evidence),
        ])?;
    }
    csv.flush()?;
    Ok(())
}
