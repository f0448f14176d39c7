//! Lines of all strips -> a whole number for every line, or the reason why they cannot be numbered.

use super::fit::RulingError;
use super::strip::Line;
use crate::robust::{MAD_TO_SD, median};
use crate::settings::RulingSettings;
use std::collections::BTreeMap;

/// A line seen in a strip, with its number.
#[derive(Debug, Clone, Copy)]
struct Seen {
    index: i64,
    u: f64,
    t: f64,
}

/// All numbered lines and the plane through them: `t = start + slope * u + pitch * index`.
pub(super) struct Numbered {
    seen: Vec<Seen>,
    pub slope: f64,
    pub long_and_short: bool,
}

/// A line averaged over its strips, moved to u = 0.
#[derive(Debug, Clone, Copy)]
pub(super) struct LineMean {
    pub index: i64,
    pub t: f64,
    pub n_strips: usize,
}

/// A straight fit of place against number.
pub(super) struct StraightFit {
    start: f64,
    pub pitch: f64,
    pub pitch_u: f64,
}

impl StraightFit {
    /// Place of a line by the fit, px.
    pub(super) fn at(&self, index: i64) -> f64 {
        self.start + self.pitch * index as f64
    }
}

/// Numbers every line; strips hand their phase on to their neighbours, so that a slight turn does no harm.
pub(super) fn number_lines(strips: &[(f64, Vec<Line>)], settings: &RulingSettings) -> Result<Numbered, RulingError> {
    let spacings: Vec<Option<f64>> = strips.iter().map(|(_, lines)| spacing(lines, settings)).collect();
    let (pitch, long_and_short) = common_spacing(strips, &spacings, settings)?;
    let is_full = |i: usize| spacings[i].is_some_and(|s| (s / pitch - 1.0).abs() < settings.multiple_gap * 2.0);
    let start =
        (0..strips.len()).filter(|i| is_full(*i)).max_by_key(|i| strips[*i].1.len()).ok_or(RulingError::NoLines)?;
    let mut phases = Phases { pitch, offset: strips[start].1[0].t, settings, seen: Vec::new() };
    phases.start(strips[start].0, &strips[start].1);
    let first = phases.offset;
    for (u, lines) in &strips[start + 1..] {
        phases.follow(*u, lines);
    }
    phases.offset = first;
    for (u, lines) in strips[..start].iter().rev() {
        phases.follow(*u, lines);
    }
    let (seen, slope) = plane(phases.seen, pitch, settings.index_gate);
    Ok(Numbered { seen, slope, long_and_short })
}

/// Median spacing of a strip whose lines are mostly evenly spaced.
fn spacing(lines: &[Line], settings: &RulingSettings) -> Option<f64> {
    if lines.len() < settings.min_lines.min(4) {
        return None;
    }
    let gaps: Vec<f64> = lines.windows(2).map(|w| w[1].t - w[0].t).collect();
    let middle = median(&gaps)?;
    let even = gaps.iter().filter(|g| (*g / middle - 1.0).abs() < settings.index_gate).count();
    (2 * gaps.len() <= 3 * even).then_some(middle)
}

