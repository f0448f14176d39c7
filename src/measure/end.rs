//! One end: shaft, zone, shape and tones brought together into a row of features.
//!
//! Planes + candidate + shaft + guide -> [`MeasuredEnd`].

use crate::find::Candidate;
use crate::measure::guide::Guide;
use crate::measure::planes::{Colour, Planes, length, minus};
use crate::measure::shaft::Shaft;
use crate::measure::shape::{Cap, EndLine, cap, end_line, roughness, solidity};
use crate::measure::strip::{Layout, Strip};
use crate::measure::tone::{Tones, hue_saturation};
use crate::measure::zone::Zone;
use crate::measure::{Drawn, FeatureRow, MeasuredEnd, quality};
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
    guide: Option<&Guide>,
    settings: &MeasureSettings,
) -> MeasuredEnd {
    let mut end = unmeasured(candidate);
    let d = shaft.diameter;
    end.drawn = shaft.drawn();
    shaft_features(&mut end.features, shaft, candidate, settings);
    let strip = Strip::sample(planes, &shaft.course, layout(d, settings));
    let zone = guide.and_then(|g| Zone::new(&strip, g, d, settings));
    let tip_u = match (guide, zone) {
        (Some(guide), Some(mut zone)) => {
            let least = settings.side_height * shaft.heights()[0].min(shaft.heights()[1]);
            zone.refine_front(&strip, d, settings);
            zone.refine_sides(&strip, d, least, settings);
            zone_features(&mut end, &strip, &zone, shaft, guide, settings)
        }
        _ => 0.0,
    };
    end.axis_deg = shaft.axis_deg(tip_u);
    let mut features = std::mem::take(&mut end.features);
    features.set("tip_shift", Some(end.tip.distance(candidate.tip) / d));
    features.set("axis_shift_deg", Some(direction_gap_deg(end.axis_deg, candidate.axis_deg)));
    features.set("border_distance", Some(planes.border_distance(end.tip) / d));
    end.features = features;
    quality::judge(&mut end, settings);
    end
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
    let sampling = shaft.spread / (shaft.n_used as f64 / settings.section_correlation).max(1.0).sqrt();
    let model = (settings.edge_u_blur * blur).hypot(settings.edge_u_share * d);
    features.set("shaft_diameter_px", Some(d));
    features.set("shaft_diameter_u_px", Some(sampling.hypot(model)));
    features.set("width_spread", Some(shaft.spread / d));
    features.set("shaft_support", Some(shaft.share(settings)));
    features.set("edge_balance", Some(left.min(right) / left.max(right).max(f64::MIN_POSITIVE)));
    features.set("contrast", Some(0.5 * (left + right)));
    features.set("edge_blur_px", Some(blur));
    features.set("edge_blur_d", Some(blur / d));
    features.set("width_shift", Some((d / candidate.width_px).ln()));
    features.set("curvature", Some(shaft.curvature()));
}

/// Features of the outlined end; gives back where the tip lies along the strip.
fn zone_features(
    end: &mut MeasuredEnd,
    strip: &Strip,
    zone: &Zone,
    shaft: &Shaft,
    guide: &Guide,
    settings: &MeasureSettings,
) -> f64 {
    let d = shaft.diameter;
    let Some(cap) = cap(strip, zone, d, settings) else { return 0.0 };
    let line = end_line(strip, zone, d, settings);
    let tip = tip(strip, &cap, line.as_ref(), guide, d, settings);
    end.tip = strip.place(tip.0, tip.1);
    let f = &mut end.features;
    cap_features(f, &cap, d);
    f.set("guide_tip", Some(guide.tip().1));
    f.set("roughness", roughness(strip, zone, d, cap.apex, settings).map(|r| r / d));
    f.set("solidity", solidity(strip, zone, d, cap.apex, settings));
    f.set("visible_share", Some(zone.visible));
    let [left, right] = shaft.heights();
    let tones = Tones { strip, zone, d, apex: cap.apex, edge: (0.5 * (left + right)).max(f64::MIN_POSITIVE), settings };
    if let Some(line) = &line {
        let turn = wrap_deg(strip.line(strip.row(tip.0)).1 - shaft.axis_deg(tip.0));
        let angle = line.slope.atan().to_degrees() + turn;
        f.set("cut_angle_deg", Some(angle));
        f.set("cut_angle_size_deg", Some(angle.abs()));
        let slope_u = (line.slope_u / (1.0 + line.slope * line.slope)).to_degrees();
        f.set("cut_angle_u_deg", Some(slope_u.hypot(settings.cut_u_deg)));
        f.set("flatness", Some(line.rms / d));
        f.set("front_bow", Some(line.bow / d));
        f.set("end_edge", Some(line.height / tones.edge));
        f.set("rail_end", Some((line.slope * (line.span.1 - line.span.0)).abs() / d));
        let at = |v: f64| strip.place(line.at + line.slope * v + 0.5 * line.bow, v);
        end.drawn.end_line = Some((at(-0.5 * d), at(0.5 * d)));
    }
    tone_features(&mut end.features, &tones, guide.has_colour());
    end.drawn.outline = outline(strip, zone);
    tip.0
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

fn cap_features(f: &mut FeatureRow, cap: &Cap, d: f64) {
    f.set("bulb_ratio", Some(cap.width / d));
    let u = f.get("shaft_diameter_u_px").unwrap_or(0.0);
    f.set("bulb_ratio_u", Some((cap.width_u / d).hypot(cap.width / d * u / d).hypot(u / d)));
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
