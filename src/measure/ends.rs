//! All ends of a picture: what the networks say of each, what their widths have in common, and each one's measurements.

use super::end;
use super::evidence::{Context, EndEvidence};
use super::fuse::{PicturePrior, limb_bias};
use super::measured::MeasuredEnd;
use super::shaft::Shaft;
use super::shaft_trace::measure_shaft;
use crate::detect::{Candidate, suppress};
use crate::fitted::{self, Fitted};
use crate::flag::Reason;
use crate::micrograph::Micrograph;
use crate::network::estimate::Estimate;
use crate::network::regression::{Regression, StripEvidence, is_drawn_out};
use crate::network::strip_input::InitialEnd;
use crate::network::{Expert, NetworkError, StripCache};
use crate::settings::{DetectSettings, MeasureSettings};

/// Measures every candidate of a picture; order and number are kept.
///
/// The regression networks read twice: first as detection told the end, then where their first reading puts it.
///
/// # Errors
/// When a network fails on the picture.
pub fn measure_ends(
    strips: &mut StripCache<'_>,
    candidates: &[Candidate],
    settings: &MeasureSettings,
) -> Result<Vec<MeasuredEnd>, NetworkError> {
    let fitted = Fitted::bundled().map_err(NetworkError::bundled)?;
    let told: Vec<Option<InitialEnd>> =
        candidates.iter().map(|c| c.initial_end(strips.micrograph(), fitted.initial_width_sigma)).collect();
    let shown: Vec<InitialEnd> = told.iter().flatten().copied().collect();
    let widest = shown.iter().map(|e| e.width_px).fold(0.0, f64::max);
    strips.deepen(WIDER * widest / settings.coarse_samples);
    let evidence = evidence(strips, &shown, settings, fitted)?;
    let context = Context { planes: strips.planes(), settings, fitted };
    let mut shafts: Vec<Option<Shaft>> = evidence.iter().map(|e| measure_shaft(&context, e)).collect();
    fuse_widths(&mut shafts, &context);
    let mut measured = evidence.iter().zip(&shafts);
    let measure = |(candidate, told): (&Candidate, &Option<InitialEnd>)| match told.and_then(|_| measured.next()) {
        Some((evidence, Some(shaft))) => end::measure_end(&context, candidate, shaft, evidence),
        _ => MeasuredEnd { not_gradable: vec![Reason::NoShaft], ..end::unmeasured(candidate) },
    };
    Ok(candidates.iter().zip(&told).map(measure).collect())
}

/// Strips are cut up to this many times wider than detection told.
const WIDER: f64 = 2.0;

/// What the networks say of each end, where their first reading puts it. The form seen in the first strip tells which expert
/// measures; what the end looks like is always said by the one that knows the forms.
fn evidence(
    strips: &mut StripCache<'_>,
    told: &[InitialEnd],
    settings: &MeasureSettings,
    fitted: &Fitted,
) -> Result<Vec<EndEvidence>, NetworkError> {
    let seen = strips.regress(Expert::Forms, told)?;
    let experts: Vec<Expert> =
        seen.iter().map(|answer| if is_drawn_out(answer) { Expert::Forms } else { Expert::Plain }).collect();
    let first = by_expert(&experts, told, |expert, ends| strips.regress(expert, ends))?;
    let first: Vec<Regression> = first.iter().map(|numbers| Regression::of(numbers, &fitted.regression)).collect();
    let closer = corrected(strips.micrograph(), told, &first, (settings, fitted));
    let numbers = by_expert(&experts, &closer, |expert, ends| strips.regress(expert, ends))?;
    let segmentations = by_expert(&experts, &closer, |expert, ends| strips.segment(expert, ends))?;
    let forms = strips.regress(Expert::Forms, &closer)?;
    let all = closer.into_iter().zip(numbers).zip(segmentations).zip(forms);
    Ok(all
        .map(|(((initial, numbers), segmentation), form)| EndEvidence {
            initial,
            regression: Regression::of(&numbers, &fitted.regression),
            look: look(&numbers, &form),
            form,
            segmentation,
        })
        .collect())
}

/// Logit of the chance that the strip of an end looks sheared: the mean of what the experts say.
fn look(measured: &[f32], form: &[f32]) -> f64 {
    0.5 * (StripEvidence::of(measured).look + StripEvidence::of(form).look)
}

