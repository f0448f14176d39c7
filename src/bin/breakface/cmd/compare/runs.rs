//! `breakface compare A B`: two or more runs on the same pictures, and their controls over time.

use super::columns::write_columns;
use super::run_files::write_files;
use anyhow::{Context, bail};
use breakface::pipeline::BEFORE_REVIEW;
use breakface::report::counted;
use breakface::results::Results;
use breakface::runs::{BeforeAfter, ControlsOverTime, RunChanges, compare_runs, controls_over_time};
use breakface::table::{SpecimenRow, read_csv};
use serde_json::json;
use std::io::Write;
use std::path::{Path, PathBuf};

/// Ends that are listed one by one; all of them are in the table and the JSON.
const MOST_ENDS: usize = 20;

/// Compares the first run with the last, and tells the controls of all.
pub fn run(folders: &[PathBuf], as_json: bool, out: Option<&Path>) -> anyhow::Result<()> {
    each_once(folders)?;
    let load =
        |folder: &PathBuf| Results::load(folder).with_context(|| "name folders of results of `breakface classify`");
    let runs = folders.iter().map(load).collect::<anyhow::Result<Vec<Results>>>()?;
    let (Some(first), Some(last)) = (runs.first(), runs.last()) else { return Ok(()) };
    let settings = first.settings().label;
    let changes = compare_runs(first, last, &settings);
    let specimens = runs.iter().map(by_the_model).collect::<anyhow::Result<Vec<_>>>()?;
    let controls = controls_over_time(&runs.iter().collect::<Vec<_>>(), &specimens);
    if let Some(folder) = out {
        write_files(folder, &changes, &controls)?;
    }
    let names = [&folders[0], &folders[folders.len() - 1]].map(|f| f.display().to_string());
    let mut to = crate::say::out();
    match as_json {
        true => write_json(&mut to, &names, &changes, &controls)?,
        false => write_text(&mut to, &names, &changes, &controls)?,
    }
    Ok(())
}

/// A run named twice would count its controls twice in the chart, as if they had been looked at again.
fn each_once(folders: &[PathBuf]) -> anyhow::Result<()> {
    let mut seen: Vec<(PathBuf, &PathBuf)> = Vec::new();
    for folder in folders {
        // A folder that is not there is said when it is read.
        let Ok(place) = folder.canonicalize() else { continue };
        if let Some((_, before)) = seen.iter().find(|(other, _)| *other == place) {
            bail!("{} and {} are one folder; name each run once", before.display(), folder.display());
        }
        seen.push((place, folder));
    }
    Ok(())
}

/// Specimens as the model labelled them: hand labels would hide what the model does.
fn by_the_model(results: &Results) -> anyhow::Result<Vec<SpecimenRow>> {
    let before = results.folder.join(BEFORE_REVIEW).join("specimens.csv");
    Ok(if before.is_file() { read_csv(&before)? } else { results.specimens.clone() })
}

fn percent(v: Option<f64>) -> String {
    v.map_or_else(|| "-".into(), |v| format!("{:.0}", 100.0 * v))
}

fn fraction([value, low, high]: [Option<f64>; 3]) -> String {
    match (value, low, high) {
        (Some(_), Some(_), Some(_)) => format!("{} ({} to {})", percent(value), percent(low), percent(high)),
        _ => percent(value),
    }
}

