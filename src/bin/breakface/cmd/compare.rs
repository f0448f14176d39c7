//! `breakface compare`: knots ranked and compared by their specimens, with loads and capacity; or runs beside each other.

mod columns;
mod run_files;
mod runs;

use crate::exit::Code;
use anyhow::Context;
use breakface::knot::{self, Association, Capacity, Comparison};
use breakface::results::Results;
use breakface::stats::ratio::Method;
use breakface::table::{FaceVerdict, IntervalFrom, KnotRow, PairRow, write_csv};
use serde_json::json;
use std::io::Write;
use std::path::PathBuf;

use columns::write_columns;

/// Arguments of `compare`.
#[derive(Debug, clap::Args)]
#[command(after_help = "\
With one folder its knots are compared. With more, runs on the same pictures are: ends that changed their label and
fractions before and after from the first to the last, and the controls of all as a control chart (p chart after Shewhart,
widened after Laney; moving average after Roberts).

Examples:
  breakface compare results
  breakface compare results --json
  breakface compare before after -o comparison
  breakface compare may june july")]
pub struct Args {
    /// Folder of results; or several, oldest first
    #[arg(required = true, value_name = "RESULTS")]
    results: Vec<PathBuf>,
    /// JSON: of one folder one object per line (answer, knots, pairs, associations, capacities, warnings), of several one object
    #[arg(long, help_heading = "Output")]
    json: bool,
    /// Also write the tables (and charts) into this folder
    #[arg(short, long, value_name = "FOLDER", help_heading = "Output")]
    out: Option<PathBuf>,
    /// Fewest specimens of a knot for a test [default: as in the run]
    #[arg(long, value_name = "SPECIMENS", help_heading = "Thresholds")]
    fewest_specimens: Option<u32>,
}

/// Runs `compare`.
pub fn run(args: Args) -> anyhow::Result<Code> {
    let [folder] = args.results.as_slice() else {
        runs::run(&args.results, args.json, args.out.as_deref())?;
        return Ok(Code::Done);
    };
    let results = Results::load(folder).context("run `breakface classify` first, or name its folder of results")?;
    let mut settings = results.settings().face;
    settings.fewest_specimens = args.fewest_specimens.unwrap_or(settings.fewest_specimens);
    let comparison = knot::compare(&results.specimens, &settings);
    if let Some(folder) = &args.out {
        std::fs::create_dir_all(folder).with_context(|| format!("{}: cannot be made", folder.display()))?;
        write_csv(&folder.join("knots.csv"), &comparison.knots)?;
        write_csv(&folder.join("pairs.csv"), &comparison.pairs)?;
    }
    let scores = Results {
        specimens: results.specimens.clone(),
        knots: comparison.knots.clone(),
        pairs: comparison.pairs.clone(),
        ..Results::default()
    };
    let answer = breakface::report::answer(&scores, &results.settings().report);
    let out = crate::say::out();
    if args.json {
        write_json(out, &comparison, &answer)?
    } else {
        write_text(out, &comparison, &answer)?
    }
    for warning in &comparison.warnings {
        note!("warning: {}", warning.text);
    }
    Ok(Code::Done)
}

fn percent(value: Option<f64>) -> String {
    value.map_or_else(|| "-".into(), |v| format!("{:.0}", 100.0 * v))
}

fn with_interval(value: Option<f64>, low: Option<f64>, high: Option<f64>) -> String {
    match (value, low, high) {
        (Some(_), Some(_), Some(_)) => format!("{} ({} to {})", percent(value), percent(low), percent(high)),
        _ => percent(value),
    }
}

fn write_text(mut out: impl Write, c: &Comparison, answer: &[String]) -> anyhow::Result<()> {
    if c.knots.is_empty() {
        writeln!(out, "no knots to compare: the series names none")?;
        return Ok(());
    }
    writeln!(out, "{}\n", answer.join("\n"))?;
    let header = ["rank", "knot", "line", "n", "sheared %", "verdict", "load N", "efficiency %", "carriers lost"];
    let mut rows = vec![header.map(str::to_owned).to_vec()];
    rows.extend(c.knots.iter().map(knot_cells));
    write_columns(&mut out, &rows)?;
    if c.pairs.iter().any(|p| p.p.is_some()) {
        writeln!(out, "\nPairs, by permutation of specimens; p adjusted over all pairs (Benjamini and Hochberg):")?;
        let mut rows = vec![["knot", "against", "difference %", "p", "adjusted p"].map(str::to_owned).to_vec()];
        rows.extend(c.pairs.iter().filter(|p| p.p.is_some()).map(pair_cells));
        write_columns(&mut out, &rows)?;
    }
    for a in &c.associations {
        writeln!(out, "\n{}", association_line(a))?;
    }
    for capacity in &c.capacities {
        writeln!(out, "\n{}", capacity_lines(capacity))?;
    }
    Ok(())
}

fn knot_cells(k: &KnotRow) -> Vec<String> {
    let lost = match (k.carriers_lost, k.carriers, k.carriers_lost_bundle) {
        (Some(lost), Some(all), Some(bundle)) => format!("{lost:.1} of {all} (bundle {bundle:.1})"),
        (Some(lost), Some(all), None) => format!("{lost:.1} of {all}"),
        _ => "-".into(),
    };
    vec![
        k.rank.map_or_else(|| "-".into(), |r| r.to_string()),
        k.knot.clone(),
        k.line.clone().unwrap_or_else(|| "-".into()),
        k.n_specimens.to_string(),
        with_interval(k.sheared_fraction, k.sheared_low, k.sheared_high),
        k.verdict.map_or("", FaceVerdict::word).to_owned(),
        k.mean_load_n.map_or_else(|| "-".into(), |l| format!("{l:.0}")),
        with_interval(k.efficiency, k.efficiency_low, k.efficiency_high),
        lost,
    ]
}

