//! The shaft behind an end: centre line, edges as pairs, diameter and its uncertainty.
//!
//! Planes + initial tip, axis and width -> [`Shaft`]. First a coarse trace over a straight strip finds the way of the
//! shaft; then a fine trace along that way finds its edges, and each section's edges are placed to a fraction of a pixel.

use crate::measure::centreline_fit::fit_centreline;
use crate::measure::edge::{Edge, Outside, body_edge};
use crate::measure::fuse::{BiasCorrection, fuse};
use crate::measure::planes::Planes;
use crate::measure::regression::Estimate;
use crate::measure::segmentation::{Map, Segmentation};
use crate::measure::strip::{Centreline, Layout, Strip};
use crate::measure::trace::{EdgeMap, PairRange, Section, Window, trace_pair};
use crate::measure::{Drawn, EndEvidence};
use crate::settings::MeasureSettings;
use crate::units::{Point, wrap_deg};

/// What is known of an end before it is measured.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct InitialEnd {
    /// Tip, px.
    pub(super) tip: Point,
    /// Direction out of the fibre, degrees.
    pub(super) axis_deg: f64,
    /// Width of the shaft, px.
    pub(super) width_px: f64,
    /// Standard deviation of the logarithm of that width.
    pub(super) width_sigma: f64,
}

/// One cross-section of a shaft, distances in px.
#[derive(Debug, Clone, Copy)]
pub(super) struct CrossSection {
    /// Distance along the centre line, negative behind the initial tip.
    pub(super) u: f64,
    /// Left edge beside the centre line.
    pub(super) left: f64,
    /// Right edge beside the centre line.
    pub(super) right: f64,
    /// Worth of the pair, 0..1.
    pub(super) score: f64,
    /// Steps of the left and right edge, 0..1.
    pub(super) heights: [f64; 2],
    /// Places of the two edges in the picture.
    pub(super) edges: [Point; 2],
    /// Blur of the two edges, px.
    pub(super) blur: f64,
}

impl CrossSection {
    /// Width, px.
    pub(super) fn width(&self) -> f64 {
        self.right - self.left
    }
}

/// A traced and measured shaft.
pub(super) struct Shaft {
    /// Centre line, refined.
    pub(super) centreline: Centreline,
    /// Cross-sections from near the tip backwards.
    pub(super) sections: Vec<CrossSection>,
    /// Diameter, px: median width of the sections, weighed against what the regression network reads.
    pub(super) diameter: f64,
    /// Standard uncertainty of the diameter, px.
    pub(super) diameter_u: f64,
    /// Median width of the sections alone, px.
    pub(super) edge_diameter: f64,
    /// Logarithm of that width.
    edges: Estimate,
    /// Chance that the edges are not the shaft's own.
    wrong: f64,
    /// Logarithm of the width that the regression network reads, px.
    read: Option<Estimate>,
    /// Spread of the widths along the shaft (scaled median absolute deviation), px.
    pub(super) spread: f64,
    /// Cross-sections that were looked for.
    pub(super) n_rows: usize,
    /// Cross-sections that went into the diameter.
    pub(super) n_used: usize,
}

impl Shaft {
    /// Logarithm of the diameter.
    pub(super) fn ln_diameter(&self) -> Estimate {
        Estimate { value: self.diameter.ln(), standard_uncertainty: self.diameter_u / self.diameter }
    }

    /// The edges' width over the regression network's, logarithms; `None` when the regression network reads none.
    pub(super) fn gap(&self) -> Option<Estimate> {
        self.read.map(|read| Estimate {
            value: self.edges.value - read.value,
            standard_uncertainty: self.edges.standard_uncertainty.hypot(read.standard_uncertainty),
        })
    }

    /// The diameter anew from edges and regression network, both moved as the whole picture says.
    pub(super) fn weigh(&mut self, moved: BiasCorrection, settings: &MeasureSettings) {
        let edges = Estimate { value: self.edges.value + moved.edges, ..self.edges };
        let read = self.read.map(|read| Estimate { value: read.value + moved.read, ..read });
        self.set_ln_diameter(read.map_or(edges, |read| fuse(read, edges, self.wrong, settings.outlier_range_edges)));
    }

