//! `breakface evaluate`: saved results against truth or hand labels.

use crate::exit::Code;
use anyhow::bail;
use breakface::labels::{LabelRow, by_labeller, read_labels};
use breakface::pipeline::model_ends;
use breakface::report::counted;
use breakface::results::Results;
use breakface::settings::Settings;
use breakface::stats::Z95;
use breakface::stats::proportion::wilson;
use breakface::table::EndRow;
use breakface::train::confusion::Confusion;
use breakface::train::evaluate::{Evaluation, Tally, evaluate, evaluate_labels, median, median_size};
use breakface::train::gather::{from_labels, from_truth};
use breakface::train::ground_truth::read_truth;
use breakface::train::{Options, TrainingTable, train};
use breakface::tree::Model;
use breakface::tree::model::Rate;
use serde_json::{Value, json};
use std::io::Write;
use std::path::{Path, PathBuf};

/// Arguments of `evaluate`.
#[derive(Debug, clap::Args)]
#[command(after_help = "\
With --truth the detector is judged too; with --labels only the labels of ends that somebody looked at.

Examples:
  breakface evaluate results --truth pictures
  breakface evaluate results --labels results/labels.csv --json
  breakface evaluate results --labels results/labels.csv --model ours.json
  breakface evaluate results --labels results/labels.csv --cross-validate")]
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
    /// Use the labels of one labeller only, instead of what labellers and adjudicators have decided together
    #[arg(short, long, value_name = "NAME", requires = "labels")]
    labeller: Option<String>,
    /// Label the ends anew with this model, from their saved features
    #[arg(short, long, value_name = "FILE", conflicts_with = "cross_validate")]
    model: Option<PathBuf>,
    /// Judge a model trained from these labels or this truth, on specimens that it has not seen
    #[arg(long)]
    cross_validate: bool,
    /// Parts to show: picture, magnification, scale, specimen, look, view, form
    #[arg(long, value_name = "KINDS", value_delimiter = ',', default_value = "magnification,look,view")]
    by: Vec<String>,
    /// Write JSON instead of a table
    #[arg(long)]
    json: bool,
    /// Settings (TOML); see `breakface settings`
    #[arg(short, long, value_name = "FILE")]
    settings: Option<PathBuf>,
}

/// Runs `evaluate`.
pub fn run(args: Args) -> anyhow::Result<Code> {
    let settings = Settings::load_or_default(args.settings.as_deref())?;
    const KINDS: [&str; 7] = ["picture", "magnification", "scale", "specimen", "look", "view", "form"];
    if let Some(kind) = args.by.iter().find(|k| !KINDS.contains(&k.as_str())) {
        bail!("--by {kind}: expected some of {}", KINDS.join(", "));
    }
    let mut results = Results::load(&args.results)?;
    // Hand labels in place are no answer of the model.
    results.ends = model_ends(&results)?;
    if let Some(path) = &args.model {
        relabel(&mut results.ends, &super::classify::model(Some(path))?);
    }
    if args.cross_validate {
        return cross_validate(&args, &results, &settings);
    }
    let evaluation = match (&args.truth, &args.labels) {
        (Some(folder), _) => evaluate(&results, &read_truth(folder)?, &settings.label),
        (None, Some(file)) => evaluate_labels(&results, &labels(file, &args)?, &settings.label),
        (None, None) => bail!("nothing to compare with: give --truth DIR or --labels FILE"),
    };
    if !evaluation.missing.is_empty() {
        note!(
            "warning: {} not in the results (their ends count as missed), e.g. {}",
            counted(evaluation.missing.len(), "picture with truth is", "pictures with truth are"),
            evaluation.missing[0]
        );
    }
    let mut out = crate::say::out();
    if args.json {
        serde_json::to_writer_pretty(&mut out, &as_json(&evaluation, &args.by))?;
        writeln!(out)?;
    } else {
        out.write_all(as_text(&evaluation, &args.by).as_bytes())?;
    }
    Ok(Code::Done)
}

