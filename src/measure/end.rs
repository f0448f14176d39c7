//! One end: shaft, region, shape and tones brought together into a row of features.
//!
//! Planes + candidate + shaft + segmentation -> [`MeasuredEnd`].

use crate::detect::Candidate;
use crate::measure::end_region::EndRegion;
use crate::measure::fuse::fuse;
use crate::measure::planes::{Colour, Planes, length, minus};
use crate::measure::regression::Estimate;
use crate::measure::segmentation::Segmentation;
use crate::measure::shaft::Shaft;
use crate::measure::shape::{Cap, EndLine, cap, end_line, roughness, solidity};
use crate::measure::strip::{Layout, Strip};
use crate::measure::tone::{Tones, hue_saturation};
use crate::measure::{Drawn, EndEvidence, FeatureRow, MeasuredEnd, quality};
use crate::settings::MeasureSettings;
use crate::units::{Point, direction_gap_deg, wrap_deg};

/// An end about which nothing but the detector's word is known.
pub(super) fn unmeasured(candidate: &Candidate) -> MeasuredEnd {
    let mut features = FeatureRow::default();
    features.set("detection_score", Some(candidate.score));
    features.set("network_p_sheared", candidate.network_p_sheared);
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
    planes: &Planes,
    candidate: &Candidate,
    shaft: &Shaft,
    seen: &EndEvidence,
    settings: &MeasureSettings,
) -> MeasuredEnd {
    let mut end = unmeasured(candidate);
    let d = shaft.diameter;
    end.drawn = shaft.drawn();
    shaft_features(&mut end.features, shaft, candidate, settings);
    let strip = Strip::sample(planes, &shaft.centreline, layout(d, settings));
    let region = seen.segmentation.and_then(|g| EndRegion::new(&strip, g, d, settings));
    end.axis_deg = axis_deg(shaft, seen, 0.0, settings);
    if let (Some(segmentation), Some(mut region)) = (seen.segmentation, region) {
        let least = settings.side_height * shaft.heights()[0].min(shaft.heights()[1]);
        region.refine_front(&strip, d, settings);
        region.refine_sides(&strip, d, least, settings);
        region_features(&mut end, &strip, &region, shaft, (seen, segmentation), settings);
    }
    let mut features = std::mem::take(&mut end.features);
    features.set("tip_shift", Some(end.tip.distance(candidate.tip) / d));
    features.set("axis_shift_deg", Some(direction_gap_deg(end.axis_deg, candidate.axis_deg)));
    features.set("border_distance", Some(planes.border_distance(end.tip) / d));
    end.features = features;
    quality::judge(&mut end, settings);
    end
}

/// Direction of the shaft over the last 1.5 diameters behind `u`: the traced centre line's, weighed against the regression network's.
fn axis_deg(shaft: &Shaft, seen: &EndEvidence, u: f64, settings: &MeasureSettings) -> f64 {
    let traced = shaft.axis_deg(u);
    let Some(regression) = seen.regression else { return traced };
    let read = Estimate {
        value: wrap_deg(seen.initial.axis_deg + regression.turn_deg.value - traced),
        standard_uncertainty: regression.turn_deg.standard_uncertainty,
    };
    let traced_u = Estimate { value: 0.0, standard_uncertainty: by_doubt(settings.axis_u_deg, shaft, settings) };
    wrap_deg(traced + fuse(read, traced_u, settings.outlier_prior_axis, 90.0).value)
}

/// An uncertainty given as its part without doubt and its part per doubt of the trace.
fn by_doubt(parts: (f64, f64), shaft: &Shaft, settings: &MeasureSettings) -> f64 {
    parts.0 + parts.1 * shaft.doubt(settings)
}

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

fn shaft_features(features: &mut FeatureRow, shaft: &Shaft, candidate: &Candidate, settings: &MeasureSettings) {
    let d = shaft.diameter;
    let [left, right] = shaft.heights();
    let blur = shaft.blur();
    features.set("shaft_diameter_px", Some(d));
    features.set("shaft_diameter_u_px", Some(shaft.diameter_u));
    features.set("width_spread", Some(shaft.spread / d));
    features.set("shaft_support", Some(shaft.share(settings)));
    features.set("edge_balance", Some(left.min(right) / left.max(right).max(f64::MIN_POSITIVE)));
    features.set("contrast", Some(0.5 * (left + right)));
    features.set("edge_blur_px", Some(blur));
    features.set("edge_blur_d", Some(blur / d));
    features.set("width_shift", Some((d / candidate.width_px).ln()));
    features.set("curvature", Some(shaft.curvature()));
}