    /// Replaces the diameter.
    pub(super) fn set_ln_diameter(&mut self, told: Estimate) {
        self.diameter = told.value.exp();
        self.diameter_u = told.standard_uncertainty * self.diameter;
    }

    /// Median step of the left and of the right edge, 0..1.
    pub(super) fn heights(&self) -> [f64; 2] {
        [0, 1].map(|side| {
            let mut heights: Vec<[f64; 2]> = self.sections.iter().map(|s| [s.heights[side], 1.0]).collect();
            weighted_median(&mut heights).unwrap_or(0.0)
        })
    }

    /// Diameter over the radius of the centre line at its bend's middle.
    pub(super) fn curvature(&self) -> f64 {
        let c = &self.centreline;
        let t = -0.5 * (c.straight_from.abs() + CURVE_BACK * self.diameter) / c.unit;
        let second = (2.0 * c.bend[2] + 6.0 * t * c.bend[3]) / (c.unit * c.unit);
        (second * self.diameter).abs()
    }

    /// Standard uncertainty of the logarithm of the sections' median width.
    pub(super) fn edge_u(&self, settings: &MeasureSettings) -> f64 {
        let d = self.edge_diameter;
        let sampling = self.spread / d / (self.n_used as f64 / settings.section_correlation).max(1.0).sqrt();
        let model = (settings.edge_u_blur * self.blur() / d).hypot(settings.edge_u_share);
        // Where widths scatter or sections lack their edges, what was traced is often not the shaft's own.
        let wrong = (settings.edge_u_spread * self.spread / d).min(settings.edge_u_most);
        sampling.hypot(model) + wrong + settings.edge_u_support * (1.0 - self.share(settings)).max(0.0)
    }

    /// How doubtful the trace is: 0 where all sections show both edges at one width; about 0.05 in a dense tuft.
    pub(super) fn doubt(&self, settings: &MeasureSettings) -> f64 {
        self.spread / self.edge_diameter + settings.inconsistency_support * (1.0 - self.share(settings)).max(0.0)
    }

    /// Median blur of the edges, px.
    pub(super) fn blur(&self) -> f64 {
        let mut blurs: Vec<[f64; 2]> = self.sections.iter().map(|s| [s.blur, s.score]).collect();
        weighted_median(&mut blurs).unwrap_or(0.0)
    }

    /// Share of the cross-sections that show a pair of the shaft's width.
    pub(super) fn share(&self, settings: &MeasureSettings) -> f64 {
        let good = |s: &&CrossSection| {
            settings.min_section_score <= s.score
                && (s.width() / self.diameter - 1.0).abs() <= settings.width_outlier_share
        };
        self.sections.iter().filter(good).count() as f64 / self.n_rows.max(1) as f64
    }

    /// Edges and centre line in the picture, from the tip backwards.
    pub(super) fn drawn(&self) -> Drawn {
        let mut drawn = Drawn::default();
        for s in &self.sections {
            drawn.edges[0].push(s.edges[0]);
            drawn.edges[1].push(s.edges[1]);
            drawn
                .centre_line
                .push(Point::new((s.edges[0].x + s.edges[1].x) / 2.0, (s.edges[0].y + s.edges[1].y) / 2.0));
        }
        drawn
    }

    /// Direction of the centre line over the 1.5 diameters behind `u`, degrees.
    pub(super) fn axis_deg(&self, u: f64) -> f64 {
        let back = AXIS_LENGTH * self.diameter;
        let rise = self.centreline.offset(u).0 - self.centreline.offset(u - back).0;
        wrap_deg(self.centreline.axis_deg + (rise / back).atan().to_degrees())
    }
}

/// The bend is judged half-way between the tip and this many diameters behind it.
const CURVE_BACK: f64 = 4.0;

