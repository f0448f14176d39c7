//! Brightness, colour, texture and surroundings of the end.
//!
//! Strip + region + shaft -> values relative to the shaft's own edges, so that they mean the same in every picture.

use super::end_region::EndRegion;
use crate::network::planes::{Colour, length, minus};
use crate::network::strip::Strip;
use crate::settings::MeasureSettings;

/// What the tones of an end are read from.
pub(super) struct Tones<'a> {
    /// Strip along the shaft.
    pub(super) strip: &'a Strip,
    /// Outline of the end.
    pub(super) region: &'a EndRegion,
    /// Shaft diameter, px.
    pub(super) d: f64,
    /// Outermost place of the end, px along the strip.
    pub(super) apex: f64,
    /// Mean step across the shaft's edges, 0..1.
    pub(super) edge: f64,
    /// Settings.
    pub(super) settings: &'a MeasureSettings,
}

impl Tones<'_> {
    fn rows(&self, from: f64, to: f64) -> std::ops::RangeInclusive<usize> {
        let s = self.strip;
        s.row(self.apex + from * self.d)..=s.row(self.apex + to * self.d)
    }

    fn columns(&self, half: f64) -> std::ops::RangeInclusive<usize> {
        self.strip.column(-half * self.d)..=self.strip.column(half * self.d)
    }

    fn mean(&self, rows: std::ops::RangeInclusive<usize>, pick: impl Fn(usize, usize) -> bool) -> Option<Colour> {
        let (mut sum, mut n) = ([0.0f64; 3], 0.0);
        for i in rows {
            for j in 0..self.strip.n_v() {
                if self.strip.shown(i, j) && pick(i, j) {
                    let c = self.strip.value(i, j);
                    (0..3).for_each(|k| sum[k] += f64::from(c[k]));
                    n += 1.0;
                }
            }
        }
        (n > 0.0).then(|| sum.map(|s| (s / n) as f32))
    }

    /// Mean colour of the shaft, between 1.5 and 3.5 diameters behind the front.
    pub(super) fn shaft(&self) -> Option<Colour> {
        let core = self.columns(self.settings.core_half);
        self.mean(self.rows(-self.settings.tone_back, -self.settings.shaft_from), |_, j| core.contains(&j))
    }

    /// Mean colour of the end: own fibre within half a diameter of the front, as far beside the centre as the shaft's core.
    pub(super) fn face(&self) -> Option<Colour> {
        let core = self.columns(self.settings.core_half);
        self.mean(self.rows(-self.settings.face_depth, 0.0), |i, j| core.contains(&j) && self.region.own(i, j))
    }

    /// Mean colour ahead of the end.
    pub(super) fn beyond(&self) -> Option<Colour> {
        let core = self.columns(self.settings.core_half);
        let rows = self.rows(self.settings.beyond_from, self.settings.beyond_to);
        self.mean(rows, |i, j| core.contains(&j) && !self.region.own(i, j))
    }

    /// Root mean square of the fine texture (a sample against the mean of its neighbours along the shaft) over some rows.
    fn texture(&self, from: f64, to: f64) -> Option<f64> {
        let k = (self.settings.texture_reach * self.d / self.strip.layout.step).round().max(1.0) as usize;
        let core = self.columns(self.settings.core_half);
        let (mut square, mut n) = (0.0, 0.0);
        for i in self.rows(from, to) {
            if i < k || i + k >= self.strip.n_u() {
                continue;
            }
            for j in core.clone() {
                let inside = i < self.region.first_row || self.region.own(i, j) && self.region.own(i + k, j);
                if inside && self.strip.shown(i, j) {
                    let (a, b, c) = (self.strip.value(i - k, j), self.strip.value(i, j), self.strip.value(i + k, j));
                    let middle = [0, 1, 2].map(|k| 0.5 * (a[k] + c[k]));
                    square += f64::from(length(minus(b, middle))).powi(2);
                    n += 1.0;
                }
            }
        }
        (n > 0.0).then(|| f64::sqrt(square / n))
    }

    /// Texture of the end over that of its shaft, logarithm to base 2.
    pub(super) fn end_texture(&self) -> Option<f64> {
        let end = self.texture(-self.settings.texture_depth, 0.0)?;
        let shaft = self.texture(-self.settings.tone_back, -self.settings.shaft_from)?;
        // Noise that no camera is free of keeps empty, even shafts from giving any number at all.
        let floor = self.settings.texture_floor * self.edge;
        Some(((end + floor) / (shaft + floor).max(f64::MIN_POSITIVE)).log2())
    }

    /// Share of the surroundings of the end that fine lines cross.
    pub(super) fn wisps(&self) -> Option<f64> {
        let s = self.strip;
        let k = (self.settings.wisp_width * self.d / s.layout.step).round().max(1.0) as usize;
        let least = (self.settings.wisp_height * self.edge) as f32;
        let (mut lines, mut n) = (0usize, 0usize);
        for i in self.rows(-self.settings.wisp_back, self.settings.wisp_ahead) {
            for j in k..s.n_v() - k {
                if i < k || i + k >= s.n_u() || self.near_own(i, j, k + 1) || !s.shown(i, j) {
                    continue;
                }
                let here = s.value(i, j);
                let thin = |a: Colour, b: Colour| {
                    let (da, db) = (minus(here, a), minus(here, b));
                    // A line differs from both sides alike; an edge only from one.
                    if crate::network::planes::dot(da, db) > 0.0 { length(da).min(length(db)) } else { 0.0 }
                };
                let across = thin(s.value(i, j - k), s.value(i, j + k));
                let along = thin(s.value(i - k, j), s.value(i + k, j));
                n += 1;
                lines += usize::from(least <= across.max(along));
            }
        }
        (n > 0).then(|| lines as f64 / n as f64)
    }

    fn near_own(&self, i: usize, j: usize, k: usize) -> bool {
        [(i, j), (i - 1, j), (i, j.saturating_sub(k)), (i, j + k), (i.saturating_sub(k), j), (i + k, j)]
            .iter()
            .any(|(i, j)| self.region.own(*i, (*j).min(self.strip.n_v() - 1)))
    }

    /// Strength of the strongest lengthwise line within the end, beyond that within the shaft, over the edges' step.
    pub(super) fn split(&self) -> Option<f64> {
        let line = |from: f64, to: f64| {
            let k = (self.settings.wisp_width * self.d / self.strip.layout.step).round().max(1.0) as usize;
            let rows = self.rows(from, to);
            let n = rows.clone().count().max(1) as f32;
            let columns = self.columns(self.settings.core_half);
            let profile: Vec<Colour> = (columns.start() - k..=columns.end() + k)
                .map(|j| {
                    let mut sum = [0.0; 3];
                    for i in rows.clone() {
                        (0..3).for_each(|c| sum[c] += self.strip.value(i, j)[c]);
                    }
                    sum.map(|s| s / n)
                })
                .collect();
            (k..profile.len() - k)
                .map(|j| {
                    let (a, b) = (minus(profile[j - k], profile[j]), minus(profile[j + k], profile[j]));
                    if crate::network::planes::dot(a, b) > 0.0 { length(a).min(length(b)) } else { 0.0 }
                })
                .fold(0.0f32, f32::max)
        };
        let end = line(-self.settings.split_depth, -self.settings.front_depth);
        let shaft = line(-self.settings.tone_back, -self.settings.shaft_from);
        (self.edge > 0.0).then(|| f64::from(end - shaft) / self.edge)
    }

    /// Step at the shaft's two edges over some rows, averaged along the shaft before its size is taken: `[left, right]`.
    pub(super) fn continuation_edges(&self, from: f64, to: f64) -> [f64; 2] {
        let k = (self.settings.continuation_reach * self.d / self.strip.layout.step).round().max(1.0) as usize;
        let rows = self.rows(from, to);
        let n = rows.clone().count().max(1) as f32;
        [-0.5, 0.5].map(|side| {
            let middle = self.strip.column(side * self.d);
            (middle.saturating_sub(k)..=middle + k)
                .filter(|j| k <= *j && j + k < self.strip.n_v())
                .map(|j| {
                    let mut sum = [0.0; 3];
                    for i in rows.clone() {
                        let step = minus(self.strip.value(i, j + k), self.strip.value(i, j - k));
                        (0..3).for_each(|c| sum[c] += step[c]);
                    }
                    f64::from(length(sum.map(|s| s / n)))
                })
                .fold(0.0, f64::max)
        })
    }

    /// Share of the end region under burnt-in captions or off the picture.
    pub(super) fn hidden_by_frame(&self) -> f64 {
        let rows = self.rows(-self.settings.cap_back, self.settings.front_depth);
        let columns = self.columns(0.5);
        let all = rows.clone().count() * columns.clone().count();
        let hidden = rows.flat_map(|i| columns.clone().map(move |j| (i, j))).filter(|(i, j)| !self.strip.shown(*i, *j));
        hidden.count() as f64 / all.max(1) as f64
    }
}

/// Hue (degrees, 0 = red, 120 = green) and saturation (0..1) of a colour, HSV.
pub(super) fn hue_saturation(c: Colour) -> (f64, f64) {
    let [r, g, b] = c.map(f64::from);
    let (high, low) = (r.max(g).max(b), r.min(g).min(b));
    let span = high - low;
    if span <= 0.0 || high <= 0.0 {
        return (0.0, 0.0);
    }
    let sixth = if high == r {
        (g - b) / span
    } else if high == g {
        (b - r) / span + 2.0
    } else {
        (r - g) / span + 4.0
    };
    ((60.0 * sixth).rem_euclid(360.0), span / high)
}
