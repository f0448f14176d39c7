//! What a run would take away from results that are there: pictures of an earlier run that this one does not have.

use super::jobs::Inputs;
use super::path_text::text;
use crate::results::{InputUsed, RUN_FILE, RunFile};
use crate::table::{EndRow, TableRow};
use std::path::Path;

/// Says in one line what would go when a run wrote into a folder; `None` when nothing would. `goes` tells of each picture of the
/// earlier run whether this one lacks it or has another picture under its name.
///
/// A folder whose record cannot be read is not judged: its tables cannot be read either.
pub(super) fn would_go(folder: &Path, goes: &dyn Fn(&InputUsed) -> bool) -> Option<String> {
    if !folder.join(EndRow::csv_name()).is_file() {
        return None;
    }
    let earlier: RunFile = serde_json::from_slice(&crate::files::read_regular(&folder.join(RUN_FILE)).ok()?).ok()?;
    let gone: Vec<&str> = earlier.inputs.iter().filter(|used| goes(used)).map(|used| used.image.as_str()).collect();
    let first = gone.first()?;
    Some(format!(
        "holds the results of {} pictures, and {} of them ({first}) would go",
        earlier.inputs.len(),
        gone.len()
    ))
}

/// Whether a picture of an earlier run is not among these inputs, or another one has its name.
pub(super) fn is_gone_from(inputs: &Inputs, used: &InputUsed) -> bool {
    let job = inputs.jobs.binary_search_by(|job| job.series.image.as_str().cmp(&used.image));
    match job {
        Ok(place) => is_another(used, &inputs.jobs[place].path),
        Err(_) => !inputs.problems.iter().any(|p| p.series.image == used.image),
    }
}

/// Whether a file is another picture than the one that was used under its name.
fn is_another(used: &InputUsed, path: &Path) -> bool {
    let place = text(&std::path::absolute(path).unwrap_or_else(|_| path.to_owned()));
    if place == used.path || used.hash.is_empty() {
        return false;
    }
    // The same file elsewhere is the same picture; what cannot be read now replaces nothing by something else.
    crate::files::read_regular(path).is_ok_and(|bytes| blake3::hash(&bytes).to_hex().as_str() != used.hash)
}
