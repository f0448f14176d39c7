//! Tracing a shaft: the pair of edges that runs most steadily through a straightened strip.
//!
//! Strip + rough width -> left and right column of every section, by dynamic programming over pairs (left, right):
//! a section is score the geometric mean of its two edge strengths, so a neighbour's single strong edge cannot win,
//! and the path pays for changes of width and of direction.

use crate::network::planes::{Colour, dot, length};
use crate::network::strip::Strip;
use crate::settings::MeasureSettings;

/// Edge strengths of a strip, across it.
pub(super) struct EdgeMap {
    /// Change of colour across the strip, row-major.
    pub(super) steps: Vec<Colour>,
    /// Strength of each step as a left and as a right edge: less where another edge lies close outside it, because dye
    /// stripes, highlights and the inner flank of a rail all lie inside the outermost edge of their shaft.
    outermost: [Vec<f32>; 2],
}

impl EdgeMap {
    /// Edge strengths of a strip.
    pub(super) fn new(strip: &Strip, window: &Window, settings: &MeasureSettings) -> Self {
        let steps = strip.across_steps(window.along, window.across);
        let sizes: Vec<f32> = steps.iter().map(|s| length(*s)).collect();
        let mut sorted: Vec<f32> = sizes.iter().copied().filter(|s| *s > 0.0).collect();
        sorted.sort_by(f32::total_cmp);
        let at = |q: f64| sorted.get((sorted.len() as f64 * q) as usize).copied().unwrap_or(0.0);
        let noise = settings.noise_factor as f32 * at(settings.noise_quantile);
        let share = settings.edge_half_share as f32 * at(settings.edge_quantile);
        let half_step = noise.max(share).max(f32::EPSILON);
        // Saturating, so that one bright neighbour does not outweigh two plain edges.
        let strength: Vec<f32> = sizes.iter().map(|s| s * s / (s * s + half_step * half_step)).collect();
        let outermost = [-1, 1].map(|side| outermost(&strength, strip.n_v(), side, window, settings));
        Self { steps, outermost }
    }
}

/// Window sizes of edge maps, in samples.
#[derive(Debug, Clone, Copy)]
pub(super) struct Window {
    /// Rows averaged on either side.
    pub(super) along: usize,
    /// Columns on either side of a step.
    pub(super) across: usize,
    /// Nearest and farthest column outside an edge that should show no other edge.
    pub(super) outside: (usize, usize),
}

impl Window {
    /// Windows for a shaft of `per_width` samples.
    pub(super) fn new(per_width: f64, settings: &MeasureSettings) -> Self {
        let samples = |share: f64| (share * per_width).round() as usize;
        let across = samples(settings.edge_reach).max(1);
        let near = samples(settings.outside_from).max(across + 1);
        Self { along: samples(settings.edge_along), across, outside: (near, samples(settings.outside_to).max(near)) }
    }
}

fn outermost(strength: &[f32], n_v: usize, side: i64, window: &Window, settings: &MeasureSettings) -> Vec<f32> {
    let charge = settings.outside_penalty as f32;
    let mut out = Vec::with_capacity(strength.len());
    for row in strength.chunks_exact(n_v) {
        for (j, own) in row.iter().enumerate() {
            let mut most = 0.0f32;
            for away in window.outside.0..=window.outside.1 {
                let at = j as i64 + side * away as i64;
                if 0 <= at && (at as usize) < n_v {
                    most = most.max(row[at as usize]);
                }
            }
            out.push(own * (1.0 - charge * most));
        }
    }
    out
}

/// Where the pair may run, in columns of the strip.
#[derive(Debug, Clone)]
pub(super) struct PairRange {
    /// First and last row that is traced.
    pub(super) rows: (usize, usize),
    /// Rows from one section to the next.
    pub(super) every: usize,
    /// Smallest and largest width.
    pub(super) widths: (usize, usize),
    /// Most likely width.
    pub(super) likely_width: f64,
    /// Standard deviation of the logarithm of the width.
    pub(super) width_sigma: f64,
    /// Largest distance of the pair's middle from the strip's middle at the first section.
    pub(super) start_sigma: f64,
    /// Standard deviation of the middle at every section; infinite = free.
    pub(super) centre_sigma: f64,
    /// Where the two edges of each row are expected, columns; `None` = nothing known. Empty = nothing known at all.
    pub(super) expected: Vec<Option<[f64; 2]>>,
    /// Standard deviation of those places, columns.
    pub(super) expected_sigma: f64,
}

