//! The shaft behind an end: centre line, edges as pairs, diameter and its uncertainty.

use super::evidence::Context;
use super::fuse::{BiasCorrection, Outliers, fuse};
use super::measured::Drawn;
use crate::fitted::EdgeFit;
use crate::network::estimate::Estimate;
use crate::network::strip::Centreline;
use crate::robust::weighted_median;
use crate::units::{Point, wrap_deg};

/// One cross-section of a shaft, distances in px.
#[derive(Debug, Clone, Copy)]
pub(super) struct CrossSection {
    /// Distance along the centre line, negative behind the initial tip.
    pub(super) u: f64,
    /// Left edge beside the centre line.
    pub(super) left: f64,
    /// Right edge beside the centre line.
    pub(super) right: f64,
    /// Score of the pair, 0..1.
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
    /// Diameter, px: median width of the sections, fused with what the regression network reads.
    pub(super) diameter: f64,
    /// Standard uncertainty of the diameter, px.
    pub(super) diameter_u: f64,
    /// Part of that uncertainty that all ends of the picture share, px.
    pub(super) shared_u: f64,
    /// Median width of the sections alone, px.
    pub(super) edge_diameter: f64,
    /// Logarithm of that width.
    pub(super) edges: Estimate,
    /// Chance that the edges are not the shaft's own.
    pub(super) edge_outlier: f64,
    /// Logarithm of the width that the regression network reads, px.
    pub(super) regressed: Estimate,
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

    /// The edges' width over the regressed one, logarithms.
    pub(super) fn gap(&self) -> Estimate {
        Estimate {
            value: self.edges.value - self.regressed.value,
            standard_uncertainty: self.edges.standard_uncertainty.hypot(self.regressed.standard_uncertainty),
        }
    }

    /// The diameter anew from edges and regression, both corrected as the whole picture says.
    pub(super) fn fuse_widths(&mut self, correction: BiasCorrection, fit: &EdgeFit) {
        let edges = Estimate { value: self.edges.value + correction.edges, ..self.edges };
        let regressed = Estimate { value: self.regressed.value + correction.regression, ..self.regressed };
        let outliers = Outliers { prior: self.edge_outlier, range: fit.outlier_range };
        self.set_ln_diameter(fuse(regressed, edges, outliers));
    }

    /// Replaces the diameter.
    pub(super) fn set_ln_diameter(&mut self, ln: Estimate) {
        self.diameter = ln.value.exp();
        self.diameter_u = ln.standard_uncertainty * self.diameter;
    }

    /// Median step of the left and of the right edge, 0..1.
    pub(super) fn heights(&self) -> [f64; 2] {
        [0, 1].map(|side| {
            let mut heights: Vec<[f64; 2]> = self.sections.iter().map(|s| [s.heights[side], 1.0]).collect();
            weighted_median(&mut heights).unwrap_or(0.0)
        })
    }

    /// Diameter over the radius of the centre line half-way along its bend.
    pub(super) fn curvature(&self) -> f64 {
        let c = &self.centreline;
        let t = -0.5 * (c.straight_from.abs() + CURVE_BACK * self.diameter) / c.unit;
        let second = (2.0 * c.bend[2] + 6.0 * t * c.bend[3]) / (c.unit * c.unit);
        (second * self.diameter).abs()
    }

    /// Standard uncertainty of the logarithm of the sections' median width.
    pub(super) fn edge_u(&self, context: &Context) -> f64 {
        let (settings, fit) = (context.settings, &context.fitted.edges);
        let d = self.edge_diameter;
        let sampling = self.spread / d / (self.n_used as f64 / settings.section_correlation).max(1.0).sqrt();
        let model = (fit.u_per_blur * self.blur() / d).hypot(fit.least_u);
        // Where widths scatter or sections lack their edges, what was traced is often not the shaft's own.
        let wrong = (fit.u_per_spread * self.spread / d).min(fit.most_u_by_spread);
        sampling.hypot(model) + wrong + fit.u_per_missing * (1.0 - self.share(context)).max(0.0)
    }

    /// Inconsistency of the trace: 0 where all sections show both edges at one width; about 0.05 in a dense tuft.
    pub(super) fn inconsistency(&self, context: &Context) -> f64 {
        let missing = (1.0 - self.share(context)).max(0.0);
        self.spread / self.edge_diameter + context.fitted.trace.inconsistency_per_missing * missing
    }

    /// Median blur of the edges, px.
    pub(super) fn blur(&self) -> f64 {
        let mut blurs: Vec<[f64; 2]> = self.sections.iter().map(|s| [s.blur, s.score]).collect();
        weighted_median(&mut blurs).unwrap_or(0.0)
    }

    /// Share of the cross-sections that show a pair of the shaft's width.
    pub(super) fn share(&self, context: &Context) -> f64 {
        let settings = context.settings;
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

/// The axis is taken over this many diameters (definition of `axis_deg`).
const AXIS_LENGTH: f64 = 1.5;
