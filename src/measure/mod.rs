//! Candidate -> measured end: traced shaft, sub-pixel edges, features, quality.

use crate::detect::Candidate;
use crate::flag::Reason;
use crate::measure::fuse::PicturePrior;
use crate::measure::planes::Planes;
use crate::measure::regression::{Estimate, Regression, regressions};
use crate::measure::segmentation::{Segmentation, segmentations};
use crate::measure::shaft::{InitialEnd, Shaft, measure_shaft};
use crate::micrograph::Micrograph;
use crate::settings::MeasureSettings;
use crate::units::Point;

// The registry of features.
mod registry;

// The picture at halving sizes.
mod planes;

// Straightened strips.
mod strip;

// Small networks over straightened strips.
mod network;

// A first idea of which pixels are own fibre.
mod segmentation;

// A first regression of width, axis, tip and end line.
mod regression;

// The form of an end.
mod form;

// Several tellings of one number brought together.
mod fuse;

// Pairs of edges through a strip.
mod trace;

// One edge to a fraction of a sample.
mod edge;

// The bend of a centre line.
mod centreline_fit;

// Centre line, edges and diameter of the shaft.
mod shaft;

// Outline of the end.
mod end_region;

// Straight edge, cap, neck, taper.
mod shape;

// Brightness, colour, texture, surroundings.
mod tone;

// What can be graded.
mod quality;

// All of one end.
mod end;

pub use registry::{FEATURE_SCHEMA, FEATURES, Feature, FeatureRow, Stage};
pub(crate) use regression::StripEvidence;

/// What the overlay and the review page draw of an end.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Drawn {
    /// Traced centre line, from the tip backwards.
    pub centre_line: Vec<Point>,
    /// Left and right edge points of the shaft, from the tip backwards.
    pub edges: [Vec<Point>; 2],
    /// Outline of the end region, from one side of the shaft round the tip to the other.
    pub outline: Vec<Point>,
    /// Fitted straight edge of the end.
    pub end_line: Option<(Point, Point)>,
}

/// An end with its measurements.
#[derive(Debug, Clone, PartialEq)]
pub struct MeasuredEnd {
    /// The middle of the end, px.
    pub tip: Point,
    /// Direction of the shaft over the last 1.5 diameters, out of the fibre, degrees.
    pub axis_deg: f64,
    /// Confidence of the detector, then of the second stage, 0..1.
    pub score: f64,
    /// How well the picture shows this end, 0..1.
    pub quality: f64,
    /// Measured features.
    pub features: FeatureRow,
    /// What can be drawn.
    pub drawn: Drawn,
    /// Why the picture does not allow a verdict on this end; empty = gradable.
    pub not_gradable: Vec<Reason>,
}

/// What is known of an end before its edges are placed.
#[derive(Clone, Copy)]
struct EndEvidence<'a> {
    /// The end as it was told to the networks.
    initial: &'a InitialEnd,
    /// What the regression network reads there.
    regression: Option<&'a Regression>,
    /// Which pixels are own fibre.
    segmentation: Option<&'a Segmentation>,
}

/// Loads the networks of this stage, and says whether they are usable.
///
/// To be called before pictures are shared out among threads: a thread that loads them may be lent to another picture
/// meanwhile, which would wait for them for ever.
pub(crate) fn load_networks() -> bool {
    regression::loaded() && segmentation::loaded()
}

/// Digest of the networks' weights, hexadecimal: what they are changes what is measured.
pub(crate) fn networks_digest() -> String {
    let mut hasher = blake3::Hasher::new();
    for weights in [regression::WEIGHTS, segmentation::WEIGHTS] {
        hasher.update(weights);
    }
    hasher.finalize().to_hex().to_string()
}

/// One picture under the eye of this stage: what was made for [`crate::detect`]'s closer look at its hits is not made again
/// when those that are kept are measured.
pub(crate) struct StripCache<'a> {
    micrograph: &'a Micrograph,
    settings: &'a MeasureSettings,
    planes: Planes<'a>,
    /// What the regression network answered for ends as they were told.
    answered: Vec<(InitialEnd, Vec<f32>)>,
}

impl<'a> StripCache<'a> {
    /// Nothing is looked at yet.
    pub(crate) fn new(micrograph: &'a Micrograph, settings: &'a MeasureSettings) -> Self {
        Self { micrograph, settings, planes: Planes::new(micrograph), answered: Vec::new() }
    }

