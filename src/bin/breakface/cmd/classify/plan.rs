//! `breakface classify --dry-run`: what would be done with each picture.

use crate::exit::Code;
use breakface::pipeline::Inputs;
use breakface::report::counted;
use breakface::series::Kind;
use serde_json::json;
use std::io::Write;

/// Tells the plan; wrong rows of a series table are told and counted as in a run.
pub fn tell(inputs: &Inputs, as_json: bool) -> anyhow::Result<Code> {
    let mut out = crate::say::out();
    for job in &inputs.jobs {
        let row = &job.series;
        let kind = row.kind.map(Kind::word);
        if as_json {
            let event = json!({
                "type": "planned", "schema": "breakface-events/1", "image": row.image, "path": job.path.display().to_string(),
                "specimen": row.specimen, "kind": kind, "knot": row.knot, "line": row.line, "side": row.side, "site": row.site,
            });
            writeln!(out, "{event}")?;
            continue;
        }
        let rest = [kind, row.knot.as_deref(), row.line.as_deref(), row.side.as_deref(), row.site.as_deref()];
        let rest: Vec<&str> = rest.into_iter().flatten().collect();
        writeln!(out, "{}  specimen {}  {}", row.image, row.specimen, rest.join(", "))?;
    }
    for note in &inputs.notes {
        note!("note: {note}");
    }
    for problem in &inputs.problems {
        note!("breakface: {}", problem.error);
    }
    if !as_json {
        let mut specimens: Vec<&str> = inputs.jobs.iter().map(|j| j.series.specimen.as_str()).collect();
        specimens.sort_unstable();
        specimens.dedup();
        let (pictures, of) =
            (counted(inputs.jobs.len(), "picture", "pictures"), counted(specimens.len(), "specimen", "specimens"));
        writeln!(out, "{pictures} of {of} would be classified; nothing was done")?;
    }
    Ok(if inputs.problems.is_empty() { Code::Done } else { Code::Wrong })
}
