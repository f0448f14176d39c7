//! One face -> its row: raw, corrected and published fraction with intervals, carriers, coverage, verdict.

use super::control::{Basis, Labeller};
use super::effective_sample::{Dependence, EffectiveSample, effective_sample};
use super::estimate::{Estimate, verdict};
use super::faces::Face;
use super::recall::RecallRatio;
use super::{break_zone, carriers, diameter, expected, history};
use crate::settings::FaceSettings;
use crate::stats::classifier::{Accuracy, lang_reiczigel, rogan_gladen};
use crate::stats::proportion::wilson;
use crate::stats::{Interval, Z95};
use crate::table::{CarrierRow, SideRow, SpecimenRow};
use crate::tree::Label;

/// What all faces of a run share.
#[derive(Debug, Clone, Copy)]
pub struct Context<'a> {
    /// How ends hang together.
    pub dependence: Dependence,
    /// The labeller's error.
    pub labeller: &'a Labeller,
    /// How much more often sheared ends are found than tensile ones.
    pub recall: RecallRatio,
    /// Settings.
    pub settings: &'a FaceSettings,
}

/// Raw and corrected fraction of a face.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Fractions {
    /// As labelled; interval widened by the design effect.
    pub raw: Estimate,
    /// Corrected for the labeller's error, when that is known.
    pub corrected: Option<Estimate>,
    /// EffectiveSample of the ends.
    pub sample: EffectiveSample,
}

impl Fractions {
    /// The published one: corrected where there is one.
    pub fn published(&self) -> Estimate {
        self.corrected.unwrap_or(self.raw)
    }
}

/// Fractions of a face; `None` without labelled ends.
pub fn fractions(face: &Face, context: &Context) -> Option<Fractions> {
    let sample = effective_sample(face, context.dependence, context.settings)?;
    let p = sample.fraction();
    let (x, n) = (p * sample.n_effective, sample.n_effective);
    let raw = Estimate { fraction: p, interval: wilson(x, n, Z95)? };
    let labeller = context.labeller;
    let corrected = (labeller.basis != Basis::Raw)
        .then(|| {
            let (se, sp) = (labeller.sensitivity, labeller.specificity);
            let fraction = rogan_gladen(p, se.share()?, sp.share()?)?.clamp(0.0, 1.0);
            let accuracy = Accuracy {
                sensitivity: se,
                specificity: sp,
                overdispersion: context.settings.labeller_overdispersion,
                harder_sd: labeller.harder_sd,
            };
            let interval = lang_reiczigel(x, n, accuracy, Z95)?.clipped();
            // The interval is centred on its own estimate; near 0 and 1 the plain point may fall just outside.
            let interval = Interval { low: interval.low.min(fraction), high: interval.high.max(fraction) };
            Some(Estimate { fraction, interval })
        })
        .flatten()
        .map(|e| context.recall.of_face(face, context.settings).of_all_ends(e));
    // As labelled: not weighed, whatever is known.
    let raw = RecallRatio::Within(context.settings.recall_ratio_range).of_all_ends(raw);
    Some(Fractions { raw, corrected, sample })
}

/// The row of a face, but for its flags.
pub fn row(face: &Face, carrier_rows: &[CarrierRow], context: &Context) -> SpecimenRow {
    let count = |label: Label| face.all_ends().filter(|e| e.label == label).count() as u32;
    let (n_sheared, n_tensile) = (count(Label::Sheared), count(Label::Tensile));
    let found = fractions(face, context);
    let published = found.map(|f| f.published());
    let corrected = found.and_then(|f| f.corrected);
    let fibre = diameter::of_face(face);
    let fibre_diameter_um = fibre.map(|(d, _)| d);
    let n_expected = expected::ends(face, fibre_diameter_um, context.settings);
    let carriers = carriers::counts(face, carrier_rows);
    let told = history::of_face(face, &context.settings.history);
    SpecimenRow {
        specimen: face.specimen.to_owned(),
        kind: face.kind(),
        knot: face.pictures.iter().find_map(|p| p.series.knot.clone()),
        line: face.pictures.iter().find_map(|p| p.series.line.clone()),
        carriers: face.pictures.iter().find_map(|p| p.series.carriers),
        peak_load_n: face.pictures.iter().find_map(|p| p.series.peak_load_n),
        n_pictures: face.pictures.len() as u32,
        n_sheared,
        n_tensile,
        n_unclear: count(Label::Unclear),
        sheared_fraction: published.map(|e| e.fraction),
        sheared_low: published.map(|e| e.interval.low),
        sheared_high: published.map(|e| e.interval.high),
        basis: found.map(|_| context.labeller.basis),
        verdict: Some(verdict(published, n_sheared + n_tensile, context.settings)),
        raw_fraction: found.map(|f| f.raw.fraction),
        raw_low: found.map(|f| f.raw.interval.low),
        raw_high: found.map(|f| f.raw.interval.high),
        corrected_fraction: corrected.map(|e| e.fraction),
        corrected_low: corrected.map(|e| e.interval.low),
        corrected_high: corrected.map(|e| e.interval.high),
        design_effect: found.map(|f| f.sample.design_effect()),
        n_effective: found.map(|f| f.sample.n_effective),
        recall_ratio: corrected.and_then(|_| context.recall.of_face(face, context.settings).ratio()),
        n_expected,
        coverage: n_expected.map(|n| expected::coverage(face, n)),
        carriers_seen: carriers.seen,
        carriers_cut: carriers.cut,
        carriers_partly: carriers.partly,
        carriers_tensile: carriers.tensile,
        break_zone_um: break_zone::length_um(face, context.settings),
        fibre_diameter_um,
        fibre_diameter_u_um: fibre.and_then(|(_, u)| u),
        history: told.as_ref().map(|t| t.history),
        history_probability: told.as_ref().and_then(|t| t.probability),
        history_evidence: told.map(|t| t.evidence).unwrap_or_default(),
        flags: String::new(),
    }
}

/// One row per side that is named, by name, when there are any.
pub fn sides(face: &Face, context: &Context) -> Vec<SideRow> {
    let mut names: Vec<&str> = face.pictures.iter().filter_map(|p| p.series.side.as_deref()).collect();
    names.sort_unstable();
    names.dedup();
    names
        .into_iter()
        .map(|side| {
            let part = face.of_side(side);
            let count = |label: Label| part.all_ends().filter(|e| e.label == label).count() as u32;
            let published = fractions(&part, context).map(|f| f.published());
            SideRow {
                specimen: face.specimen.to_owned(),
                side: side.to_owned(),
                n_sheared: count(Label::Sheared),
                n_tensile: count(Label::Tensile),
                n_unclear: count(Label::Unclear),
                sheared_fraction: published.map(|e| e.fraction),
                sheared_low: published.map(|e| e.interval.low),
                sheared_high: published.map(|e| e.interval.high),
            }
        })
        .collect()
}