/// What the expert of each end answers, in the order of the ends.
fn by_expert<T>(
    experts: &[Expert],
    ends: &[InitialEnd],
    mut ask: impl FnMut(Expert, &[InitialEnd]) -> Result<Vec<T>, NetworkError>,
) -> Result<Vec<T>, NetworkError> {
    let mut of = |expert: Expert| {
        let own: Vec<InitialEnd> =
            experts.iter().zip(ends).filter(|(e, _)| **e == expert).map(|(_, end)| *end).collect();
        ask(expert, &own).map(Vec::into_iter)
    };
    let (mut plain, mut forms) = (of(Expert::Plain)?, of(Expert::Forms)?);
    let next = |expert: &Expert| match expert {
        Expert::Plain => plain.next(),
        Expert::Forms => forms.next(),
    };
    Ok(experts.iter().filter_map(next).collect())
}

/// Initial ends where the first readings put them, widths drawn towards those of their neighbours.
fn corrected(
    micrograph: &Micrograph,
    told: &[InitialEnd],
    first: &[Regression],
    (settings, fitted): (&MeasureSettings, &Fitted),
) -> Vec<InitialEnd> {
    let inside = |end: &InitialEnd| micrograph.grey.contains(end.tip);
    let mut closer: Vec<InitialEnd> = told
        .iter()
        .zip(first)
        .map(|(end, regression)| Some(regression.corrected(end)).filter(inside).unwrap_or(*end))
        .collect();
    let width = |e: &InitialEnd| Estimate { value: e.width_px.ln(), standard_uncertainty: e.width_sigma };
    let widths: Vec<Estimate> = closer.iter().map(width).collect();
    if let Some(prior) = PicturePrior::of(&widths, settings.picture_prior_min_ends, &fitted.picture_prior) {
        for end in &mut closer {
            let drawn = prior.fuse_with(width(end), &fitted.picture_prior);
            *end = InitialEnd { width_px: drawn.value.exp(), width_sigma: drawn.standard_uncertainty, ..*end };
        }
    }
    closer
}

/// Draws the diameters of a picture's shafts towards what its fibres have in common.
fn fuse_widths(shafts: &mut [Option<Shaft>], context: &Context) {
    let (least, fit) = (context.settings.picture_prior_min_ends, &context.fitted.picture_prior);
    let gaps: Vec<Estimate> = shafts.iter().flatten().map(Shaft::gap).collect();
    let correction = limb_bias(&gaps, least, &context.fitted.limb_bias);
    shafts.iter_mut().flatten().for_each(|s| s.fuse_widths(correction, &context.fitted.edges));
    let widths: Vec<Estimate> = shafts.iter().flatten().map(Shaft::ln_diameter).collect();
    if let Some(prior) = PicturePrior::of(&widths, least, fit) {
        shafts.iter_mut().flatten().for_each(|s| s.set_ln_diameter(prior.fuse_with(s.ln_diameter(), fit)));
    }
    for shaft in shafts.iter_mut().flatten() {
        // What all ends of a picture have wrong together does not average out.
        let width = shaft.ln_diameter();
        let shared = fitted::at(fit.shared_u, shaft.inconsistency(context));
        shaft.set_ln_diameter(Estimate { standard_uncertainty: width.standard_uncertainty.hypot(shared), ..width });
        shaft.shared_u = shared * shaft.diameter;
    }
}

/// Measured candidates that are ends: once widths and tips are measured, second ones on one end are dropped for good.
pub fn accept(micrograph: &Micrograph, measured: Vec<MeasuredEnd>, settings: &DetectSettings) -> Vec<MeasuredEnd> {
    let as_candidate = |end: &MeasuredEnd| Candidate {
        tip: end.tip,
        axis_deg: end.axis_deg,
        width_px: end.features.get("shaft_diameter_px").unwrap_or(1.0),
        score: end.score,
        network_p_sheared: None,
    };
    let kept = suppress::merge(measured.iter().map(as_candidate).collect(), settings);
    let stays = |end: &MeasuredEnd| micrograph.grey.contains(end.tip) && kept.contains(&as_candidate(end));
    measured.into_iter().filter(stays).collect()
}
