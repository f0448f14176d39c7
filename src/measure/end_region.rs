//! The end region: the outline of the end in strip coordinates, edges placed in the picture where it shows them.
//!
//! Strip along the shaft + segmentation -> for every row the left and right extent, for every column the front.

use super::edge::half_height;
use crate::network::planes::{Colour, length};
use crate::network::segmentation::{Map, Segmentation};
use crate::network::strip::Strip;
use crate::settings::MeasureSettings;

/// Outline of an end. Lengths in px along (u) and across (v) the strip.
pub(super) struct EndRegion {
    /// First row of the strip that the region covers.
    pub(super) first_row: usize,
    /// Left and right extent of the own fibre in each row from `first_row` on; `None` = no own fibre there.
    pub(super) extents: Vec<Option<[f64; 2]>>,
    /// Front of the own fibre in each column of the strip, and whether the picture shows its edge.
    pub(super) front: Vec<Option<Front>>,
    /// Whether a sample belongs to the end, row-major over the region's rows and all columns.
    own: Vec<bool>,
    /// Share of the end that is in view, 0..1.
    pub(super) visible: f64,
    n_v: usize,
}

/// The outermost place of one column.
#[derive(Debug, Clone, Copy)]
pub(super) struct Front {
    /// Distance along the strip.
    pub(super) u: f64,
    /// Step across it, 0..1; 0 where the place is the segmentation's alone.
    pub(super) height: f64,
}

impl EndRegion {
    /// Outlines the end; `None` when the segmentation sees no own fibre at the core of the shaft.
    pub(super) fn new(
        strip: &Strip,
        segmentation: &Segmentation,
        diameter: f64,
        settings: &MeasureSettings,
    ) -> Option<Self> {
        let n_v = strip.n_v();
        let first_row = strip.row(-settings.end_region_back * diameter);
        let n_rows = strip.n_u() - first_row;
        let mut own = Vec::with_capacity(n_rows * n_v);
        let mut seen = 0.0;
        for i in first_row..strip.n_u() {
            let (centre, deg) = strip.line(i);
            let (sin, cos) = (deg + 90.0).to_radians().sin_cos();
            for j in 0..n_v {
                let v = (j as f64 - strip.layout.half as f64) * strip.layout.step;
                own.push(
                    segmentation.at(Map::Own, crate::units::Point::new(centre.x + cos * v, centre.y + sin * v)) as f32
                );
            }
        }
        let core =
            ((strip.row(-settings.end_region_core * diameter).max(first_row) - first_row) * n_v) + strip.layout.half;
        let part = connected(&own, n_v, core)?;
        let mut total = 0.0;
        let from = strip.row(-settings.shaft_from * diameter).max(first_row) - first_row;
        for k in (from * n_v..part.len()).filter(|k| part[*k]) {
            let (i, j) = (first_row + k / n_v, k % n_v);
            total += 1.0;
            if strip.shown(i, j) {
                let v = (j as f64 - strip.layout.half as f64) * strip.layout.step;
                seen += segmentation.at(Map::Visible, strip.place(strip.u(i), v));
            }
        }
        let mut region = Self {
            first_row,
            extents: Vec::new(),
            front: Vec::new(),
            own: part,
            visible: seen / f64::max(total, 1.0),
            n_v,
        };
        region.extents = (0..n_rows).map(|r| region.extent(strip, &own, r)).collect();
        region.front = (0..n_v).map(|j| region.segmented_front(strip, &own, j)).collect();
        Some(region)
    }

    /// Whether a sample of the strip belongs to the end.
    pub(super) fn own(&self, i: usize, j: usize) -> bool {
        i >= self.first_row && self.own.get((i - self.first_row) * self.n_v + j).copied().unwrap_or(false)
    }

    fn extent(&self, strip: &Strip, own: &[f32], r: usize) -> Option<[f64; 2]> {
        let n_v = self.n_v;
        let row = &own[r * n_v..(r + 1) * n_v];
        let part = &self.own[r * n_v..(r + 1) * n_v];
        let (l, m) = (part.iter().position(|p| *p)?, part.iter().rposition(|p| *p)?);
        let left = if l > 0 { l as f64 - crossing(row[l], row[l - 1]) } else { 0.0 };
        let right = if m + 1 < n_v { m as f64 + crossing(row[m], row[m + 1]) } else { m as f64 };
        Some([left, right].map(|j| (j - strip.layout.half as f64) * strip.layout.step))
    }

    fn segmented_front(&self, strip: &Strip, own: &[f32], j: usize) -> Option<Front> {
        let n_rows = own.len() / self.n_v;
        let r = (0..n_rows).rev().find(|r| self.own[r * self.n_v + j])?;
        let beyond = if r + 1 < n_rows { crossing(own[r * self.n_v + j], own[(r + 1) * self.n_v + j]) } else { 0.0 };
        Some(Front {
            u: (r as f64 + beyond + self.first_row as f64 - strip.layout.behind as f64) * strip.layout.step,
            height: 0.0,
        })
    }

