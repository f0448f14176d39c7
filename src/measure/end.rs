//! One end: shaft, region, shape and tones brought together into a row of features.
//!
//! Candidate + shaft + what the networks say -> [`MeasuredEnd`].

use super::end_region::EndRegion;
use super::evidence::{Context, EndEvidence};
use super::form;
use super::fuse::{Outliers, fuse};
use super::measured::{Drawn, MeasuredEnd};
use super::quality;
use super::registry::FeatureRow;
use super::shaft::Shaft;
use super::shape::{Cap, EndLine, cap, end_line, roughness, solidity};
use super::tone::{Tones, hue_saturation};
use crate::detect::Candidate;
use crate::fitted;
use crate::network::estimate::Estimate;
use crate::network::planes::{Colour, length, minus};
use crate::network::segmentation::Segmentation;
use crate::network::strip::{Layout, Strip};
use crate::settings::MeasureSettings;
use crate::units::{Point, direction_gap_deg, wrap_deg};
use statrs::function::logistic::{logistic, logit};

/// An end about which nothing but the detector's word is known.
pub(super) fn unmeasured(candidate: &Candidate) -> MeasuredEnd {
    let mut features = FeatureRow::default();
    features.set("detection_score", Some(candidate.score));
    MeasuredEnd {
        tip: candidate.tip,
        axis_deg: candidate.axis_deg,
        score: candidate.score,
        quality: 0.0,
        features,
        drawn: Drawn::default(),
        not_gradable: Vec::new(),
    }
}

/// Measures an end whose shaft is known.
pub(super) fn measure_end(
    context: &Context,
    candidate: &Candidate,
    shaft: &Shaft,
    evidence: &EndEvidence,
) -> MeasuredEnd {
    let (planes, settings) = (context.planes, context.settings);
    let mut end = unmeasured(candidate);
    end.features.set("network_p_sheared", Some(logistic(look(candidate, evidence))));
    form::set(&mut end.features, &evidence.form);
    let d = shaft.diameter;
    end.drawn = shaft.drawn();
    shaft_features(&mut end.features, shaft, candidate, context);
    let strip = Strip::sample(planes, &shaft.centreline, layout(d, settings));
    end.axis_deg = axis_deg(shaft, evidence, 0.0, context);
    if let Some(mut region) = EndRegion::new(&strip, &evidence.segmentation, d, settings) {
        let least = settings.side_height * shaft.heights()[0].min(shaft.heights()[1]);
        region.refine_front(&strip, d, settings);
        region.refine_sides(&strip, d, least, settings);
        Outlined { strip: &strip, region: &region, shaft, evidence, context }.measure(&mut end);
    }
    end.features.set("tip_shift", Some(end.tip.distance(candidate.tip) / d));
    end.features.set("axis_shift_deg", Some(direction_gap_deg(end.axis_deg, candidate.axis_deg)));
    end.features.set("border_distance", Some(planes.border_distance(end.tip) / d));
    quality::judge(&mut end, settings);
    end
}

/// Logit of the chance that an end looks sheared: two parts what its strip shows, one part what the detector sees from farther
/// off, which alone has learnt from real pictures.
fn look(candidate: &Candidate, evidence: &EndEvidence) -> f64 {
    let far = candidate.network_p_sheared.map(|p| logit(p.clamp(1.0 - SURE, SURE)));
    far.map_or(evidence.look, |far| (2.0 * evidence.look + far) / 3.0)
}

/// Chances beyond this one say no more.
const SURE: f64 = 0.999;

/// Direction of the shaft over the last 1.5 diameters behind `u`: the traced centre line's, fused with the regressed one.
fn axis_deg(shaft: &Shaft, evidence: &EndEvidence, u: f64, context: &Context) -> f64 {
    let fit = &context.fitted.axis;
    let traced = shaft.axis_deg(u);
    let turn = evidence.regression.turn_deg;
    let regressed = Estimate { value: wrap_deg(evidence.initial.axis_deg + turn.value - traced), ..turn };
    let traced_u = fitted::at(fit.u, shaft.inconsistency(context));
    let own = Estimate { value: 0.0, standard_uncertainty: traced_u };
    let outliers = Outliers { prior: fit.outlier_prior, range: RIGHT_ANGLE_DEG };
    wrap_deg(traced + fuse(regressed, own, outliers).value)
}

/// Wrong directions lie anywhere within a right angle.
const RIGHT_ANGLE_DEG: f64 = 90.0;

fn layout(d: f64, settings: &MeasureSettings) -> Layout {
    let step = (d / settings.fine_samples).max(settings.finest_step_px.min(d / settings.coarse_samples));
    let samples = |lengths: f64| (lengths * d / step).round() as usize;
    Layout {
        step,
        behind: samples(settings.strip_back),
        ahead: samples(settings.strip_ahead),
        half: samples(settings.strip_half),
    }
}