/// The axis is taken over this many diameters (design.md section 3).
const AXIS_LENGTH: f64 = 1.5;

/// Traces and measures the shaft behind a initial end; `None` when the strip holds no pair at all.
pub(super) fn measure_shaft(planes: &Planes, seen: &EndEvidence, settings: &MeasureSettings) -> Option<Shaft> {
    let read = seen.regression.map(|r| r.corrected(seen.initial));
    let (width_px, width_sigma) =
        read.map_or((seen.initial.width_px, settings.initial_width_sigma), |r| (r.width_px, r.width_sigma));
    let initial = &InitialEnd { width_px, width_sigma: width_sigma.max(settings.least_width_sigma), ..*seen.initial };
    let coarse = match seen.segmentation.and_then(|g| segmented_centreline(g, initial, settings)) {
        Some(centreline) => centreline,
        None => coarse_centreline(planes, initial, settings)?,
    };
    let (strip, sections, reach) = fine_sections(planes, initial, seen.segmentation, &coarse, settings)?;
    let mut cross: Vec<CrossSection> = Vec::with_capacity(sections.len());
    let rows = strip.averaged_along(reach.window.along);
    for section in &sections {
        if let Some(c) = cross_section(&strip, &rows, section, &reach, settings) {
            cross.push(c);
        }
    }
    let (diameter, spread, n_used) = diameter(&cross, initial.width_px, settings)?;
    let centreline = refined_centreline(&coarse, &cross, diameter, settings);
    let n_rows = sections.len();
    let read = read.map(|r| Estimate { value: r.width_px.ln(), standard_uncertainty: r.width_sigma });
    let mut shaft = Shaft {
        centreline,
        n_rows,
        sections: cross,
        diameter,
        diameter_u: 0.0,
        edge_diameter: diameter,
        edges: Estimate { value: diameter.ln(), standard_uncertainty: 0.0 },
        wrong: 0.0,
        read,
        spread,
        n_used,
    };
    shaft.edges.standard_uncertainty = shaft.edge_u(settings);
    shaft.wrong =
        (settings.outlier_prior_edges.0 + settings.outlier_prior_edges.1 * shaft.doubt(settings)).clamp(0.0, 1.0);
    shaft.weigh(BiasCorrection::default(), settings);
    Some(shaft)
}

/// Window sizes of the fine trace, in samples.
struct Reach {
    window: Window,
    place: usize,
    level: usize,
    steps: EdgeMap,
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
            // the segmentation knows best where the middle lies; how wide the shaft is, regression network and segmentation tell together
            let (left, right) = (edge(i, -1.0)?, edge(i, 1.0)?);
            let (centre, seen) = (0.5 * (left + right), 0.5 * (right - left));
            let half = share * half + (1.0 - share) * seen;
            Some([centre - half, centre + half])
        })
        .collect()
}

/// The segmentation's maps are read every sixteenth of a width: finer than their own samples.
const SEGMENTATION_STRIDE: f64 = 1.0 / 16.0;

