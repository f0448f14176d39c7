//! `breakface features`: the registry of measurements, as a table.

use crate::exit::Code;
use breakface::measure::FEATURES;
use std::io::Write;

/// Arguments of `features`.
#[derive(Debug, clap::Args)]
pub struct Args {
    /// Write a Markdown table instead of CSV
    #[arg(long)]
    markdown: bool,
}

/// Runs `features`.
pub fn run(args: Args) -> anyhow::Result<Code> {
    list(args.markdown)
}

/// Lists all features.
pub fn list(markdown: bool) -> anyhow::Result<Code> {
    let mut out = std::io::stdout().lock();
    if markdown {
        writeln!(out, "| feature | unit | meaning |\n|---|---|---|")?;
        for feature in FEATURES {
            writeln!(out, "| `{}` | {} | {} |", feature.name, feature.unit, feature.meaning)?;
        }
    } else {
        let mut csv = csv::Writer::from_writer(out);
        csv.write_record(["feature", "unit", "labels", "source", "meaning"])?;
        for feature in FEATURES {
            let labels = if feature.for_label { "yes" } else { "no" };
            csv.write_record([feature.name, feature.unit, labels, feature.source, feature.meaning])?;
        }
        csv.flush()?;
    }
    Ok(Code::Done)
}