    /// The picture.
    pub(crate) fn micrograph(&self) -> &'a Micrograph {
        self.micrograph
    }

    /// What the regression network makes of each candidate before anything is measured, in their order; nothing where it fails.
    pub(crate) fn evidence(&mut self, candidates: &[Candidate]) -> Vec<StripEvidence> {
        let told: Vec<Option<InitialEnd>> =
            candidates.iter().map(|c| initial(self.micrograph, c, self.settings)).collect();
        let evidence = self.first_answers(&told);
        evidence.into_iter().map(|answer| answer.and_then(|a| StripEvidence::of(&a)).unwrap_or_default()).collect()
    }

    /// What the regression network answers for ends as they were told, in their order.
    fn first_answers(&mut self, told: &[Option<InitialEnd>]) -> Vec<Option<Vec<f32>>> {
        let widest = told.iter().flatten().map(|r| r.width_px).fold(0.0, f64::max);
        self.planes.deepen(WIDER * widest / self.settings.coarse_samples.min(network::PER_WIDTH));
        let known = |answered: &[(InitialEnd, Vec<f32>)], initial: &InitialEnd| -> Option<Vec<f32>> {
            answered.iter().find(|(r, _)| r == initial).map(|(_, answer)| answer.clone())
        };
        let new: Vec<Option<InitialEnd>> =
            told.iter().flatten().filter(|r| known(&self.answered, r).is_none()).map(|r| Some(*r)).collect();
        self.answered.extend(regression::answers_of(&self.planes, &new).into_iter().flatten());
        told.iter().map(|initial| known(&self.answered, initial.as_ref()?)).collect()
    }

    /// Measures every candidate; order and number are kept.
    ///
    /// The regression network reads twice: first as the detector told the end, then where its first regression puts it.
    pub(crate) fn measure(&mut self, candidates: &[Candidate]) -> Vec<MeasuredEnd> {
        let (micrograph, settings) = (self.micrograph, self.settings);
        let told: Vec<Option<InitialEnd>> = candidates.iter().map(|c| initial(micrograph, c, settings)).collect();
        let first = self.first_answers(&told);
        let first: Vec<Option<Regression>> =
            first.into_iter().map(|answer| answer.and_then(|a| Regression::of(&a, settings))).collect();
        let planes = &self.planes;
        let closer = corrected(micrograph, &told, &first, settings);
        let second = regressions(planes, &closer, settings);
        let segmentations = segmentations(planes, &closer);
        let seen: Vec<Option<EndEvidence>> = closer
            .iter()
            .zip(second.iter().zip(&segmentations))
            .map(|(initial, (regression, segmentation))| {
                initial.as_ref().map(|initial| EndEvidence {
                    initial,
                    regression: regression.as_ref(),
                    segmentation: segmentation.as_ref(),
                })
            })
            .collect();
        let mut shafts: Vec<Option<Shaft>> =
            seen.iter().map(|s| s.as_ref().and_then(|s| measure_shaft(planes, s, settings))).collect();
        draw_together(&mut shafts, settings);
        candidates
            .iter()
            .zip(shafts.iter().zip(&seen))
            .map(|(candidate, (shaft, seen))| match (shaft, seen) {
                (Some(shaft), Some(seen)) => end::measure_end(planes, candidate, shaft, seen, settings),
                _ => {
                    let mut end = end::unmeasured(candidate);
                    end.not_gradable.push(Reason::NoShaft);
                    end
                }
            })
            .collect()
    }
}

/// Measures every candidate of a picture; order and number are kept.
pub fn measure_ends(micrograph: &Micrograph, candidates: &[Candidate], settings: &MeasureSettings) -> Vec<MeasuredEnd> {
    StripCache::new(micrograph, settings).measure(candidates)
}

/// Strips are cut up to this many times wider than the detector told.
const WIDER: f64 = 2.0;

/// InitialEnd ends where the first regressions put them, widths drawn towards those of their neighbours.
fn corrected(
    micrograph: &Micrograph,
    told: &[Option<InitialEnd>],
    regressions: &[Option<Regression>],
    settings: &MeasureSettings,
) -> Vec<Option<InitialEnd>> {
    let mut closer: Vec<Option<InitialEnd>> = told
        .iter()
        .zip(regressions)
        .map(|(initial, regression)| {
            let initial = initial.as_ref()?;
            let read = regression.as_ref().map(|r| r.corrected(initial));
            Some(read.filter(|r| micrograph.grey.contains(r.tip)).unwrap_or(*initial))
        })
        .collect();
    let width = |r: &InitialEnd| Estimate { value: r.width_px.ln(), standard_uncertainty: r.width_sigma };
    let widths: Vec<Estimate> = closer.iter().flatten().map(width).collect();
    if let Some(prior) = PicturePrior::of(&widths, settings) {
        for initial in closer.iter_mut().flatten() {
            let drawn = prior.drawn(width(initial), settings);
            *initial = InitialEnd { width_px: drawn.value.exp(), width_sigma: drawn.standard_uncertainty, ..*initial };
        }
    }
    closer
}

/// Draws the diameters of a picture's shafts towards what its fibres have in common.
fn draw_together(shafts: &mut [Option<Shaft>], settings: &MeasureSettings) {
    let gaps: Vec<Estimate> = shafts.iter().flatten().filter_map(Shaft::gap).collect();
    let moved = fuse::limb_bias(&gaps, settings);
    shafts.iter_mut().flatten().for_each(|s| s.weigh(moved, settings));
    let widths: Vec<Estimate> = shafts.iter().flatten().map(Shaft::ln_diameter).collect();
    if let Some(prior) = PicturePrior::of(&widths, settings) {
        shafts.iter_mut().flatten().for_each(|s| s.set_ln_diameter(prior.drawn(s.ln_diameter(), settings)));
    }
    for shaft in shafts.iter_mut().flatten() {
        // What all ends of a picture have wrong together does not average out.
        let told = shaft.ln_diameter();
        let common = settings.shared_width_u.0 + settings.shared_width_u.1 * shaft.doubt(settings);
        shaft.set_ln_diameter(Estimate { standard_uncertainty: told.standard_uncertainty.hypot(common), ..told });
    }
}

/// What the detector says, when it can be measured at all.
fn initial(micrograph: &Micrograph, c: &Candidate, settings: &MeasureSettings) -> Option<InitialEnd> {
    let numbers = [c.tip.x, c.tip.y, c.axis_deg, c.width_px];
    let longest = f64::from(micrograph.grey.width().max(micrograph.grey.height()));
    let usable = numbers.iter().all(|v| v.is_finite())
        && micrograph.grey.width() > 0
        && micrograph.grey.height() > 0
        && 1.0 <= c.width_px
        && c.width_px <= longest
        && micrograph.grey.contains(c.tip);
    usable.then_some(InitialEnd {
        tip: c.tip,
        axis_deg: c.axis_deg,
        width_px: c.width_px,
        width_sigma: settings.initial_width_sigma,
    })
}

#[cfg(test)]
mod tests;
