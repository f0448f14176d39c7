//! Tracing the shaft behind an end.
//!
//! Picture + what the networks say of an end -> [`Shaft`]. The segmentation, or where it shows too little a coarse trace over
//! a straight strip, finds the way of the shaft; a fine trace along that way finds its edges, and each section's edges are
//! placed to a fraction of a pixel.

use super::centreline_fit::fit_centreline;
use super::edge::{Edge, Outside, body_edge};
use super::evidence::{Context, EndEvidence};
use super::fuse::BiasCorrection;
use super::shaft::{CrossSection, Shaft};
use super::trace::{EdgeMap, PairRange, Section, Window, trace_pair};
use crate::fitted;
use crate::network::estimate::Estimate;
use crate::network::segmentation::{Map, Segmentation};
use crate::network::strip::{Centreline, Layout, Strip};
use crate::network::strip_input::InitialEnd;
use crate::robust::{MAD_TO_SD, weighted_median};
use crate::settings::MeasureSettings;

/// Traces and measures the shaft behind an end; `None` when the strip holds no pair of edges at all.
pub(super) fn measure_shaft(context: &Context, evidence: &EndEvidence) -> Option<Shaft> {
    let settings = context.settings;
    let regressed = evidence.regression.corrected(&evidence.initial);
    let width_sigma = regressed.width_sigma.max(context.fitted.trace.least_width_sigma);
    let initial = InitialEnd { width_px: regressed.width_px, width_sigma, ..evidence.initial };
    let coarse = match segmented_centreline(&evidence.segmentation, &initial, settings) {
        Some(centreline) => centreline,
        None => coarse_centreline(context, &initial)?,
    };
    let (strip, sections, reach) = fine_sections(context, &initial, &evidence.segmentation, &coarse)?;
    let rows = strip.averaged_along(reach.window.along);
    let cross: Vec<CrossSection> =
        sections.iter().filter_map(|section| cross_section(&strip, &rows, section, &reach)).collect();
    let (diameter, spread, n_used) = diameter(&cross, initial.width_px, settings)?;
    let mut shaft = Shaft {
        centreline: refined_centreline(&coarse, &cross, diameter, settings),
        n_rows: sections.len(),
        sections: cross,
        diameter,
        diameter_u: 0.0,
        shared_u: 0.0,
        edge_diameter: diameter,
        edges: Estimate { value: diameter.ln(), standard_uncertainty: 0.0 },
        edge_outlier: 0.0,
        regressed: Estimate { value: regressed.width_px.ln(), standard_uncertainty: regressed.width_sigma },
        spread,
        n_used,
    };
    let fit = &context.fitted.edges;
    shaft.edges.standard_uncertainty = shaft.edge_u(context);
    shaft.edge_outlier = fitted::at(fit.outlier_prior, shaft.inconsistency(context)).clamp(0.0, 1.0);
    shaft.fuse_widths(BiasCorrection::default(), fit);
    Some(shaft)
}

/// Edge strengths of the fine strip and how far, in samples, edges are looked for in it.
struct Reach<'a> {
    window: Window,
    place: usize,
    level: usize,
    steps: EdgeMap,
    settings: &'a MeasureSettings,
}

/// Centreline from a segmentation's map of own fibre; `None` when the map holds too little of a shaft.
fn segmented_centreline(
    segmentation: &Segmentation,
    initial: &InitialEnd,
    settings: &MeasureSettings,
) -> Option<Centreline> {
    let w = initial.width_px;
    let runs = segmentation.runs(-settings.trace_from * w);
    let mut widths: Vec<[f64; 2]> = runs.iter().map(|r| [r[2] - r[1], r[3]]).collect();
    let width = weighted_median(&mut widths)?;
    let fits: Vec<[f64; 3]> = runs
        .iter()
        .filter(|r| ((r[2] - r[1]) / width - 1.0).abs() <= settings.width_outlier_share)
        .map(|r| [r[0], 0.5 * (r[1] + r[2]), r[3]])
        .collect();
    if fits.len() < settings.segmentation_min_rows {
        return None;
    }
    let bend = fit_centreline(&fits, w, settings)?;
    let centreline = Centreline::straight(initial.tip, initial.axis_deg);
    Some(Centreline { bend, unit: w, straight_from: -settings.straight_from * w, ..centreline })
}