    /// Moves the front of the columns within `reach` of the middle to the edge that the picture shows near it.
    pub(super) fn refine_front(&mut self, strip: &Strip, diameter: f64, settings: &MeasureSettings) {
        let step = strip.layout.step;
        let window = (settings.refine_reach * diameter / step).round().max(2.0) as usize;
        let samples = |share: f64, least: f64| (share * diameter / step).round().max(least) as usize;
        let (place, level) = (samples(settings.place_reach, 1.0), samples(settings.level_reach, 2.0));
        let across = ((settings.edge_reach * diameter / step).round() as usize).max(1);
        for j in 1..self.n_v - 1 {
            let Some(front) = self.front[j] else { continue };
            let near = strip.row(front.u);
            let (a, b) = (near.saturating_sub(window + level), (near + window + level).min(strip.n_u() - 1));
            let profile: Vec<Colour> = (a..=b)
                .map(|i| {
                    [0, 1, 2]
                        .map(|k| (strip.value(i, j - 1)[k] + strip.value(i, j)[k] + strip.value(i, j + 1)[k]) / 3.0)
                })
                .collect();
            if let Some((at, height)) = strongest(&profile, near - a, window, across, (place, level), settings) {
                let u = (at + a as f64 - strip.layout.behind as f64) * step;
                self.front[j] = Some(Front { u, height });
            }
        }
    }

    /// Moves the sides of every row to the edges that the picture shows near them, where these are at least `least` high.
    pub(super) fn refine_sides(&mut self, strip: &Strip, diameter: f64, least: f64, settings: &MeasureSettings) {
        let step = strip.layout.step;
        let window = (settings.refine_reach * diameter / step).round().max(2.0) as usize;
        let samples = |share: f64, least: f64| (share * diameter / step).round().max(least) as usize;
        let (place, level) = (samples(settings.place_reach, 1.0), samples(settings.level_reach, 2.0));
        let across = ((settings.edge_reach * diameter / step).round() as usize).max(1);
        let averaged = strip.averaged_along(1);
        for (r, extent) in self.extents.iter_mut().enumerate() {
            let Some(sides) = extent else { continue };
            let i = r + self.first_row;
            let profile = &averaged[i * self.n_v..(i + 1) * self.n_v];
            for side in sides.iter_mut() {
                if let Some((at, height)) =
                    strongest(profile, strip.column(*side), window, across, (place, level), settings)
                    && height >= least
                {
                    *side = (at - strip.layout.half as f64) * step;
                }
            }
        }
    }

    /// Width of each row, px, smoothed by the median of three rows: `(u, width, middle)`.
    pub(super) fn widths(&self, strip: &Strip) -> Vec<(f64, f64, f64)> {
        let value = |r: usize| self.extents[r].map(|e| e[1] - e[0]);
        let mut out = Vec::new();
        for r in 0..self.extents.len() {
            let Some(e) = self.extents[r] else { continue };
            let mut near: Vec<f64> =
                (r.saturating_sub(1)..=(r + 1).min(self.extents.len() - 1)).filter_map(value).collect();
            near.sort_by(f64::total_cmp);
            out.push((strip.u(r + self.first_row), near[near.len() / 2], 0.5 * (e[0] + e[1])));
        }
        out
    }
}

/// How far from `inside` towards `outside` a map crosses one half, in samples.
fn crossing(inside: f32, outside: f32) -> f64 {
    f64::from(((inside - 0.5) / (inside - outside).max(f32::EPSILON)).clamp(0.0, 1.0))
}

/// Samples of at least one half that hang together with the core; `None` when the core itself is none.
fn connected(own: &[f32], n_v: usize, core: usize) -> Option<Vec<bool>> {
    if *own.get(core)? < 0.5 {
        return None;
    }
    let mut part = vec![false; own.len()];
    let mut open = vec![core];
    part[core] = true;
    while let Some(k) = open.pop() {
        let j = k % n_v;
        let neighbours = [(j > 0).then(|| k - 1), (j + 1 < n_v).then_some(k + 1), k.checked_sub(n_v), Some(k + n_v)];
        for next in neighbours.into_iter().flatten() {
            if next < own.len() && !part[next] && own[next] >= 0.5 {
                part[next] = true;
                open.push(next);
            }
        }
    }
    Some(part)
}

/// The strongest edge of a profile within `window` samples of `near`: its place and height.
fn strongest(
    profile: &[Colour],
    near: usize,
    window: usize,
    across: usize,
    levels: (usize, usize),
    settings: &MeasureSettings,
) -> Option<(f64, f64)> {
    let step = |j: usize| -> Colour {
        let mut sum = [0.0; 3];
        for m in 1..=across {
            for (k, s) in sum.iter_mut().enumerate() {
                *s += profile[j + m][k] - profile[j - m][k];
            }
        }
        sum.map(|s| s / across as f32)
    };
    let (a, b) = (near.saturating_sub(window).max(across), (near + window).min(profile.len().checked_sub(across + 1)?));
    let at =
        (a..=b).max_by(|x, y| weighed(step(*x), *x, near, window).total_cmp(&weighed(step(*y), *y, near, window)))?;
    let edge = half_height(profile, at, step(at), levels, settings)?;
    let moved = (edge.at - near as f64).abs();
    (moved <= window as f64 + 1.0).then_some((edge.at, edge.height))
}

/// Strength of a step, less the further it lies from where it is expected: half at the window's end.
fn weighed(step: Colour, at: usize, near: usize, window: usize) -> f32 {
    let away = at.abs_diff(near) as f32 / window as f32;
    length(step) * (1.0 - 0.5 * away * away)
}
