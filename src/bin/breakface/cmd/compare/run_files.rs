//! What a comparison of runs writes: tables of the ends, fractions and controls that changed, and a chart of each kind of control.

use anyhow::Context;
use breakface::report::{control_chart_svg, counted};
use breakface::runs::{BeforeAfter, ChangedEnd, ControlsOverTime, RunChanges};
use breakface::table::{format_number, guard_formula, write_atomic};
use std::path::Path;

/// Writes `changed_ends.csv`, `fractions.csv`, `controls.csv` and a chart of each kind of control.
pub(super) fn write_files(folder: &Path, changes: &RunChanges, controls: &[ControlsOverTime]) -> anyhow::Result<()> {
    std::fs::create_dir_all(folder).with_context(|| format!("{}: cannot be made", folder.display()))?;
    write_table(&folder.join("changed_ends.csv"), &ENDS, changes.changed.iter().map(end_cells))?;
    let specimens = changes.specimens.iter().map(|b| fraction_cells("specimen", b));
    let knots = changes.knots.iter().map(|b| fraction_cells("knot", b));
    write_table(&folder.join("fractions.csv"), &FRACTIONS, specimens.chain(knots))?;
    write_table(&folder.join("controls.csv"), &CONTROLS, controls.iter().flat_map(control_cells))?;
    controls.iter().try_for_each(|c| write_chart(folder, c))
}

/// Columns of `changed_ends.csv`.
const ENDS: [&str; 10] = [
    "image",
    "specimen",
    "end_first",
    "end_second",
    "x_px",
    "y_px",
    "label_first",
    "label_second",
    "p_first",
    "p_second",
];

fn end_cells(end: &ChangedEnd) -> Vec<String> {
    vec![
        guard_formula(&end.image),
        guard_formula(&end.specimen),
        end.end_first.to_string(),
        end.end_second.to_string(),
        format_number(end.x_px),
        format_number(end.y_px),
        end.first.into(),
        end.second.into(),
        number(end.p_first),
        number(end.p_second),
    ]
}

/// Columns of `fractions.csv`.
const FRACTIONS: [&str; 9] =
    ["of", "name", "first", "first_low", "first_high", "second", "second_low", "second_high", "change"];

fn fraction_cells(of: &str, both: &BeforeAfter) -> Vec<String> {
    let mut row = vec![of.to_owned(), guard_formula(&both.name)];
    row.extend(both.first.into_iter().chain(both.second).chain([both.change()]).map(number));
    row
}

/// Columns of `controls.csv`.
const CONTROLS: [&str; 12] = [
    "kind",
    "run",
    "specimen",
    "date",
    "wrong",
    "of",
    "fraction",
    "low",
    "high",
    "average",
    "average_limit",
    "outside",
];

fn control_cells(controls: &ControlsOverTime) -> impl Iterator<Item = Vec<String>> {
    controls.specimens.iter().zip(&controls.chart.points).map(|(s, p)| {
        let mut row =
            vec![controls.kind.to_owned(), s.run.to_string(), guard_formula(&s.specimen), guard_formula(&s.date)];
        row.extend([s.wrong.to_string(), s.of.to_string()]);
        row.extend([p.value, p.low, p.high, p.average, p.average_limit].map(format_number));
        row.push(if p.outside { "yes" } else { "no" }.into());
        row
    })
}

fn write_chart(folder: &Path, controls: &ControlsOverTime) -> anyhow::Result<()> {
    let names: Vec<String> = controls.specimens.iter().map(|s| s.specimen.clone()).collect();
    let alt = format!(
        "Control chart of wrong labels of {} controls, {}",
        controls.kind,
        counted(names.len(), "specimen", "specimens")
    );
    let svg = control_chart_svg(&controls.chart, &names, &alt);
    Ok(write_atomic(&folder.join(format!("controls_{}.svg", controls.kind)), svg.as_bytes())?)
}

fn number(value: Option<f64>) -> String {
    value.map(format_number).unwrap_or_default()
}

fn write_table(path: &Path, header: &[&str], rows: impl Iterator<Item = Vec<String>>) -> anyhow::Result<()> {
    let mut writer = csv::WriterBuilder::new().terminator(csv::Terminator::CRLF).from_writer(Vec::new());
    writer.write_record(header)?;
    for row in rows {
        writer.write_record(row)?;
    }
    Ok(write_atomic(path, &writer.into_inner().context("a table could not be put together")?)?)
}