fn labels(file: &Path, args: &Args) -> anyhow::Result<Vec<LabelRow>> {
    Ok(by_labeller(read_labels(file)?, args.labeller.as_deref()))
}

/// The label that a model gives to each end, from what was measured; ends that the picture did not allow stay unclear.
fn relabel(ends: &mut [EndRow], model: &Model) {
    for end in ends {
        let verdict = model.predict(&end.features, &super::explain::not_gradable(end));
        (end.label, end.p_sheared) = (verdict.label, verdict.p_sheared);
    }
}

/// Trains from the labels with specimens left out in turns, and tells the figures on those.
fn cross_validate(args: &Args, results: &Results, settings: &Settings) -> anyhow::Result<Code> {
    let gathered = match (&args.truth, &args.labels) {
        (Some(folder), _) => from_truth(results, &read_truth(folder)?, &settings.label, 1.0),
        (None, Some(file)) => from_labels(results, &labels(file, args)?, &settings.label, 1.0),
        (None, None) => bail!("nothing to learn from: give --truth DIR or --labels FILE"),
    };
    let table = TrainingTable::new(gathered.rows);
    let trained = train(&table, &settings.label, &Options { name: "cross-validated".into(), ..Options::default() })?;
    let mut out = crate::say::out();
    if args.json {
        let groups: serde_json::Map<String, Value> =
            trained.by_group.iter().map(|g| (g.name.clone(), confusion_json(&g.confusion))).collect();
        let value = json!({
            "schema": "breakface-cross-validation/1", "left_out": gathered.n_unmatched,
            "all": confusion_json(&trained.confusion), "specimens": groups, "warnings": trained.warnings,
        });
        writeln!(out, "{}", serde_json::to_string_pretty(&value)?)?;
    } else {
        let c = &trained.confusion;
        writeln!(out, "{} labelled ends, each judged by a model that has not seen its specimen:", c.n())?;
        writeln!(out, "sheared called sheared  {}", rate_text(c.sensitivity()))?;
        writeln!(out, "tensile called tensile  {}", rate_text(c.specificity()))?;
        writeln!(out, "balanced accuracy       {}", number(c.balanced_accuracy()))?;
        writeln!(out, "got a verdict           {}", number(c.coverage()))?;
        for g in &trained.by_group {
            writeln!(
                out,
                "  {}: balanced accuracy {}, {} ends",
                g.name,
                number(g.confusion.balanced_accuracy()),
                g.confusion.n()
            )?;
        }
    }
    for warning in &trained.warnings {
        note!("warning: {warning}");
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

/// Figures of labels against truth.
pub fn confusion_json(c: &Confusion) -> Value {
    let rate = |r: Rate| {
        let interval = wilson(r.right as f64, r.of as f64, Z95);
        json!({ "right": r.right, "of": r.of, "share": r.share(), "low": interval.map(|i| i.low), "high": interval.map(|i| i.high) })
    };
    json!({
        "labelled": c.coverage(), "balanced_acc": c.balanced_accuracy(), "kappa": c.kappa(),
        "sensitivity": rate(c.sensitivity()), "specificity": rate(c.specificity()),
        "confusion": {
            "sheared": { "sheared": c.sheared_right, "tensile": c.sheared_wrong, "unclear": c.sheared_unclear },
            "tensile": { "sheared": c.tensile_wrong, "tensile": c.tensile_right, "unclear": c.tensile_unclear },
        },
    })
}

fn tally_json(t: &Tally) -> Value {
    let mut out = json!({
        "pictures": t.pictures, "gradable": t.gradable, "found": t.found, "false_alarms": t.false_alarms,
        "recall": t.recall(), "precision": t.precision(), "f1": t.f1(), "diameter_bias": median(t.diameter.clone()),
        "forms_told": t.forms_told, "forms_right": t.forms_right,
    });
    if let (Value::Object(fields), Value::Object(labels)) = (&mut out, confusion_json(&t.labels)) {
        fields.extend(labels);
        fields.extend(errors(t).map(|(name, value)| (name.to_owned(), json!(value))));
    }
    out
}