/// One section of a traced pair.
#[derive(Debug, Clone, Copy)]
pub(super) struct Section {
    /// Row of the strip.
    pub(super) row: usize,
    /// Column of the left edge (smaller v).
    pub(super) left: usize,
    /// Column of the right edge.
    pub(super) right: usize,
    /// Worth of the pair, 0..1.
    pub(super) score: f32,
}

struct Grid {
    n_left: usize,
    first_width: usize,
    n_width: usize,
}

/// The best pair of edges through the strip, from its last row (near the tip) backwards; empty when the range holds none.
pub(super) fn trace_pair(
    strip: &Strip,
    edges: &EdgeMap,
    range: &PairRange,
    settings: &MeasureSettings,
) -> Vec<Section> {
    let n_v = strip.n_v();
    let (w0, w1) = (range.widths.0.max(2), range.widths.1.min(n_v.saturating_sub(1)));
    let (first, last) = range.rows;
    if w1 < w0 || last < first || range.every == 0 {
        return Vec::new();
    }
    let grid = Grid { n_left: n_v - w0, first_width: w0, n_width: w1 - w0 + 1 };
    let rows: Vec<usize> = (first..=last).rev().step_by(range.every).collect();
    let mut best = vec![f32::NEG_INFINITY; grid.n_left * grid.n_width];
    let mut scores = Vec::with_capacity(rows.len());
    let mut back: Vec<Vec<u8>> = Vec::with_capacity(rows.len());
    for (k, row) in rows.iter().enumerate() {
        let score = min_section_score(strip, edges, *row, &grid, settings);
        let gain = with_priors(&score, &grid, n_v, range, (*row, k == 0));
        scores.push(score);
        if k == 0 {
            best = gain;
            back.push(Vec::new());
        } else {
            let (next, from) = advance(&best, &gain, &grid, settings);
            best = next;
            back.push(from);
        }
    }
    read_back(&best, &back, &rows, &scores, &grid)
}

/// Worth of every pair of one section.
fn min_section_score(strip: &Strip, edges: &EdgeMap, row: usize, grid: &Grid, settings: &MeasureSettings) -> Vec<f32> {
    let n_v = strip.n_v();
    let [left, right] = [0, 1].map(|side| &edges.outermost[side][row * n_v..(row + 1) * n_v]);
    let steps = &edges.steps[row * n_v..(row + 1) * n_v];
    let mut out = vec![f32::NEG_INFINITY; grid.n_left * grid.n_width];
    let agree = settings.pair_polarity as f32;
    let lengths: Vec<f32> = steps.iter().map(|s| length(*s)).collect();
    for l in 0..grid.n_left {
        for k in 0..grid.n_width {
            let r = l + grid.first_width + k;
            if r >= n_v {
                break;
            }
            let both = (left[l] * right[r]).sqrt();
            let sizes = lengths[l] * lengths[r];
            let same = if sizes > 0.0 { -dot(steps[l], steps[r]) / sizes } else { 0.0 };
            out[l * grid.n_width + k] = both * (1.0 + agree * same) / (1.0 + agree);
        }
    }
    out
}