/// Features of the outlined end, its tip and its axis.
fn region_features(
    end: &mut MeasuredEnd,
    strip: &Strip,
    region: &EndRegion,
    shaft: &Shaft,
    (seen, segmentation): (&EndEvidence, &Segmentation),
    settings: &MeasureSettings,
) {
    let d = shaft.diameter;
    let Some(cap) = cap(strip, region, d, settings) else { return };
    let line = end_line(strip, region, d, settings);
    let tip = tip(strip, &cap, line.as_ref(), segmentation, d, settings);
    let tip = read_tip(strip, tip, seen, by_doubt(settings.tip_u, shaft, settings) * d, settings);
    end.tip = strip.place(tip.0, tip.1);
    end.axis_deg = axis_deg(shaft, seen, tip.0, settings);
    let f = &mut end.features;
    let outlined = [settings.bulb_u, settings.outlier_prior_bulb].map(|parts| by_doubt(parts, shaft, settings));
    cap_features(f, &cap, d, (seen, outlined));
    f.set("tip_confidence", Some(segmentation.tip().1));
    f.set("roughness", roughness(strip, region, d, cap.apex, settings).map(|r| r / d));
    f.set("solidity", solidity(strip, region, d, cap.apex, settings));
    f.set("visible_share", Some(region.visible));
    let [left, right] = shaft.heights();
    let tones =
        Tones { strip, region, d, apex: cap.apex, edge: (0.5 * (left + right)).max(f64::MIN_POSITIVE), settings };
    if let Some(line) = &line {
        let slope_u = (line.slope_u / (1.0 + line.slope * line.slope)).to_degrees();
        let fitted = Estimate {
            value: line.slope.atan().to_degrees(),
            standard_uncertainty: slope_u.hypot(settings.cut_u_deg).hypot(settings.cut_u_flat * line.rms / d),
        };
        let strip_deg = strip.line(strip.row(tip.0)).1;
        let angle = cut_angle(end.axis_deg, strip_deg, fitted, seen, settings);
        f.set("cut_angle_deg", Some(angle.value));
        f.set("cut_angle_size_deg", Some(angle.value.abs()));
        f.set("cut_angle_u_deg", Some(angle.standard_uncertainty));
        f.set("flatness", Some(line.rms / d));
        f.set("front_bow", Some(line.bow / d));
        f.set("end_edge", Some(line.height / tones.edge));
        f.set("end_line_rise", Some((line.slope * (line.span.1 - line.span.0)).abs() / d));
        let at = |v: f64| strip.place(line.at + line.slope * v + 0.5 * line.bow, v);
        end.drawn.end_line = Some((at(-0.5 * d), at(0.5 * d)));
    }
    tone_features(&mut end.features, &tones, segmentation.has_colour());
    end.drawn.outline = outline(strip, region);
}

/// The tip weighed against the one that the regression network reads, along and across the strip.
fn read_tip(
    strip: &Strip,
    shaped: (f64, f64),
    seen: &EndEvidence,
    shaped_u: f64,
    settings: &MeasureSettings,
) -> (f64, f64) {
    let Some(regression) = seen.regression else { return shaped };
    let read = strip.locate(regression.corrected(seen.initial).tip);
    let one = |read: f64, u: f64, shaped: f64| {
        let read = Estimate { value: read, standard_uncertainty: u * seen.initial.width_px };
        fuse(
            read,
            Estimate { value: shaped, standard_uncertainty: shaped_u },
            settings.outlier_prior_tip,
            seen.initial.width_px,
        )
        .value
    };
    (
        one(read.0, regression.along.standard_uncertainty, shaped.0),
        one(read.1, regression.across.standard_uncertainty, shaped.1),
    )
}

/// Cut angle from the line fitted in a strip of direction `strip_deg`, weighed against the regression network's.
///
/// A line that rises towards the side (-sin, cos) of its strip makes a larger angle with an axis turned that way.
fn cut_angle(
    axis_deg: f64,
    strip_deg: f64,
    fitted: Estimate,
    seen: &EndEvidence,
    settings: &MeasureSettings,
) -> Estimate {
    let fitted = Estimate { value: fitted.value + wrap_deg(axis_deg - strip_deg), ..fitted };
    let Some(regression) = seen.regression else { return fitted };
    let turn = wrap_deg(axis_deg - seen.initial.axis_deg);
    let read = Estimate {
        value: regression.line_deg.value + turn,
        standard_uncertainty: regression.line_deg.standard_uncertainty,
    };
    fuse(read, fitted, settings.outlier_prior_cut, 90.0)
}

/// The tip along and across the strip: the middle of a cap, the middle of a cut face, or the last point of a taper.
fn tip(
    strip: &Strip,
    cap: &Cap,
    line: Option<&EndLine>,
    segmentation: &Segmentation,
    d: f64,
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

fn cap_features(f: &mut FeatureRow, cap: &Cap, d: f64, (seen, outlined): (&EndEvidence, [f64; 2])) {
    let u = f.get("shaft_diameter_u_px").unwrap_or(0.0) / d;
    let edges =
        Estimate { value: (cap.width / d).ln(), standard_uncertainty: (cap.width_u / cap.width).hypot(outlined[0]) };
    let bulb = match seen.regression {
        Some(r) => fuse(r.ln_bulb, edges, outlined[1].clamp(0.0, 1.0), 1.0),
        None => edges,
    };
    f.set("bulb_ratio", Some(bulb.value.exp()));
    f.set("bulb_ratio_u", Some(bulb.standard_uncertainty.hypot(u) * bulb.value.exp()));
    f.set("cap_length", Some((cap.to - cap.from) / d));
    f.set("cap_roundness", Some((cap.to - cap.from) / cap.width));
    f.set("neck", Some(cap.neck / d));
    f.set("front_width", Some(cap.front_width / d));
    f.set("taper", Some(cap.taper));
    f.set("asymmetry", Some(cap.middle.abs() / d));
    f.set("flare_one_sided", Some((cap.overhang[0] - cap.overhang[1]).abs() / d));
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
