//! `breakface evaluate`: saved results against truth or hand labels.

use crate::exit::Code;
use anyhow::bail;
use breakface::labels::read_labels;
use breakface::results::Results;
use breakface::settings::Settings;
use breakface::stats::Z95;
use breakface::stats::proportion::wilson;
use breakface::train::evaluate::{Evaluation, Tally, evaluate, evaluate_labels, median, median_size};
use breakface::train::ground_truth::read_truth;
use breakface::tree::model::Rate;
use serde_json::{Value, json};
use std::io::Write;
use std::path::PathBuf;

/// Arguments of `evaluate`.
#[derive(Debug, clap::Args)]
#[command(after_help = "\
With --truth the detector is judged too; with --labels only the labels of ends that somebody looked at.

Examples:
  breakface evaluate results --truth pictures
  breakface evaluate results --labels results/labels.csv --json")]
pub struct Args {
    /// Folder that a run of `classify` has written
    #[arg(value_name = "RESULTS")]
    results: PathBuf,
    /// Folder of pictures' truth (JSON)
    #[arg(long, value_name = "DIR", conflicts_with = "labels")]
    truth: Option<PathBuf>,
    /// Hand labels
    #[arg(long, value_name = "FILE")]
    labels: Option<PathBuf>,
    /// Parts to show: picture, magnification, scale, specimen, look, view, form
    #[arg(long, value_name = "KINDS", value_delimiter = ',', default_value = "magnification,look,view")]
    by: Vec<String>,
    /// Write JSON instead of a table
    #[arg(long)]
    json: bool,
    /// Settings (TOML); see `breakface settings`
    #[arg(long, value_name = "FILE")]
    settings: Option<PathBuf>,
}

/// Runs `evaluate`.
pub fn run(args: Args) -> anyhow::Result<Code> {
    let settings = match &args.settings {
        Some(path) => Settings::load(path)?,
        None => Settings::default(),
    };
    const KINDS: [&str; 7] = ["picture", "magnification", "scale", "specimen", "look", "view", "form"];
    if let Some(kind) = args.by.iter().find(|k| !KINDS.contains(&k.as_str())) {
        bail!("--by {kind}: expected some of {}", KINDS.join(", "));
    }
    let results = Results::load(&args.results)?;
    let evaluation = match (&args.truth, &args.labels) {
        (Some(folder), _) => evaluate(&results, &read_truth(folder)?, &settings.label),
        (None, Some(file)) => evaluate_labels(&results, &read_labels(file)?, &settings.label),
        (None, None) => bail!("nothing to compare with: give --truth DIR or --labels FILE"),
    };
    if !evaluation.missing.is_empty() {
        eprintln!(
            "{} pictures with truth are not in the results (their ends count as missed), e.g. {}",
            evaluation.missing.len(),
            evaluation.missing[0]
        );
    }
    let mut out = std::io::stdout().lock();
    if args.json {
        serde_json::to_writer_pretty(&mut out, &as_json(&evaluation, &args.by))?;
        writeln!(out)?;
    } else {
        out.write_all(as_text(&evaluation, &args.by).as_bytes())?;
    }
    Ok(Code::Done)
}

fn shown<'a>(evaluation: &'a Evaluation, by: &'a [String]) -> impl Iterator<Item = (String, &'a Tally)> {
    let parts = evaluation.parts.iter().filter(|((kind, _), _)| by.iter().any(|b| b == kind));
    std::iter::once(("all".to_owned(), &evaluation.all))
        .chain(parts.map(|((kind, name), tally)| (format!("{kind}={name}"), tally)))
}

fn number(value: Option<f64>) -> String {
    value.map_or("-".to_owned(), |v| format!("{v:.3}"))
}

