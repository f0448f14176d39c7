//! `breakface features`: the registry of measurements, or the columns of every table.

use crate::exit::Code;
use breakface::measure::FEATURES;
use breakface::table::{CellKind, Column, tables};
use std::io::Write;

/// Arguments of `features`.
#[derive(Debug, clap::Args)]
pub struct Args {
    /// List the columns of every table instead
    #[arg(long)]
    tables: bool,
    /// Write a Markdown table instead of CSV
    #[arg(long)]
    markdown: bool,
}

/// Runs `features`.
pub fn run(args: Args) -> anyhow::Result<Code> {
    let out = std::io::stdout().lock();
    match (args.tables, args.markdown) {
        (false, markdown) => return list(markdown),
        (true, false) => tables_csv(out)?,
        (true, true) => tables_markdown(out)?,
    }
    Ok(Code::Done)
}

/// Lists all features.
pub fn list(markdown: bool) -> anyhow::Result<Code> {
    let out = std::io::stdout().lock();
    if markdown {
        features_markdown(out)?
    } else {
        features_csv(out)?
    }
    Ok(Code::Done)
}

fn features_markdown(mut out: impl Write) -> std::io::Result<()> {
    writeln!(out, "| feature | unit | meaning |\n|---|---|---|")?;
    FEATURES.iter().try_for_each(|f| writeln!(out, "| `{}` | {} | {} |", f.name, f.unit, f.meaning))
}

fn features_csv(out: impl Write) -> anyhow::Result<()> {
    let mut csv = csv::Writer::from_writer(out);
    csv.write_record(["feature", "unit", "labels", "source", "meaning"])?;
    for feature in FEATURES {
        let labels = if feature.for_label { "yes" } else { "no" };
        csv.write_record([feature.name, feature.unit, labels, feature.source, feature.meaning])?;
    }
    Ok(csv.flush()?)
}

fn tables_csv(out: impl Write) -> anyhow::Result<()> {
    let mut csv = csv::Writer::from_writer(out);
    csv.write_record(["table", "column", "unit", "holds", "meaning"])?;
    for (stem, _, columns) in tables() {
        for column in columns {
            csv.write_record([stem, &column.name, column.unit, holds(&column), &column.meaning])?;
        }
    }
    Ok(csv.flush()?)
}

fn tables_markdown(mut out: impl Write) -> std::io::Result<()> {
    for (stem, row, columns) in tables() {
        let (measured, own): (Vec<Column>, Vec<Column>) =
            columns.into_iter().partition(|c| FEATURES.iter().any(|f| f.name == c.name));
        let more =
            if measured.is_empty() { "" } else { " Its measurements are listed by `breakface settings --features`." };
        writeln!(
            out,
            "\n## {stem}.csv\n\nOne row: {row}.{more}\n\n| column | unit | holds | meaning |\n|---|---|---|---|"
        )?;
        for column in own {
            let meaning = column.meaning.replace('|', "\\|");
            writeln!(out, "| `{}` | {} | {} | {meaning} |", column.name, column.unit, holds(&column))?;
        }
    }
    Ok(())
}

/// What the cells of a column hold, in one word.
fn holds(column: &Column) -> &'static str {
    match column.kind {
        CellKind::Text => "text",
        CellKind::Number => "number",
        CellKind::Count => "count",
        CellKind::YesNo => "yes or no",
    }
}
