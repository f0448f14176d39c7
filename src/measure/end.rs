//! One end: shaft, zone, shape and tones brought together into a row of features.
//!
//! Planes + candidate + shaft + guide -> [`MeasuredEnd`].

use crate::find::Candidate;
use crate::measure::agree::weighed;
use crate::measure::gauge::Told;
use crate::measure::guide::Guide;
use crate::measure::planes::{Colour, Planes, length, minus};
use crate::measure::shaft::Shaft;
use crate::measure::shape::{Cap, EndLine, cap, end_line, roughness, solidity};
use crate::measure::strip::{Layout, Strip};
use crate::measure::tone::{Tones, hue_saturation};
use crate::measure::zone::Zone;
use crate::measure::{Drawn, FeatureRow, MeasuredEnd, Seen, quality};
use crate::settings::MeasureSettings;
use crate::units::{Point, direction_gap_deg, wrap_deg};

/// An end about which nothing but the finder's word is known.
pub(super) fn unmeasured(candidate: &Candidate) -> MeasuredEnd {
    let mut features = FeatureRow::default();
    features.set("finder_score", Some(candidate.score));
    features.set("look_sheared", candidate.look_sheared);
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
    seen: &Seen,
    settings: &MeasureSettings,
) -> MeasuredEnd {
    let mut end = unmeasured(candidate);
    let d = shaft.diameter;
    end.drawn = shaft.drawn();
    shaft_features(&mut end.features, shaft, candidate, settings);
    let strip = Strip::sample(planes, &shaft.course, layout(d, settings));
    let zone = seen.guide.and_then(|g| Zone::new(&strip, g, d, settings));
    end.axis_deg = axis_deg(shaft, seen, 0.0, settings);
    if let (Some(guide), Some(mut zone)) = (seen.guide, zone) {
        let least = settings.side_height * shaft.heights()[0].min(shaft.heights()[1]);
        zone.refine_front(&strip, d, settings);
        zone.refine_sides(&strip, d, least, settings);
        zone_features(&mut end, &strip, &zone, shaft, (seen, guide), settings);
    }
    let mut features = std::mem::take(&mut end.features);
    features.set("tip_shift", Some(end.tip.distance(candidate.tip) / d));
    features.set("axis_shift_deg", Some(direction_gap_deg(end.axis_deg, candidate.axis_deg)));
    features.set("border_distance", Some(planes.border_distance(end.tip) / d));
    end.features = features;
    quality::judge(&mut end, settings);
    end
}

