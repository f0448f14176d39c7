//! One picture: measured, grouped and labelled ends.

use super::Tools;
use crate::calibrate::diameter_um;
use crate::carrier::{self, View};
use crate::detect::{Candidate, detect_ends};
use crate::flag::Reason;
use crate::measure::{MeasuredEnd, accept, measure_ends};
use crate::micrograph::Micrograph;
use crate::network::{NetworkError, StripCache};
use crate::results::StageSeconds;
use crate::table::EndRow;
use crate::units::Scale;
use std::time::Instant;

/// An end as measured and as it stands in the table.
#[derive(Debug, Clone)]
pub struct Classified {
    /// Its measurements and what can be drawn of it.
    pub measured: MeasuredEnd,
    /// Its row; picture, specimen and passed-through columns are filled in later.
    pub row: EndRow,
}

/// Finds, measures, groups and labels the ends of one picture, numbered from top to bottom.
///
/// `carriers` is how many the braid has, when known. Times are added to `seconds`.
///
/// # Errors
/// When a network fails on the picture.
pub fn classify_micrograph(
    micrograph: &Micrograph,
    carriers: Option<u32>,
    tools: &Tools,
    seconds: &mut StageSeconds,
) -> Result<Vec<Classified>, NetworkError> {
    classify_strips(&mut StripCache::new(micrograph), carriers, tools, seconds)
}

/// As [`classify_micrograph`], about a picture that may stop to be wanted.
///
/// # Errors
/// When a network fails on the picture, or it is no longer wanted.
pub(super) fn classify_strips(
    strips: &mut StripCache<'_>,
    carriers: Option<u32>,
    tools: &Tools,
    seconds: &mut StageSeconds,
) -> Result<Vec<Classified>, NetworkError> {
    let mut clock = Clock(Instant::now());
    let micrograph = strips.micrograph();
    let mut candidates = detect_ends(strips, &tools.detector, &tools.settings.detect)?;
    candidates.retain(|c| !micrograph.burnt_in.iter().any(|b| b.contains(c.tip)));
    clock.lap(&mut seconds.detect);
    classify_with(strips, &candidates, carriers, (tools, seconds))
}

/// As [`classify_micrograph`], from candidates that were found already.
///
/// # Errors
/// When a network fails on the picture.
pub fn classify_candidates(
    micrograph: &Micrograph,
    candidates: &[Candidate],
    tools: &Tools,
    seconds: &mut StageSeconds,
) -> Result<Vec<Classified>, NetworkError> {
    classify_with(&mut StripCache::new(micrograph), candidates, None, (tools, seconds))
}

fn classify_with(
    strips: &mut StripCache<'_>,
    candidates: &[Candidate],
    carriers: Option<u32>,
    (tools, seconds): (&Tools, &mut StageSeconds),
) -> Result<Vec<Classified>, NetworkError> {
    let mut clock = Clock(Instant::now());
    let (settings, micrograph) = (&tools.settings, strips.micrograph());
    let measured = measure_ends(strips, candidates, &settings.measure)?;
    clock.lap(&mut seconds.measure);
    let mut measured = accept(micrograph, measured, &settings.detect);
    measured.sort_by(|a, b| a.tip.y.total_cmp(&b.tip.y).then(a.tip.x.total_cmp(&b.tip.x)));
    let view = View { width_px: micrograph.grey.width(), height_px: micrograph.grey.height(), carriers };
    let groups = carrier::group(&measured, &view, &settings.carrier)?;
    carrier::set_features(&mut measured, &groups, settings);
    let ends = measured
        .into_iter()
        .zip(groups)
        .zip(1..)
        .map(|((end, group), number)| {
            let row = row_of(&end, number, group, micrograph.scale.as_ref(), tools);
            Classified { measured: end, row }
        })
        .collect();
    clock.lap(&mut seconds.label);
    Ok(ends)
}

fn row_of(end: &MeasuredEnd, number: u32, carrier: Option<u32>, scale: Option<&Scale>, tools: &Tools) -> EndRow {
    let verdict = tools.model.predict(&end.features, &end.not_gradable);
    let diameter = end.features.get("shaft_diameter_px").zip(scale);
    let diameter = diameter.map(|(d, s)| diameter_um(d, end.features.get("shaft_diameter_u_px"), s));
    let row = EndRow {
        end: number,
        carrier,
        x_px: end.tip.x,
        y_px: end.tip.y,
        axis_deg: end.axis_deg,
        shaft_diameter_um: diameter.map(|(d, _)| d),
        shaft_diameter_u_um: diameter.and_then(|(_, u)| u),
        label: verdict.label,
        label_model: Some(verdict.label),
        p_sheared: verdict.p_sheared,
        shape_p_sheared: verdict.shape_p_sheared,
        appearance_p_sheared: verdict.appearance_p_sheared,
        quality: end.quality,
        reason: Reason::join(&verdict.reasons),
        subtype: verdict.subtype.unwrap_or_default().into(),
        counted: true,
        features: end.features.clone(),
        ..EndRow::default()
    };
    row.tidied()
}

/// Adds the time since the last lap to a stage.
pub(super) struct Clock(pub Instant);

impl Clock {
    pub(super) fn lap(&mut self, stage: &mut f64) {
        let now = Instant::now();
        *stage += now.duration_since(self.0).as_secs_f64();
        self.0 = now;
    }
}