fn shaft_features(features: &mut FeatureRow, shaft: &Shaft, candidate: &Candidate, context: &Context) {
    let d = shaft.diameter;
    let [left, right] = shaft.heights();
    let blur = shaft.blur();
    features.set("shaft_diameter_px", Some(d));
    features.set("shaft_diameter_u_px", Some(shaft.diameter_u));
    features.set("shaft_diameter_shared_u_px", Some(shaft.shared_u));
    features.set("width_spread", Some(shaft.spread / d));
    features.set("shaft_support", Some(shaft.share(context)));
    features.set("edge_balance", Some(left.min(right) / left.max(right).max(f64::MIN_POSITIVE)));
    features.set("contrast", Some(0.5 * (left + right)));
    features.set("edge_blur_px", Some(blur));
    features.set("edge_blur_d", Some(blur / d));
    features.set("width_shift", Some((d / candidate.width_px).ln()));
    features.set("curvature", Some(shaft.curvature()));
}

/// An end whose outline is known.
struct Outlined<'a> {
    strip: &'a Strip,
    region: &'a EndRegion,
    shaft: &'a Shaft,
    evidence: &'a EndEvidence,
    context: &'a Context<'a>,
}

impl Outlined<'_> {
    /// Sets the features of the outlined end, its tip and its axis.
    fn measure(&self, end: &mut MeasuredEnd) {
        let (strip, region, settings) = (self.strip, self.region, self.context.settings);
        let d = self.shaft.diameter;
        let Some(cap) = cap(strip, region, d, settings) else { return };
        let line = end_line(strip, region, d, settings);
        let shaped = tip(strip, &cap, line.as_ref(), (&self.evidence.segmentation, d), settings);
        let tip = self.fused_tip(shaped);
        end.tip = strip.place(tip.0, tip.1);
        end.axis_deg = axis_deg(self.shaft, self.evidence, tip.0, self.context);
        let f = &mut end.features;
        self.cap_features(f, &cap);
        f.set("tip_confidence", Some(self.evidence.segmentation.tip().1));
        f.set("roughness", roughness(strip, region, d, cap.apex, settings).map(|r| r / d));
        f.set("solidity", solidity(strip, region, d, cap.apex, settings));
        f.set("visible_share", Some(region.visible));
        let [left, right] = self.shaft.heights();
        let edge = (0.5 * (left + right)).max(f64::MIN_POSITIVE);
        let tones = Tones { strip, region, d, apex: cap.apex, edge, settings };
        if let Some(line) = &line {
            let strip_deg = strip.line(strip.row(tip.0)).1;
            let angle = self.cut_angle(end.axis_deg, strip_deg, line);
            line_features(f, line, angle, (d, edge));
            let at = |v: f64| strip.place(line.at + line.slope * v + 0.5 * line.bow, v);
            end.drawn.end_line = Some((at(-0.5 * d), at(0.5 * d)));
        }
        tone_features(&mut end.features, &tones, self.evidence.segmentation.has_colour());
        end.drawn.outline = outline(strip, region);
    }

    /// The tip of the measured shape fused with the regressed one, along and across the strip.
    fn fused_tip(&self, shaped: (f64, f64)) -> (f64, f64) {
        let fit = &self.context.fitted.tip;
        let EndEvidence { initial, regression, .. } = self.evidence;
        let shaped_u = fitted::at(fit.u, self.shaft.inconsistency(self.context)) * self.shaft.diameter;
        let regressed = self.strip.locate(regression.corrected(initial).tip);
        let outliers = Outliers { prior: fit.outlier_prior, range: initial.width_px };
        let one = |regressed: f64, u: f64, shaped: f64| {
            let regressed = Estimate { value: regressed, standard_uncertainty: u * initial.width_px };
            fuse(regressed, Estimate { value: shaped, standard_uncertainty: shaped_u }, outliers).value
        };
        let (along, across) = (regression.along, regression.across);
        (
            one(regressed.0, along.standard_uncertainty, shaped.0),
            one(regressed.1, across.standard_uncertainty, shaped.1),
        )
    }

    /// Cut angle from the line fitted in a strip of direction `strip_deg`, fused with the regressed one.
    ///
    /// A line that rises towards the side (-sin, cos) of its strip makes a larger angle with an axis turned that way.
    fn cut_angle(&self, axis_deg: f64, strip_deg: f64, line: &EndLine) -> Estimate {
        let fit = &self.context.fitted.cut;
        let slope_u = (line.slope_u / (1.0 + line.slope * line.slope)).to_degrees();
        let flatness = line.rms / self.shaft.diameter;
        let fitted = Estimate {
            value: line.slope.atan().to_degrees() + wrap_deg(axis_deg - strip_deg),
            standard_uncertainty: slope_u.hypot(fit.u_deg).hypot(fit.u_deg_per_flatness * flatness),
        };
        let turn = wrap_deg(axis_deg - self.evidence.initial.axis_deg);
        let line_deg = self.evidence.regression.line_deg;
        let regressed = Estimate { value: line_deg.value + turn, ..line_deg };
        fuse(regressed, fitted, Outliers { prior: fit.outlier_prior, range: RIGHT_ANGLE_DEG })
    }

    fn cap_features(&self, f: &mut FeatureRow, cap: &Cap) {
        let fit = &self.context.fitted.bulb;
        let d = self.shaft.diameter;
        let inconsistency = self.shaft.inconsistency(self.context);
        let diameter_u = f.get("shaft_diameter_u_px").unwrap_or(0.0) / d;
        let outlined = Estimate {
            value: (cap.width / d).ln(),
            standard_uncertainty: (cap.width_u / cap.width).hypot(fitted::at(fit.u, inconsistency)),
        };
        let prior = fitted::at(fit.outlier_prior, inconsistency).clamp(0.0, 1.0);
        let bulb = fuse(self.evidence.regression.ln_bulb, outlined, Outliers { prior, range: 1.0 });
        f.set("bulb_ratio", Some(bulb.value.exp()));
        f.set("bulb_ratio_u", Some(bulb.standard_uncertainty.hypot(diameter_u) * bulb.value.exp()));
        f.set("cap_length", Some((cap.to - cap.from) / d));
        f.set("cap_roundness", Some((cap.to - cap.from) / cap.width));
        f.set("neck", Some(cap.neck / d));
        f.set("front_width", Some(cap.front_width / d));
        f.set("taper", Some(cap.taper));
        f.set("asymmetry", Some(cap.middle.abs() / d));
        f.set("flare_one_sided", Some((cap.overhang[0] - cap.overhang[1]).abs() / d));
    }
}