/// Direction of the shaft over the last 1.5 diameters behind `u`: the traced centre line's, weighed against the gauge's.
fn axis_deg(shaft: &Shaft, seen: &Seen, u: f64, settings: &MeasureSettings) -> f64 {
    let traced = shaft.axis_deg(u);
    let Some(reading) = seen.reading else { return traced };
    let read = Told { value: wrap_deg(seen.rough.axis_deg + reading.turn_deg.value - traced), u: reading.turn_deg.u };
    let traced_u = Told { value: 0.0, u: by_doubt(settings.axis_u_deg, shaft, settings) };
    wrap_deg(traced + weighed(read, traced_u, settings.axis_doubt, 90.0).value)
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
fn zone_features(
    end: &mut MeasuredEnd,
    strip: &Strip,
    zone: &Zone,
    shaft: &Shaft,
    (seen, guide): (&Seen, &Guide),
    settings: &MeasureSettings,
) {
    let d = shaft.diameter;
    let Some(cap) = cap(strip, zone, d, settings) else { return };
    let line = end_line(strip, zone, d, settings);
    let tip = tip(strip, &cap, line.as_ref(), guide, d, settings);
    let tip = read_tip(strip, tip, seen, by_doubt(settings.tip_u, shaft, settings) * d, settings);
    end.tip = strip.place(tip.0, tip.1);
    end.axis_deg = axis_deg(shaft, seen, tip.0, settings);
    let f = &mut end.features;
    let outlined = [settings.bulb_u, settings.bulb_doubt].map(|parts| by_doubt(parts, shaft, settings));
    cap_features(f, &cap, d, (seen, outlined));
    f.set("guide_tip", Some(guide.tip().1));
    f.set("roughness", roughness(strip, zone, d, cap.apex, settings).map(|r| r / d));
    f.set("solidity", solidity(strip, zone, d, cap.apex, settings));
    f.set("visible_share", Some(zone.visible));
    let [left, right] = shaft.heights();
    let tones = Tones { strip, zone, d, apex: cap.apex, edge: (0.5 * (left + right)).max(f64::MIN_POSITIVE), settings };
    if let Some(line) = &line {
        let slope_u = (line.slope_u / (1.0 + line.slope * line.slope)).to_degrees();
        let fitted = Told {
            value: line.slope.atan().to_degrees(),
            u: slope_u.hypot(settings.cut_u_deg).hypot(settings.cut_u_flat * line.rms / d),
        };
        let strip_deg = strip.line(strip.row(tip.0)).1;
        let angle = cut_angle(end.axis_deg, strip_deg, fitted, seen, settings);
        f.set("cut_angle_deg", Some(angle.value));
        f.set("cut_angle_size_deg", Some(angle.value.abs()));
        f.set("cut_angle_u_deg", Some(angle.u));
        f.set("flatness", Some(line.rms / d));
        f.set("front_bow", Some(line.bow / d));
        f.set("end_edge", Some(line.height / tones.edge));
        f.set("rail_end", Some((line.slope * (line.span.1 - line.span.0)).abs() / d));
        let at = |v: f64| strip.place(line.at + line.slope * v + 0.5 * line.bow, v);
        end.drawn.end_line = Some((at(-0.5 * d), at(0.5 * d)));
    }
    tone_features(&mut end.features, &tones, guide.has_colour());
    end.drawn.outline = outline(strip, zone);
}

/// The tip weighed against the one that the gauge reads, along and across the strip.
fn read_tip(strip: &Strip, shaped: (f64, f64), seen: &Seen, shaped_u: f64, settings: &MeasureSettings) -> (f64, f64) {
    let Some(reading) = seen.reading else { return shaped };
    let read = strip.locate(reading.corrected(seen.rough).tip);
    let one = |read: f64, u: f64, shaped: f64| {
        let read = Told { value: read, u: u * seen.rough.width_px };
        weighed(read, Told { value: shaped, u: shaped_u }, settings.tip_doubt, seen.rough.width_px).value
    };
    (one(read.0, reading.along.u, shaped.0), one(read.1, reading.across.u, shaped.1))
}

/// Cut angle from the line fitted in a strip of direction `strip_deg`, weighed against the gauge's.
///
/// A line that rises towards the side (-sin, cos) of its strip makes a larger angle with an axis turned that way.
fn cut_angle(axis_deg: f64, strip_deg: f64, fitted: Told, seen: &Seen, settings: &MeasureSettings) -> Told {
    let fitted = Told { value: fitted.value + wrap_deg(axis_deg - strip_deg), ..fitted };
    let Some(reading) = seen.reading else { return fitted };
    let turn = wrap_deg(axis_deg - seen.rough.axis_deg);
    let read = Told { value: reading.line_deg.value + turn, u: reading.line_deg.u };
    weighed(read, fitted, settings.cut_doubt, 90.0)
}

/// The tip along and across the strip: the middle of a cap, the middle of a cut face, or the last point of a taper.
fn tip(
    strip: &Strip,
    cap: &Cap,
    line: Option<&EndLine>,
    guide: &Guide,
    d: f64,
    settings: &MeasureSettings,
) -> (f64, f64) {
    let (place, sure) = guide.tip();
    let guided = strip.locate(place);
    let capped = cap.to > cap.from;
    let shaped = match line {
        _ if capped => (0.5 * (cap.from + cap.apex), cap.middle),
        Some(line) => (line.at, 0.0),
        None => (cap.apex, 0.0),
    };
    let agree = (guided.0 - shaped.0).hypot(guided.1 - shaped.1) <= settings.tip_agree * d;
    let share = if agree {
        settings.tip_guide_share
    } else if settings.tip_sure <= sure {
        1.0
    } else {
        0.0
    };
    (share * guided.0 + (1.0 - share) * shaped.0, share * guided.1 + (1.0 - share) * shaped.1)
}

fn cap_features(f: &mut FeatureRow, cap: &Cap, d: f64, (seen, outlined): (&Seen, [f64; 2])) {
    let u = f.get("shaft_diameter_u_px").unwrap_or(0.0) / d;
    let edges = Told { value: (cap.width / d).ln(), u: (cap.width_u / cap.width).hypot(outlined[0]) };
    let bulb = match seen.reading {
        Some(r) => weighed(r.ln_bulb, edges, outlined[1].clamp(0.0, 1.0), 1.0),
        None => edges,
    };
    f.set("bulb_ratio", Some(bulb.value.exp()));
    f.set("bulb_ratio_u", Some(bulb.u.hypot(u) * bulb.value.exp()));
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
    let behind = tones.rails(-s.rail_behind.0, -s.rail_behind.1);
    let ahead = tones.rails(s.rail_ahead.0, s.rail_ahead.1);
    let ratio = [0, 1].map(|k| ahead[k] / behind[k].max(f64::MIN_POSITIVE));
    f.set("continuation", Some(ratio[0].min(ratio[1])));
    f.set("masked_share", Some(tones.hidden_by_frame()));
}

fn outline(strip: &Strip, zone: &Zone) -> Vec<Point> {
    let rows = zone.extents.iter().enumerate().filter_map(|(r, e)| e.map(|e| (strip.u(r + zone.first_row), e)));
    let mut left: Vec<Point> = rows.clone().map(|(u, e)| strip.place(u, e[0])).collect();
    let right: Vec<Point> = rows.map(|(u, e)| strip.place(u, e[1])).collect();
    left.extend(right.into_iter().rev());
    left
}
