//! One picture: measured, grouped and labelled ends.

use super::Tools;
use crate::calibrate::diameter_um;
use crate::carrier::{self, View};
use crate::detect::{self, Candidate};
use crate::flag::Reason;
use crate::measure::{MeasuredEnd, StripCache};
use crate::micrograph::Micrograph;
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
pub fn classify_micrograph(
    micrograph: &Micrograph,
    carriers: Option<u32>,
    tools: &Tools,
    seconds: &mut StageSeconds,
) -> Vec<Classified> {
    let mut clock = Clock(Instant::now());
    let mut look = StripCache::new(micrograph, &tools.settings.measure);
    let mut candidates = detect::detect_cached(&mut look, &tools.detector, &tools.settings.detect);
    candidates.retain(|c| !micrograph.burnt_in.iter().any(|b| b.contains(c.tip)));
    clock.lap(&mut seconds.detect);
    classify_closely(&mut look, &candidates, carriers, tools, seconds)
}

/// As [`classify_micrograph`], from candidates that were found already.
pub fn classify_candidates(
    micrograph: &Micrograph,
    candidates: &[Candidate],
    carriers: Option<u32>,
    tools: &Tools,
    seconds: &mut StageSeconds,
) -> Vec<Classified> {
    let mut look = StripCache::new(micrograph, &tools.settings.measure);
    classify_closely(&mut look, candidates, carriers, tools, seconds)
}

fn classify_closely(
    look: &mut StripCache<'_>,
    candidates: &[Candidate],
    carriers: Option<u32>,
    tools: &Tools,
    seconds: &mut StageSeconds,
) -> Vec<Classified> {
    let mut clock = Clock(Instant::now());
    let (settings, micrograph) = (&tools.settings, look.micrograph());
    let measured = look.measure(candidates);
    clock.lap(&mut seconds.measure);
    let mut measured = detect::accept(micrograph, measured, &settings.detect);
    measured.sort_by(|a, b| a.tip.y.total_cmp(&b.tip.y).then(a.tip.x.total_cmp(&b.tip.x)));
    let view = View { width_px: micrograph.grey.width(), height_px: micrograph.grey.height(), carriers };
    let groups = carrier::group(&measured, &view, &settings.carrier);
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
    ends
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