fn as_text(evaluation: &Evaluation, by: &[String]) -> String {
    let head = [
        "part",
        "gradable",
        "found",
        "false",
        "recall",
        "precision",
        "f1",
        "verdict",
        "balanced",
        "sensitivity",
        "specificity",
        "kappa",
        "tip_d",
        "axis_deg",
        "diameter",
        "bulb",
        "cut_deg",
        "form",
    ];
    let mut rows = vec![head.map(str::to_owned).to_vec()];
    for (name, t) in shown(evaluation, by) {
        let mut row = vec![name, t.gradable.to_string(), t.found.to_string(), t.false_alarms.to_string()];
        row.extend([t.recall(), t.precision(), t.f1(), t.labels.coverage(), t.labels.balanced_accuracy()].map(number));
        row.extend([rate_text(t.labels.sensitivity()), rate_text(t.labels.specificity())]);
        row.push(number(t.labels.kappa()));
        row.extend(errors(t).map(|(_, v)| number(v)));
        row.push(number(t.form_accuracy()));
        rows.push(row);
    }
    let widths: Vec<usize> =
        (0..head.len()).map(|c| rows.iter().map(|r| r[c].chars().count()).max().unwrap_or(0)).collect();
    let mut text = String::new();
    for row in rows {
        for (c, cell) in row.iter().enumerate() {
            let gap = " ".repeat(widths[c] - cell.chars().count());
            text.push_str(&if c == 0 { format!("{cell}{gap}") } else { format!("  {gap}{cell}") });
        }
        text.push('\n');
    }
    text.push_str("Errors are medians of sizes: tip in diameters, diameter relative. Intervals are Wilson's, 95 %. Form: share of the forms\ntold of rightly labelled ends that the truth confirms.\n");
    text
}

fn rate_text(rate: Rate) -> String {
    match (rate.share(), wilson(rate.right as f64, rate.of as f64, Z95)) {
        (Some(share), Some(i)) => format!("{share:.3} ({:.3}-{:.3})", i.low, i.high),
        _ => "-".to_owned(),
    }
}

fn errors(t: &Tally) -> [(&'static str, Option<f64>); 5] {
    [
        ("tip_err_d", median(t.tip_d.clone())),
        ("axis_err_deg", median(t.axis_deg.clone())),
        ("diameter_err", median_size(&t.diameter)),
        ("bulb_err", median_size(&t.bulb_ratio)),
        ("cut_angle_err_deg", median_size(&t.cut_angle_deg)),
    ]
}

fn as_json(evaluation: &Evaluation, by: &[String]) -> Value {
    let parts: serde_json::Map<String, Value> =
        shown(evaluation, by).map(|(name, tally)| (name, tally_json(tally))).collect();
    json!({ "schema": "breakface-evaluation/1", "missing": evaluation.missing, "parts": parts })
}

fn tally_json(t: &Tally) -> Value {
    let rate = |r: Rate| {
        let interval = wilson(r.right as f64, r.of as f64, Z95);
        json!({ "right": r.right, "of": r.of, "share": r.share(), "low": interval.map(|i| i.low), "high": interval.map(|i| i.high) })
    };
    let c = &t.labels;
    let mut out = json!({
        "pictures": t.pictures, "gradable": t.gradable, "found": t.found, "false_alarms": t.false_alarms,
        "recall": t.recall(), "precision": t.precision(), "f1": t.f1(),
        "labelled": c.coverage(), "balanced_acc": c.balanced_accuracy(), "kappa": c.kappa(),
        "sensitivity": rate(c.sensitivity()), "specificity": rate(c.specificity()),
        "confusion": {
            "sheared": { "sheared": c.sheared_right, "tensile": c.sheared_wrong, "unclear": c.sheared_unclear },
            "tensile": { "sheared": c.tensile_wrong, "tensile": c.tensile_right, "unclear": c.tensile_unclear },
        },
        "diameter_bias": median(t.diameter.clone()), "forms_told": t.forms_told, "forms_right": t.forms_right,
    });
    if let Value::Object(fields) = &mut out {
        fields.extend(errors(t).map(|(name, value)| (name.to_owned(), json!(value))));
    }
    out
}