/// Columns where a segmentation expects the edges of every row of a strip.
fn expected_edges(segmentation: &Segmentation, strip: &Strip, width: f64, share: f64) -> Vec<Option<[f64; 2]>> {
    let middle = strip.layout.half as f64;
    let step = strip.layout.step;
    let own = |i: usize, j: f64| segmentation.at(Map::Own, strip.place(strip.u(i), (j - middle) * step));
    let edge = |i: usize, side: f64| {
        let mut last = own(i, middle);
        if last < 0.5 {
            return None;
        }
        let stride = SEGMENTATION_STRIDE * width / step;
        let mut away = 0.0;
        while away < middle {
            away += stride;
            let here = own(i, middle + side * away);
            if here < 0.5 {
                return Some(middle + side * (away - stride * (0.5 - here) / (last - here)));
            }
            last = here;
        }
        None
    };
    let half = 0.5 * width / step;
    (0..strip.n_u())
        .map(|i| {
            // The segmentation knows best where the middle lies; how wide the shaft is, both networks tell together.
            let (left, right) = (edge(i, -1.0)?, edge(i, 1.0)?);
            let (centre, seen) = (0.5 * (left + right), 0.5 * (right - left));
            let half = share * half + (1.0 - share) * seen;
            Some([centre - half, centre + half])
        })
        .collect()
}

/// The segmentation's maps are read every sixteenth of a width: finer than their own samples.
const SEGMENTATION_STRIDE: f64 = 1.0 / 16.0;

fn coarse_centreline(context: &Context, initial: &InitialEnd) -> Option<Centreline> {
    let settings = context.settings;
    let w = initial.width_px;
    let per_width = settings.coarse_samples;
    let step = w / per_width;
    let centreline = Centreline::straight(initial.tip, initial.axis_deg);
    let strip = Strip::sample(context.planes, &centreline, layout(step, per_width, settings.trace_half, settings));
    let edges = EdgeMap::new(&strip, &Window::new(per_width, settings), settings);
    let range = pair_range(&strip, initial, per_width, settings);
    let sections = trace_pair(&strip, &edges, &range, settings);
    let middle = (strip.n_v() - 1) as f64 / 2.0;
    let points: Vec<[f64; 3]> = sections
        .iter()
        .map(|s| {
            let offset = ((s.left + s.right) as f64 / 2.0 - middle) * step;
            [strip.u(s.row), offset, f64::from(s.score)]
        })
        .collect();
    let bend = fit_centreline(&points, w, settings)?;
    Some(Centreline { bend, unit: w, straight_from: -settings.straight_from * w, ..centreline })
}

fn fine_sections<'a>(
    context: &Context<'a>,
    initial: &InitialEnd,
    segmentation: &Segmentation,
    centreline: &Centreline,
) -> Option<(Strip, Vec<Section>, Reach<'a>)> {
    let (settings, fit) = (context.settings, &context.fitted.trace);
    let w = initial.width_px;
    let step = (w / settings.fine_samples).max(settings.finest_step_px.min(w / settings.coarse_samples));
    let per_width = w / step;
    let strip = Strip::sample(context.planes, centreline, layout(step, per_width, settings.fine_half, settings));
    let window = Window::new(per_width, settings);
    let edges = EdgeMap::new(&strip, &window, settings);
    let range = PairRange {
        centre_sigma: settings.fine_centre_sigma * per_width,
        expected: expected_edges(segmentation, &strip, w, fit.regression_width_share),
        expected_sigma: fit.segmentation_sigma * per_width,
        ..pair_range(&strip, initial, per_width, settings)
    };
    let sections = trace_pair(&strip, &edges, &range, settings);
    let level = ((settings.level_reach * per_width).round() as usize).max(2);
    let place = ((settings.place_reach * per_width).round() as usize).max(1);
    (!sections.is_empty()).then_some((strip, sections, Reach { window, place, level, steps: edges, settings }))
}