fn coarse_centreline(planes: &Planes, initial: &InitialEnd, settings: &MeasureSettings) -> Option<Centreline> {
    let w = initial.width_px;
    let per_width = settings.coarse_samples;
    let step = w / per_width;
    let layout = Layout {
        step,
        behind: (settings.trace_back * per_width).round() as usize,
        ahead: 0,
        half: (settings.trace_half * per_width).round() as usize,
    };
    let centreline = Centreline::straight(initial.tip, initial.axis_deg);
    let strip = Strip::sample(planes, &centreline, layout);
    let edges = EdgeMap::new(&strip, &Window::new(per_width, settings), settings);
    let spread = (settings.width_reach * initial.width_sigma).exp();
    let range = PairRange {
        rows: (0, strip.row(-settings.trace_from * w)),
        every: 2,
        widths: ((per_width / spread).round() as usize, (per_width * spread).round() as usize),
        likely_width: per_width,
        width_sigma: initial.width_sigma,
        start_sigma: settings.start_sigma * per_width,
        centre_sigma: f64::INFINITY,
        expected: Vec::new(),
        expected_sigma: 1.0,
    };
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

fn fine_sections(
    planes: &Planes,
    initial: &InitialEnd,
    segmentation: Option<&Segmentation>,
    centreline: &Centreline,
    settings: &MeasureSettings,
) -> Option<(Strip, Vec<Section>, Reach)> {
    let w = initial.width_px;
    let step = (w / settings.fine_samples).max(settings.finest_step_px.min(w / settings.coarse_samples));
    let per_width = w / step;
    let layout = Layout {
        step,
        behind: (settings.trace_back * per_width).round() as usize,
        ahead: 0,
        half: (settings.fine_half * per_width).round() as usize,
    };
    let strip = Strip::sample(planes, centreline, layout);
    let window = Window::new(per_width, settings);
    let edges = EdgeMap::new(&strip, &window, settings);
    let spread = (settings.width_reach * initial.width_sigma).exp();
    let range = PairRange {
        rows: (0, strip.row(-settings.trace_from * w)),
        every: 2,
        widths: ((per_width / spread).round() as usize, (per_width * spread).round() as usize),
        likely_width: per_width,
        width_sigma: initial.width_sigma,
        start_sigma: settings.start_sigma * per_width,
        centre_sigma: settings.fine_centre_sigma * per_width,
        expected: segmentation
            .map(|g| expected_edges(g, &strip, w, settings.regression_width_share))
            .unwrap_or_default(),
        expected_sigma: settings.segmentation_edge_sigma * per_width,
    };
    let sections = trace_pair(&strip, &edges, &range, settings);
    let level = ((settings.level_reach * per_width).round() as usize).max(2);
    let place = ((settings.place_reach * per_width).round() as usize).max(1);
    (!sections.is_empty()).then_some((strip, sections, Reach { window, place, level, steps: edges }))
}

fn cross_section(
    strip: &Strip,
    rows: &[[f32; 3]],
    section: &Section,
    reach: &Reach,
    settings: &MeasureSettings,
) -> Option<CrossSection> {
    let n_v = strip.n_v();
    let profile = &rows[section.row * n_v..(section.row + 1) * n_v];
    let steps = &reach.steps.steps[section.row * n_v..(section.row + 1) * n_v];
    let shown = strip.shown(section.row, section.left) && strip.shown(section.row, section.right);
    if !shown || section.left < reach.window.across || section.right + reach.window.across >= n_v {
        return None;
    }
    let edge = |at: usize, outside| body_edge(profile, at, steps[at], (reach.place, reach.level), outside, settings);
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
    let spread = MAD_TO_SIGMA * weighted_median(&mut gaps)?;
    Some((d, spread, used.len()))
}

/// Median absolute deviation to standard deviation of a normal distribution: 1 / inverse normal(3/4).
pub(super) const MAD_TO_SIGMA: f64 = 1.482_602_218_505_602;

/// Median of values with weights, `[value, weight]`: half of the weight lies on either side, each value's own weight
/// centred on it and lines drawn between neighbours, so that a small change of weights changes the median little.
pub(super) fn weighted_median(pairs: &mut [[f64; 2]]) -> Option<f64> {
    pairs.sort_by(|a, b| a[0].total_cmp(&b[0]));
    let total: f64 = pairs.iter().map(|p| p[1]).sum();
    if total <= 0.0 || total.is_nan() {
        return None;
    }
    let mut sum = 0.0;
    let mut before: Option<[f64; 2]> = None;
    for p in pairs.iter().filter(|p| 0.0 < p[1]) {
        let centre = sum + 0.5 * p[1];
        if 0.5 * total <= centre {
            let Some([value, at]) = before else { return Some(p[0]) };
            return Some(value + (p[0] - value) * (0.5 * total - at) / (centre - at));
        }
        before = Some([p[0], centre]);
        sum += p[1];
    }
    before.map(|b| b[0])
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