fn write_text(
    mut out: impl Write,
    [first, second]: &[String; 2],
    changes: &RunChanges,
    controls: &[ControlsOverTime],
) -> anyhow::Result<()> {
    writeln!(
        out,
        "{} in both; {} found in both, {} only in {first}, {} only in {second}",
        counted(changes.pictures, "picture", "pictures"),
        counted(changes.matched, "end", "ends"),
        changes.lost,
        changes.new
    )?;
    for (what, names) in [
        (format!("only in {first}"), &changes.only_first),
        (format!("only in {second}"), &changes.only_second),
        ("of one name but other content, not compared".into(), &changes.other_content),
    ] {
        if let Some(name) = names.first() {
            writeln!(out, "{} {what}, e.g. {name}", counted(names.len(), "picture", "pictures"))?;
        }
    }
    if let Some((name, was, is)) = changes.other_scale.first() {
        let scale = |v: &Option<f64>| v.map_or_else(|| "no scale".into(), |v| format!("{v} µm/px"));
        writeln!(
            out,
            "{} another scale, e.g. {name}: {}, then {}; find out which is right before you compare",
            counted(changes.other_scale.len(), "picture has", "pictures have"),
            scale(was),
            scale(is)
        )?;
    }
    writeln!(out, "\n{} another label", counted(changes.changed.len(), "end has", "ends have"))?;
    let words = ["sheared", "tensile", "unclear"];
    let mut rows = vec![std::iter::once("was, is now".to_owned()).chain(words.map(str::to_owned)).collect::<Vec<_>>()];
    for (word, counts) in words.iter().zip(changes.labels) {
        rows.push(std::iter::once((*word).to_owned()).chain(counts.map(|n| n.to_string())).collect());
    }
    write_columns(&mut out, &rows)?;
    let p = |v: Option<f64>| v.map_or_else(|| "-".into(), |v| format!("{v:.2}"));
    for end in changes.changed.iter().take(MOST_ENDS) {
        let (from, to) = (p(end.p_first), p(end.p_second));
        writeln!(
            out,
            "  {}#{}  {} to {}  (p sheared {from} to {to})",
            end.image, end.end_first, end.first, end.second
        )?;
    }
    if changes.changed.len() > MOST_ENDS {
        writeln!(out, "  ... and {} more; --out DIR writes them all", changes.changed.len() - MOST_ENDS)?;
    }
    for (what, list) in [("specimen", &changes.specimens), ("knot", &changes.knots)] {
        if list.is_empty() {
            continue;
        }
        writeln!(out, "\nSheared, %")?;
        let mut rows = vec![[what, "before", "after", "change"].map(str::to_owned).to_vec()];
        rows.extend(list.iter().map(change_cells));
        write_columns(&mut out, &rows)?;
    }
    controls.iter().try_for_each(|c| write_controls(&mut out, c))
}

fn change_cells(both: &BeforeAfter) -> Vec<String> {
    let change = both.change().map_or_else(|| "-".into(), |c| format!("{:+.0}", 100.0 * c));
    vec![both.name.clone(), fraction(both.first), fraction(both.second), change]
}

/// What may be wrong with the order of a chart.
fn doubts(controls: &ControlsOverTime) -> Vec<String> {
    let mut doubts = Vec::new();
    if let Some(strange) = controls.specimens.iter().find(|s| !s.date.is_empty() && s.day().is_none()) {
        doubts.push(format!("The date {:?} of {} is not of the form 2026-05-04.", strange.date, strange.specimen));
    }
    let oldest =
        |first: bool| controls.specimens.iter().filter(|s| (s.run == 1) == first).filter_map(|s| s.day()).min();
    if let (Some(first), Some(later)) = (oldest(true), oldest(false))
        && later < first
    {
        doubts.push(format!("Controls of {later} are older than the first run ({first}); name the oldest run first."));
    }
    doubts
}

fn write_controls(mut out: impl Write, controls: &ControlsOverTime) -> anyhow::Result<()> {
    let chart = &controls.chart;
    writeln!(
        out,
        "\nControls ({}), wrong labels in the order of their {}; the first run sets the centre, {:.1} %",
        controls.kind,
        if controls.by_date { "dates" } else { "runs as named" },
        100.0 * chart.centre
    )?;
    for doubt in doubts(controls) {
        writeln!(out, "{doubt}")?;
    }
    let mut rows = vec![["run", "specimen", "date", "wrong", "limits %", "drift", ""].map(str::to_owned).to_vec()];
    for (specimen, point) in controls.specimens.iter().zip(&chart.points) {
        rows.push(vec![
            specimen.run.to_string(),
            specimen.specimen.clone(),
            if specimen.date.is_empty() { "-".into() } else { specimen.date.clone() },
            format!("{} of {} ({:.1} %)", specimen.wrong, specimen.of, 100.0 * point.value),
            format!("{:.1} to {:.1}", 100.0 * point.low, 100.0 * point.high),
            format!("{:+.1} of {:.1}", point.average, point.average_limit),
            if point.outside { "OUTSIDE".into() } else { String::new() },
        ]);
    }
    write_columns(&mut out, &rows)?;
    let outside = chart.points.iter().filter(|p| p.outside).count();
    match outside {
        0 => writeln!(out, "All within the limits: no sign that labelling has drifted.")?,
        n => writeln!(
            out,
            "{} outside: look at light, focus and scale of these pictures before believing the others of that day.",
            counted(n, "control lies", "controls lie")
        )?,
    }
    Ok(())
}

fn write_json(
    mut out: impl Write,
    [first, second]: &[String; 2],
    changes: &RunChanges,
    controls: &[ControlsOverTime],
) -> anyhow::Result<()> {
    let value = json!({
        "schema": "breakface-compare-runs/1", "first": first, "second": second, "changes": changes, "controls": controls,
    });
    serde_json::to_writer_pretty(&mut out, &value)?;
    Ok(writeln!(out)?)
}