/// The finest spacing that enough strips show, and whether others show multiples of it.
fn common_spacing(
    strips: &[(f64, Vec<Line>)],
    spacings: &[Option<f64>],
    settings: &RulingSettings,
) -> Result<(f64, bool), RulingError> {
    let most = strips.iter().map(|s| s.1.len()).max().unwrap_or(0);
    let mut known: Vec<f64> = spacings.iter().flatten().copied().collect();
    known.sort_by(f64::total_cmp);
    if most < settings.min_lines {
        return Err(RulingError::TooFew { found: most, least: settings.min_lines });
    }
    if known.is_empty() {
        return Err(RulingError::Uneven { rms_percent: worst_unevenness(strips) });
    }
    let support = |s: f64| known.iter().filter(|k| (*k / s - 1.0).abs() < settings.multiple_gap).count();
    let needed = (known.len() / 8).max(1);
    let finest = known.iter().copied().find(|s| needed <= support(*s)).unwrap_or(known[0]);
    let near: Vec<f64> = known.iter().copied().filter(|k| (k / finest - 1.0).abs() < settings.multiple_gap).collect();
    let pitch = median(&near).unwrap_or(finest);
    let is_multiple = |k: f64| {
        let ratio = k / pitch;
        (ratio - ratio.round()).abs() < settings.multiple_gap * ratio.round().max(1.0)
    };
    let foreign: Vec<f64> = known.iter().copied().filter(|k| !is_multiple(*k)).collect();
    if settings.foreign_share * known.len() as f64 <= foreign.len() as f64 {
        return Err(RulingError::TwoSpacings { first_px: pitch, second_px: median(&foreign).unwrap_or(pitch) });
    }
    Ok((pitch, known.iter().any(|k| 1.5 < k / pitch)))
}

/// Scatter of the spacings of the fullest strip over their median, percent.
fn worst_unevenness(strips: &[(f64, Vec<Line>)]) -> f64 {
    let Some((_, lines)) = strips.iter().max_by_key(|s| s.1.len()) else { return 0.0 };
    let gaps: Vec<f64> = lines.windows(2).map(|w| w[1].t - w[0].t).collect();
    let middle = median(&gaps).unwrap_or(1.0);
    let mean_square = gaps.iter().map(|g| (g / middle - 1.0).powi(2)).sum::<f64>() / gaps.len().max(1) as f64;
    100.0 * mean_square.sqrt()
}

/// Numbers lines strip by strip.
struct Phases<'a> {
    pitch: f64,
    offset: f64,
    settings: &'a RulingSettings,
    seen: Vec<Seen>,
}

impl Phases<'_> {
    /// Numbers the first strip from gap to gap, then makes the pitch exact.
    fn start(&mut self, u: f64, lines: &[Line]) {
        let mut index = 0;
        let mut numbered = vec![LineMean { index, t: lines[0].t, n_strips: 1 }];
        for pair in lines.windows(2) {
            index += ((pair[1].t - pair[0].t) / self.pitch).round().max(1.0) as i64;
            numbered.push(LineMean { index, t: pair[1].t, n_strips: 1 });
        }
        let fit = straight_fit(&numbered);
        if (fit.pitch / self.pitch - 1.0).abs() < self.settings.index_gate {
            self.pitch = fit.pitch;
            self.offset = fit.start;
        }
        self.follow(u, lines);
    }

    /// Numbers a strip by the phase of the one before it and passes its own on.
    fn follow(&mut self, u: f64, lines: &[Line]) {
        let off = |t: f64, offset: f64| {
            let place = (t - offset) / self.pitch;
            (place.round() as i64, (place - place.round()) * self.pitch)
        };
        let gate = self.settings.index_gate * self.pitch;
        let shifts: Vec<f64> = lines.iter().map(|l| off(l.t, self.offset).1).filter(|d| d.abs() < gate).collect();
        // A strip that mostly disagrees shows something else; it neither counts nor passes a phase on.
        if 2 * shifts.len() <= lines.len() || shifts.len() < 2 {
            return;
        }
        self.offset += median(&shifts).unwrap_or(0.0);
        for line in lines {
            let (index, distance) = off(line.t, self.offset);
            if distance.abs() < gate {
                self.seen.push(Seen { index, u, t: line.t });
            }
        }
    }
}