/// A strip behind the tip that reaches `half` widths to either side; `per_width` samples a width.
fn layout(step: f64, per_width: f64, half: f64, settings: &MeasureSettings) -> Layout {
    let samples = |widths: f64| (widths * per_width).round() as usize;
    Layout { step, behind: samples(settings.trace_back), ahead: 0, half: samples(half) }
}

/// Where pairs of edges are looked for, when nothing is known of their places but the width.
fn pair_range(strip: &Strip, initial: &InitialEnd, per_width: f64, settings: &MeasureSettings) -> PairRange {
    let spread = (settings.width_reach * initial.width_sigma).exp();
    PairRange {
        rows: (0, strip.row(-settings.trace_from * initial.width_px)),
        every: 2,
        widths: ((per_width / spread).round() as usize, (per_width * spread).round() as usize),
        likely_width: per_width,
        width_sigma: initial.width_sigma,
        start_sigma: settings.start_sigma * per_width,
        centre_sigma: f64::INFINITY,
        expected: Vec::new(),
        expected_sigma: 1.0,
    }
}

fn cross_section(strip: &Strip, rows: &[[f32; 3]], section: &Section, reach: &Reach) -> Option<CrossSection> {
    let n_v = strip.n_v();
    let profile = &rows[section.row * n_v..(section.row + 1) * n_v];
    let steps = &reach.steps.steps[section.row * n_v..(section.row + 1) * n_v];
    let shown = strip.shown(section.row, section.left) && strip.shown(section.row, section.right);
    if !shown || section.left < reach.window.across || section.right + reach.window.across >= n_v {
        return None;
    }
    let edge =
        |at: usize, outside| body_edge(profile, at, steps[at], (reach.place, reach.level), outside, reach.settings);
    let left: Edge = edge(section.left, Outside::Smaller)?;
    let right: Edge = edge(section.right, Outside::Larger)?;
    let step = strip.layout.step;
    let middle = strip.layout.half as f64;
    let u = strip.u(section.row);
    let (l, r) = ((left.at - middle) * step, (right.at - middle) * step);
    Some(CrossSection {
        u,
        left: l,
        right: r,
        edges: [strip.place(u, l), strip.place(u, r)],
        score: f64::from(section.score),
        heights: [left.height, right.height],
        blur: 0.5 * (left.blur + right.blur) * step,
    })
}

/// Median width between 1.5 and 4 diameters behind the tip, its spread and the number of sections.
fn diameter(cross: &[CrossSection], width: f64, settings: &MeasureSettings) -> Option<(f64, f64, usize)> {
    let mut d = width;
    let mut used: Vec<[f64; 2]> = Vec::new();
    for _ in 0..2 {
        let inside = |c: &&CrossSection| -settings.shaft_to * d <= c.u && c.u <= -settings.shaft_from * d;
        used = cross.iter().filter(inside).map(|c| [c.width(), c.score]).collect();
        if used.is_empty() {
            used = cross.iter().map(|c| [c.width(), c.score]).collect();
        }
        d = weighted_median(&mut used)?;
    }
    let mut gaps: Vec<[f64; 2]> = used.iter().map(|w| [(w[0] - d).abs(), w[1]]).collect();
    let spread = MAD_TO_SD * weighted_median(&mut gaps)?;
    Some((d, spread, used.len()))
}

fn refined_centreline(coarse: &Centreline, cross: &[CrossSection], d: f64, settings: &MeasureSettings) -> Centreline {
    // The sections lie along the coarse centreline; for the gentle bends of a shaft the offsets add up.
    let points: Vec<[f64; 3]> = cross
        .iter()
        .map(|c| {
            let fits = (c.width() / d - 1.0).abs() <= settings.width_outlier_share;
            let (offset, _) = coarse.offset(c.u);
            [c.u, offset + 0.5 * (c.left + c.right), if fits { c.score } else { 0.0 }]
        })
        .collect();
    match fit_centreline(&points, coarse.unit, settings) {
        Some(bend) => Centreline { bend, ..*coarse },
        None => *coarse,
    }
}