fn with_priors(score: &[f32], grid: &Grid, n_v: usize, range: &PairRange, at: (usize, bool)) -> Vec<f32> {
    let (row, first) = at;
    let expected = range.expected.get(row).copied().flatten();
    let middle = (n_v - 1) as f64 / 2.0;
    let mut out = score.to_vec();
    let width_penalty = |k: usize| {
        let width = (grid.first_width + k) as f64;
        ((width / range.likely_width).ln() / range.width_sigma).powi(2)
    };
    let widths: Vec<f64> = (0..grid.n_width).map(width_penalty).collect();
    for l in 0..grid.n_left {
        for (k, width_penalty) in widths.iter().enumerate() {
            let width = (grid.first_width + k) as f64;
            let centre = l as f64 + width / 2.0 - middle;
            let mut penalty = *width_penalty;
            penalty += (centre / range.centre_sigma).powi(2);
            if let Some([left, right]) = expected {
                let gaps =
                    ((l as f64 - left).powi(2) + (l as f64 + width - right).powi(2)) / range.expected_sigma.powi(2);
                penalty += gaps.min(MOST_EXPECTED);
            }
            if first {
                penalty += (centre / range.start_sigma).powi(2) * START_WEIGHT;
            }
            out[l * grid.n_width + k] -= (penalty * PRIOR_WEIGHT) as f32;
        }
    }
    out
}

/// One squared standard deviation of the priors costs this share of a perfect section: over the some thirty sections of
/// a trace it adds up to the usual half of a log-likelihood when a section's score is taken as one unit of it.
const PRIOR_WEIGHT: f64 = 0.05;
/// An expected place further off than this counts no more: it may be wrong altogether (squared standard deviations, two
/// edges of three each).
const MOST_EXPECTED: f64 = 18.0;
/// The place of the first section is known from the detector once, not at every section.
const START_WEIGHT: f64 = 10.0;

/// Best way into every pair of the next section; `from` holds the move (left, right) as `3 * (dl + 1) + (dr + 1)`.
fn advance(best: &[f32], gain: &[f32], grid: &Grid, settings: &MeasureSettings) -> (Vec<f32>, Vec<u8>) {
    let mut next = vec![f32::NEG_INFINITY; best.len()];
    let mut from = vec![4u8; best.len()];
    for l in 0..grid.n_left {
        for k in 0..grid.n_width {
            let here = gain[l * grid.n_width + k];
            if here == f32::NEG_INFINITY {
                continue;
            }
            let (mut top, mut way) = (f32::NEG_INFINITY, 4u8);
            for dl in -1i64..=1 {
                let l0 = l as i64 - dl;
                if l0 < 0 || l0 as usize >= grid.n_left {
                    continue;
                }
                for dr in -1i64..=1 {
                    let k0 = k as i64 - (dr - dl);
                    if k0 < 0 || k0 as usize >= grid.n_width {
                        continue;
                    }
                    let penalty = settings.width_change_penalty * ((dr - dl) * (dr - dl)) as f64
                        + settings.turn_penalty * ((dr + dl) * (dr + dl)) as f64;
                    let total = best[l0 as usize * grid.n_width + k0 as usize] - penalty as f32;
                    if total > top {
                        top = total;
                        way = (3 * (dl + 1) + dr + 1) as u8;
                    }
                }
            }
            next[l * grid.n_width + k] = top + here;
            from[l * grid.n_width + k] = way;
        }
    }
    (next, from)
}

fn read_back(best: &[f32], back: &[Vec<u8>], rows: &[usize], scores: &[Vec<f32>], grid: &Grid) -> Vec<Section> {
    let Some((mut state, top)) = best.iter().enumerate().max_by(|a, b| a.1.total_cmp(b.1).then(b.0.cmp(&a.0))) else {
        return Vec::new();
    };
    if !top.is_finite() {
        return Vec::new();
    }
    let mut sections = Vec::with_capacity(rows.len());
    for k in (0..rows.len()).rev() {
        let (l, w) = (state / grid.n_width, state % grid.n_width);
        sections.push(Section {
            row: rows[k],
            left: l,
            right: l + grid.first_width + w,
            score: scores[k][state].max(0.0),
        });
        if k > 0 {
            let way = i64::from(back[k][state]);
            let (dl, dr) = (way / 3 - 1, way % 3 - 1);
            let (l0, w0) = (l as i64 - dl, w as i64 - (dr - dl));
            state = l0 as usize * grid.n_width + w0 as usize;
        }
    }
    sections.reverse();
    sections
}
