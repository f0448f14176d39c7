//! Shape of the end: straight edge, cap, neck, taper and the like, from the outline of its region.
//!
//! EndRegion + diameter -> [`Shape`]. Lengths in px unless a name says otherwise.

use super::end_region::EndRegion;
use crate::linear_solve::solve;
use crate::network::strip::Strip;
use crate::raster::{convex_hull, polygon_area};
use crate::settings::MeasureSettings;

/// The straight edge of an end: `u = at + slope * v` and a half ellipse of height `bow` on it.
#[derive(Debug, Clone, Copy)]
pub(super) struct EndLine {
    /// Where it crosses the centre line, without the bow.
    pub(super) at: f64,
    /// Rise along the shaft per length across it.
    pub(super) slope: f64,
    /// How far the middle bows out.
    pub(super) bow: f64,
    /// RMS distance of the front from the best straight line.
    pub(super) rms: f64,
    /// Standard uncertainty of the slope.
    pub(super) slope_u: f64,
    /// Mean step across the front, 0..1.
    pub(super) height: f64,
    /// Left and right end of the fitted part.
    pub(super) span: (f64, f64),
}

/// Widths of an end along the shaft.
#[derive(Debug, Clone, Copy, Default)]
pub(super) struct Cap {
    /// Largest width within 1.5 diameters of the front.
    pub(super) width: f64,
    /// Spread of widths about the largest.
    pub(super) width_u: f64,
    /// Back and front of the part that is clearly wider than the shaft; equal when there is none.
    pub(super) from: f64,
    /// See `from`.
    pub(super) to: f64,
    /// Middle of the widest part beside the centre line.
    pub(super) middle: f64,
    /// Overhang beyond the shaft on the left and right at the widest part.
    pub(super) overhang: [f64; 2],
    /// Smallest width between cap and shaft.
    pub(super) neck: f64,
    /// Width just behind the front.
    pub(super) front_width: f64,
    /// Loss of width per length over the last 1.5 diameters.
    pub(super) taper: f64,
    /// Outermost place of the end on its centre line's side of the strip.
    pub(super) apex: f64,
}

/// Fits the straight edge of the end over |across| <= 0.45 d; `None` when too little of the front is known.
pub(super) fn end_line(strip: &Strip, region: &EndRegion, d: f64, settings: &MeasureSettings) -> Option<EndLine> {
    let reach = settings.end_line_reach * d;
    let mut points: Vec<[f64; 3]> = Vec::new();
    let (mut heights, mut n) = (0.0, 0.0);
    for (j, front) in region.front.iter().enumerate() {
        let v = (j as f64 - strip.layout.half as f64) * strip.layout.step;
        let Some(front) = front.filter(|_| v.abs() <= reach) else { continue };
        heights += front.height;
        n += 1.0;
        points.push([v, front.u, if front.height > 0.0 { 1.0 } else { settings.segmentation_weight }]);
    }
    if points.len() < 4 {
        return None;
    }
    let straight = fit(&points, |v| [1.0, v, 0.0], d, settings)?;
    let bowed =
        fit(&points, |v| [1.0, v, (1.0 - (2.0 * v / d).powi(2)).max(0.0).sqrt()], d, settings).unwrap_or(straight);
    let mut square = 0.0;
    let mut spread = 0.0;
    let middle = points.iter().map(|p| p[0]).sum::<f64>() / n;
    for p in &points {
        square += (p[1] - straight[0] - straight[1] * p[0]).powi(2);
        spread += (p[0] - middle).powi(2);
    }
    let rms = (square / n).sqrt();
    // Neighbouring columns share their pixels: the front holds fewer independent points than samples.
    let independent = (n / settings.front_correlation).max(1.0);
    let slope_u = rms / (spread / n * independent).sqrt().max(f64::MIN_POSITIVE);
    let (first, last) = (points[0][0], points[points.len() - 1][0]);
    Some(EndLine {
        at: bowed[0],
        slope: straight[1],
        bow: bowed[2].max(0.0),
        rms,
        slope_u,
        height: heights / n,
        span: (first, last),
    })
}

/// Least squares over three base functions of v, with four rounds of Cauchy weights; unused bases stay 0.
fn fit(points: &[[f64; 3]], bases: impl Fn(f64) -> [f64; 3], d: f64, settings: &MeasureSettings) -> Option<[f64; 3]> {
    let scale = settings.front_outlier * d;
    let mut x = [0.0; 3];
    for round in 0..4 {
        let mut a = [[0.0; 3]; 3];
        let mut b = [0.0; 3];
        for p in points {
            let base = bases(p[0]);
            let gap = p[1] - (0..3).map(|k| base[k] * x[k]).sum::<f64>();
            let weight = p[2] * if round == 0 { 1.0 } else { 1.0 / (1.0 + (gap / scale).powi(2)) };
            for r in 0..3 {
                b[r] += weight * base[r] * p[1];
                for c in 0..3 {
                    a[r][c] += weight * base[r] * base[c];
                }
            }
        }
        for (k, row) in a.iter_mut().enumerate() {
            if row[k] == 0.0 {
                row[k] = 1.0;
            }
        }
        x = solve(a, b)?;
    }
    Some(x)
}

