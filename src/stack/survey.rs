//! Frame files -> which of them belong to the series, and where each lies against the first.

use super::align::{Shrunk, Step, align};
use super::breathing;
use super::fit::{Model, common_step};
use super::frame::Frame;
use super::motion::{Estimate, Move};
use crate::micrograph::Reading;
use crate::settings::StackSettings;
use crate::units::PxBox;
use std::path::{Path, PathBuf};

/// What became of one frame.
#[derive(Debug, Clone, PartialEq)]
pub struct FrameReport {
    /// File as given.
    pub file: String,
    /// Where its pixels lie against the first frame.
    pub moved: Move,
    /// Correlation with the frame before it, −1..1; `None` for the first one.
    pub agreement: Option<f64>,
    /// Share of the places seen in focus that are sharpest in this frame, 0..1.
    pub used_share: f64,
    /// Why the frame was left out; empty = used.
    pub left_out: String,
}

/// What the next frame is compared with.
struct Before {
    shrunk: Shrunk,
    size: (usize, usize),
    channels: usize,
    /// Marks that are burnt into the first frame, and so into all.
    marks: Vec<PxBox>,
}

/// Looks at every file: reports in order, the steps from each used frame to the next one, and boxes around what is burnt in.
pub(super) fn survey(
    files: &[PathBuf],
    settings: &StackSettings,
    reading: Reading<'_>,
) -> (Vec<FrameReport>, Vec<Step>, Vec<PxBox>) {
    let (mut reports, mut steps, mut before) = (Vec::new(), Vec::new(), None);
    for file in files {
        let mut report = FrameReport {
            file: file.display().to_string(),
            moved: Move::default(),
            agreement: None,
            used_share: 0.0,
            left_out: String::new(),
        };
        match look(file, &mut before, settings, reading) {
            Ok(None) => {}
            Ok(Some(step)) => {
                report.agreement = Some(step.agreement);
                steps.push(step);
            }
            Err(reason) => report.left_out = reason,
        }
        reports.push(report);
    }
    (reports, steps, before.map_or_else(Vec::new, |b: Before| b.marks))
}

/// The step from the frame before to this one, which takes its place; `None` for the first. Fails with why the frame is left out.
fn look(
    file: &Path,
    before: &mut Option<Before>,
    settings: &StackSettings,
    reading: Reading<'_>,
) -> Result<Option<Step>, String> {
    let frame = Frame::read(file, reading).map_err(|e| e.to_string())?;
    let (size, channels) = (frame.size(), frame.channels.len());
    let Some(last) = before else {
        let marks = Frame::marks(file, reading).map_err(|e| e.to_string())?;
        *before = Some(Before { shrunk: Shrunk::new(&frame.grey(), &marks, settings), size, channels, marks });
        return Ok(None);
    };
    if size != last.size || channels != last.channels {
        return Err(misfit((size, channels), (last.size, last.channels)));
    }
    let shrunk = Shrunk::new(&frame.grey(), &last.marks, settings);
    let step = align(&last.shrunk, &shrunk, settings).ok_or("it shows nothing that the frame before it shows")?;
    last.shrunk = shrunk;
    Ok(Some(step))
}

fn misfit(found: ((usize, usize), usize), first: ((usize, usize), usize)) -> String {
    let kind = |n: usize| if n == 3 { "colour" } else { "grey" };
    let say = |((w, h), n): ((usize, usize), usize)| format!("{w} x {h} px in {}", kind(n));
    format!("it is {}, the first frame is {}", say(found), say(first))
}

/// Sets where every used frame lies against the first: shifts that are beyond chance, and the growth of the series.
pub(super) fn set_moves(reports: &mut [FrameReport], steps: &[Step], settings: &StackSettings) {
    let grow = breathing::growth(steps, settings);
    let mut last = Estimate::default();
    let used = reports.iter_mut().filter(|r| r.left_out.is_empty()).skip(1);
    for (report, step) in used.zip(steps) {
        let still = Estimate { by: Move { grow, ..Move::default() }, variance: [0.0; 3] };
        last = last.then(common_step(&step.tiles, Model::Growth(grow)).unwrap_or(still));
        let certain = last.certain(settings);
        let reach = step.tiles.iter().map(|t| t.x.hypot(t.y)).fold(0.0, f64::max);
        if settings.leave_px <= certain.dx.hypot(certain.dy) + certain.grow.abs() * reach {
            report.moved = certain;
        }
    }
}