fn pair_cells(p: &PairRow) -> Vec<String> {
    let p_value = |v: Option<f64>| v.map_or_else(|| "-".into(), |v| format!("{v:.4}"));
    let difference = p.difference.map_or_else(|| "-".into(), |d| format!("{:+.0}", 100.0 * d));
    vec![p.knot_a.clone(), p.knot_b.clone(), difference, p_value(p.p), p_value(p.p_adjusted)]
}

fn association_line(a: &Association) -> String {
    let line = a.line.as_deref().unwrap_or("no line given");
    match (a.rho, a.low, a.high) {
        (Some(rho), Some(low), Some(high)) => {
            format!(
                "Sheared fraction and load ({line}, n = {} specimens): Spearman {rho:.2} ({low:.2} to {high:.2})",
                a.n
            )
        }
        (Some(rho), ..) => format!("Sheared fraction and load ({line}, n = {} specimens): Spearman {rho:.2}", a.n),
        _ => format!("Sheared fraction and load ({line}, n = {} specimens): too few or all alike", a.n),
    }
}

fn capacity_lines(c: &Capacity) -> String {
    let line = c.line.as_deref().unwrap_or("no line given");
    let source = if c.modulus_estimated { "from the straight pulls" } else { "assumed" };
    let mut text = format!(
        "Strength left when carriers are cut ({line}, {} carriers), % of uncut: equal shares, and equal-load-sharing bundle with \
         Weibull modulus {:.1} ({source}).\nBoth are idealised: a cut carrier loads its neighbours more, the braid kinks, and cut ends may grip again.\n",
        c.carriers, c.modulus
    );
    let row = |name: &str, cells: Vec<String>| format!("  {name:<7}{}\n", cells.join(""));
    let cells = |f: &dyn Fn(&knot::CapacityPoint) -> String| c.points.iter().map(|p| format!("{:>5}", f(p))).collect();
    text.push_str(&row("cut", cells(&|p| p.cut.to_string())));
    text.push_str(&row("equal", cells(&|p| percent(Some(p.plain)))));
    text.push_str(&row("bundle", cells(&|p| percent(p.bundle))));
    text.truncate(text.trim_end().len());
    text
}

fn write_json(mut out: impl Write, c: &Comparison, answer: &[String]) -> anyhow::Result<()> {
    const SCHEMA: &str = "breakface-compare/1";
    for text in answer {
        writeln!(out, "{}", json!({ "type": "answer", "schema": SCHEMA, "text": text }))?;
    }
    for k in &c.knots {
        let object = json!({
            "type": "knot", "schema": SCHEMA, "knot": k.knot, "line": k.line, "rank": k.rank,
            "n_specimens": k.n_specimens, "sheared_fraction": k.sheared_fraction, "sheared_low": k.sheared_low,
            "sheared_high": k.sheared_high, "interval_from": k.interval_from.map_or("", IntervalFrom::word),
            "verdict": k.verdict.map_or("", FaceVerdict::word),
            "n_loads": k.n_loads, "mean_load_n": k.mean_load_n, "efficiency": k.efficiency,
            "efficiency_low": k.efficiency_low, "efficiency_high": k.efficiency_high,
            "efficiency_method": k.efficiency_method.map_or("", Method::word), "carriers": k.carriers, "carriers_lost": k.carriers_lost,
            "carriers_lost_bundle": k.carriers_lost_bundle, "flags": k.flags,
        });
        writeln!(out, "{object}")?;
    }
    for p in &c.pairs {
        let object = json!({
            "type": "pair", "schema": SCHEMA, "line": p.line, "knot_a": p.knot_a, "knot_b": p.knot_b, "n_a": p.n_a,
            "n_b": p.n_b, "difference": p.difference, "p": p.p, "p_adjusted": p.p_adjusted, "n_needed": p.n_needed,
            "load_ratio": p.load_ratio, "load_ratio_low": p.load_ratio_low, "load_ratio_high": p.load_ratio_high,
            "efficiency_difference": p.efficiency_difference, "efficiency_difference_low": p.efficiency_difference_low,
            "efficiency_difference_high": p.efficiency_difference_high, "p_load": p.p_load,
            "p_load_welch": p.p_load_welch, "p_load_adjusted": p.p_load_adjusted, "n_loads_needed": p.n_loads_needed,
        });
        writeln!(out, "{object}")?;
    }
    for a in &c.associations {
        let object = json!({
            "type": "association", "schema": SCHEMA, "line": a.line, "n": a.n, "spearman": a.rho, "low": a.low, "high": a.high,
        });
        writeln!(out, "{object}")?;
    }
    for k in &c.capacities {
        let points: Vec<_> =
            k.points.iter().map(|p| json!({ "cut": p.cut, "plain": p.plain, "bundle": p.bundle })).collect();
        let object = json!({
            "type": "capacity", "schema": SCHEMA, "line": k.line, "carriers": k.carriers, "modulus": k.modulus,
            "modulus_estimated": k.modulus_estimated, "points": points,
        });
        writeln!(out, "{object}")?;
    }
    for w in &c.warnings {
        writeln!(out, "{}", json!({ "type": "warning", "schema": SCHEMA, "name": w.flag.name(), "text": w.text }))?;
    }
    Ok(())
}