/// Measures widths of the end; `None` when no row of it is known.
pub(super) fn cap(strip: &Strip, region: &EndRegion, d: f64, settings: &MeasureSettings) -> Option<Cap> {
    let widths = region.widths(strip);
    let apex = widths.last()?.0;
    let near: Vec<(f64, f64, f64)> = widths.iter().copied().filter(|w| apex - settings.cap_back * d <= w.0).collect();
    let top = *near.iter().max_by(|a, b| a.1.total_cmp(&b.1))?;
    let mut cap = Cap { width: top.1, middle: top.2, from: top.0, to: top.0, apex, ..Cap::default() };
    let wide = (1.0 + settings.cap_excess) * d;
    if top.1 >= wide {
        let at = near.iter().position(|w| w.0 == top.0)?;
        let back = near[..at].iter().rposition(|w| w.1 < 0.5 * (d + top.1).min(wide + d)).map_or(0, |k| k + 1);
        cap.from = near[back].0;
        cap.to = apex;
    }
    let around: Vec<f64> = near.iter().filter(|w| (w.0 - top.0).abs() <= 0.1 * d).map(|w| w.1).collect();
    let mean = around.iter().sum::<f64>() / around.len() as f64;
    cap.width_u = (around.iter().map(|w| (w - mean).powi(2)).sum::<f64>() / around.len() as f64).sqrt();
    let overhang = [0.5 * top.1 - top.2 - 0.5 * d, 0.5 * top.1 + top.2 - 0.5 * d];
    cap.overhang = overhang.map(|o| o.max(0.0));
    let has_cap = cap.to > cap.from;
    let neck_to = if has_cap { cap.from } else { apex - settings.front_depth * 2.0 * d };
    let between = widths.iter().filter(|w| apex - 2.0 * settings.cap_back * d <= w.0 && w.0 <= neck_to);
    cap.neck = between.map(|w| w.1).fold(f64::INFINITY, f64::min).min(top.1);
    let front_u = apex - settings.front_depth * d;
    cap.front_width = widths.iter().min_by(|a, b| (a.0 - front_u).abs().total_cmp(&(b.0 - front_u).abs()))?.1;
    cap.taper = -slope(near.iter().filter(|w| w.0 <= front_u).map(|w| (w.0, w.1)));
    Some(cap)
}

/// Slope of a straight line through points; 0 when they do not make one.
fn slope(points: impl Iterator<Item = (f64, f64)> + Clone) -> f64 {
    let n = points.clone().count() as f64;
    let (mx, my) = points.clone().fold((0.0, 0.0), |s, p| (s.0 + p.0 / n, s.1 + p.1 / n));
    let (sxy, sxx) = points.fold((0.0, 0.0), |s, p| (s.0 + (p.0 - mx) * (p.1 - my), s.1 + (p.0 - mx).powi(2)));
    if sxx > 0.0 { sxy / sxx } else { 0.0 }
}

/// RMS distance of the outline from its own centreline smoothed over a quarter of a diameter.
pub(super) fn roughness(
    strip: &Strip,
    region: &EndRegion,
    d: f64,
    apex: f64,
    settings: &MeasureSettings,
) -> Option<f64> {
    let half = (settings.rough_window * d / strip.layout.step).round().max(1.0) as usize;
    let (mut square, mut n) = (0.0, 0.0);
    for side in 0..2 {
        let line: Vec<f64> = region
            .extents
            .iter()
            .enumerate()
            .filter_map(|(r, e)| {
                e.filter(|_| apex - settings.cap_back * d <= strip.u(r + region.first_row)).map(|e| e[side])
            })
            .collect();
        for k in half..line.len().saturating_sub(half) {
            let mean = line[k - half..=k + half].iter().sum::<f64>() / (2 * half + 1) as f64;
            square += (line[k] - mean).powi(2);
            n += 1.0;
        }
    }
    (n > 0.0).then(|| (square / f64::max(n, 1.0)).sqrt())
}

/// Area of the end region over the area of its convex hull, over the last 1.5 diameters.
pub(super) fn solidity(
    strip: &Strip,
    region: &EndRegion,
    d: f64,
    apex: f64,
    settings: &MeasureSettings,
) -> Option<f64> {
    let mut area = 0.0;
    let mut points: Vec<[f64; 2]> = Vec::new();
    for (r, extent) in region.extents.iter().enumerate() {
        let i = r + region.first_row;
        let u = strip.u(i);
        let Some(e) = extent.filter(|_| apex - settings.cap_back * d <= u) else { continue };
        area += (0..strip.n_v()).filter(|j| region.own(i, *j)).count() as f64 * strip.layout.step.powi(2);
        // Pixels have size: a row's corners lie half a sample before and behind its centre.
        for side in e {
            points.push([u - 0.5 * strip.layout.step, side]);
            points.push([u + 0.5 * strip.layout.step, side]);
        }
    }
    let hull = polygon_area(&convex_hull(&mut points));
    (hull > 0.0).then(|| (area / hull).min(1.0))
}