/// Robust plane `t = start + slope u + pitch k` through all lines; strays are dropped. Returns the kept lines and the slope.
fn plane(mut seen: Vec<Seen>, pitch: f64, gate: f64) -> (Vec<Seen>, f64) {
    const ROUNDS: usize = 4;
    /// Lines farther off than this many robust standard deviations are strays.
    const STRAY_SD: f64 = 4.0;
    let mut slope = 0.0;
    for _ in 0..ROUNDS {
        let Some(solution) = solve_plane(&seen) else { break };
        slope = solution[1];
        let off: Vec<f64> =
            seen.iter().map(|s| (s.t - solution[0] - slope * s.u - solution[2] * s.index as f64).abs()).collect();
        let limit = (median(&off).unwrap_or(0.0) * MAD_TO_SD * STRAY_SD).clamp(0.05, gate * pitch);
        let kept: Vec<Seen> = seen.iter().zip(&off).filter(|(_, d)| **d <= limit).map(|(s, _)| *s).collect();
        if kept.len() == seen.len() {
            break;
        }
        seen = kept;
    }
    (seen, slope)
}

/// Least squares for (start, slope, pitch); without a slope when all lines are in one strip.
fn solve_plane(seen: &[Seen]) -> Option<[f64; 3]> {
    let n = seen.len() as f64;
    let mean = |f: &dyn Fn(&Seen) -> f64| seen.iter().map(f).sum::<f64>() / n;
    let (mu, mk, mt) = (mean(&|s| s.u), mean(&|s| s.index as f64), mean(&|s| s.t));
    let sum =
        |f: &dyn Fn(f64, f64, f64) -> f64| seen.iter().map(|s| f(s.u - mu, s.index as f64 - mk, s.t - mt)).sum::<f64>();
    let (uu, kk, uk) = (sum(&|u, _, _| u * u), sum(&|_, k, _| k * k), sum(&|u, k, _| u * k));
    let (ut, kt) = (sum(&|u, _, t| u * t), sum(&|_, k, t| k * t));
    if kk <= 0.0 {
        return None;
    }
    let determinant = uu * kk - uk * uk;
    let (slope, pitch) = if determinant <= 1e-9 * uu * kk || uu <= 0.0 {
        (0.0, kt / kk)
    } else {
        ((ut * kk - kt * uk) / determinant, (kt * uu - ut * uk) / determinant)
    };
    Some([mt - slope * mu - pitch * mk, slope, pitch])
}

impl Numbered {
    /// Every line averaged over its strips, in order.
    pub(super) fn line_means(&self) -> Vec<LineMean> {
        let mut by_index: BTreeMap<i64, (f64, usize)> = BTreeMap::new();
        for s in &self.seen {
            let entry = by_index.entry(s.index).or_default();
            entry.0 += s.t - self.slope * s.u;
            entry.1 += 1;
        }
        by_index.into_iter().map(|(index, (sum, n))| LineMean { index, t: sum / n as f64, n_strips: n }).collect()
    }
}

/// Weighted straight line through the lines, by the number of strips; uncertainty of the slope from the scatter.
pub(super) fn straight_fit(lines: &[LineMean]) -> StraightFit {
    let total: f64 = lines.iter().map(|l| l.n_strips as f64).sum();
    let mean = |f: &dyn Fn(&LineMean) -> f64| lines.iter().map(|l| f(l) * l.n_strips as f64).sum::<f64>() / total;
    let (mk, mt) = (mean(&|l| l.index as f64), mean(&|l| l.t));
    let kk = mean(&|l| (l.index as f64 - mk).powi(2)) * total;
    let kt = mean(&|l| (l.index as f64 - mk) * (l.t - mt)) * total;
    let pitch = if 0.0 < kk { kt / kk } else { 0.0 };
    let start = mt - pitch * mk;
    let scatter = mean(&|l| (l.t - start - pitch * l.index as f64).powi(2)) * total;
    let freedom = lines.len() as f64 - 2.0;
    // Weights count strips; the scatter per line carries the line's own error, so freedom counts lines.
    let pitch_u = if 0.0 < freedom && 0.0 < kk { (scatter / freedom / kk).sqrt() } else { 0.0 };
    StraightFit { start, pitch, pitch_u }
}