/// Features of the straight edge of an end; `edge` is the step across the shaft's edges.
fn line_features(f: &mut FeatureRow, line: &EndLine, angle: Estimate, (d, edge): (f64, f64)) {
    f.set("cut_angle_deg", Some(angle.value));
    f.set("cut_angle_size_deg", Some(angle.value.abs()));
    f.set("cut_angle_u_deg", Some(angle.standard_uncertainty));
    f.set("flatness", Some(line.rms / d));
    f.set("front_bow", Some(line.bow / d));
    f.set("end_edge", Some(line.height / edge));
    f.set("end_line_rise", Some((line.slope * (line.span.1 - line.span.0)).abs() / d));
}

/// The tip along and across the strip: the middle of a cap, the middle of a cut face, or the last point of a taper.
fn tip(
    strip: &Strip,
    cap: &Cap,
    line: Option<&EndLine>,
    (segmentation, d): (&Segmentation, f64),
    settings: &MeasureSettings,
) -> (f64, f64) {
    let (place, sure) = segmentation.tip();
    let segmented = strip.locate(place);
    let capped = cap.to > cap.from;
    let shaped = match line {
        _ if capped => (0.5 * (cap.from + cap.apex), cap.middle),
        Some(line) => (line.at, 0.0),
        None => (cap.apex, 0.0),
    };
    let agree = (segmented.0 - shaped.0).hypot(segmented.1 - shaped.1) <= settings.tip_agreement * d;
    let share = if agree {
        settings.tip_segmentation_share
    } else if settings.tip_min_confidence <= sure {
        1.0
    } else {
        0.0
    };
    (share * segmented.0 + (1.0 - share) * shaped.0, share * segmented.1 + (1.0 - share) * shaped.1)
}

fn tone_features(f: &mut FeatureRow, tones: &Tones, colour: bool) {
    let bright = |c: Colour| if colour { f64::from(c[0] + c[1] + c[2]) / 3.0 } else { f64::from(c[0]) };
    let (shaft, face, beyond) = (tones.shaft(), tones.face(), tones.beyond());
    if let (Some(s), Some(e)) = (shaft, face) {
        f.set("face_brightness", Some((bright(e) - bright(s)) / (bright(e) + bright(s))));
        f.set("face_contrast", Some(f64::from(length(minus(e, s))) / tones.edge));
    }
    if let (Some(s), Some(b)) = (shaft, beyond) {
        f.set("beyond_contrast", Some(f64::from(length(minus(b, s))) / tones.edge));
    }
    if let Some(s) = shaft {
        f.set("shaft_grey", Some(bright(s)));
        let (hue, saturation) = hue_saturation(s);
        f.set("dye_hue_deg", (colour && saturation > 0.0).then_some(hue));
        f.set("dye_saturation", colour.then_some(saturation));
    }
    f.set("end_texture", tones.end_texture());
    f.set("wisps", tones.wisps());
    f.set("split", tones.split());
    let s = tones.settings;
    let behind = tones.continuation_edges(-s.continuation_behind.0, -s.continuation_behind.1);
    let ahead = tones.continuation_edges(s.continuation_ahead.0, s.continuation_ahead.1);
    let ratio = [0, 1].map(|k| ahead[k] / behind[k].max(f64::MIN_POSITIVE));
    f.set("continuation", Some(ratio[0].min(ratio[1])));
    f.set("masked_share", Some(tones.hidden_by_frame()));
}

fn outline(strip: &Strip, region: &EndRegion) -> Vec<Point> {
    let rows = region.extents.iter().enumerate().filter_map(|(r, e)| e.map(|e| (strip.u(r + region.first_row), e)));
    let mut left: Vec<Point> = rows.clone().map(|(u, e)| strip.place(u, e[0])).collect();
    let right: Vec<Point> = rows.map(|(u, e)| strip.place(u, e[1])).collect();
    left.extend(right.into_iter().rev());
    left
}
