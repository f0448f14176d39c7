//! Grey plane and direction -> profiles across the lines, and the lines in each profile.

use crate::micrograph::GreyPlane;
use crate::robust::{MAD_TO_SD, median};
use crate::settings::RulingSettings;
use crate::units::{Point, PxBox};

/// Samples per pixel of a profile: two, so that a line one pixel wide is not missed between samples.
const PER_PX: f64 = 2.0;
/// Share of a strip's length that must lie in the picture for a sample to count.
const INSIDE_SHARE: f64 = 0.6;

/// The frame of the lines: `t` runs across them from the middle of the picture, `u` along them.
#[derive(Debug, Clone, Copy)]
pub(super) struct Frame {
    pub middle: Point,
    pub normal_deg: f64,
}

/// Mean grey across the lines, at one place along them.
pub(super) struct Profile {
    /// Middle of the strip along the lines, px.
    pub u: f64,
    /// `t` of the first sample, px.
    t0: f64,
    /// Mean grey, light or dark lines made positive later; `None` outside the picture.
    values: Vec<f64>,
}

/// A line in a profile.
#[derive(Debug, Clone, Copy)]
pub(super) struct Line {
    /// Centre across the lines, px.
    pub t: f64,
}

/// All profiles of the picture in a frame.
pub(super) fn profiles(grey: &GreyPlane, exclude: &[PxBox], frame: &Frame, settings: &RulingSettings) -> Vec<Profile> {
    let (half_w, half_h) = (f64::from(grey.width()) / 2.0, f64::from(grey.height()) / 2.0);
    let (sin, cos) = frame.normal_deg.to_radians().sin_cos();
    let reach_t = half_w * cos.abs() + half_h * sin.abs();
    let reach_u = half_w * sin.abs() + half_h * cos.abs();
    let n = ((2.0 * reach_u / settings.strip_px) as usize).max(1);
    let length = 2.0 * reach_u / n as f64;
    (0..n)
        .filter_map(|strip| {
            let u = -reach_u + (strip as f64 + 0.5) * length;
            profile(grey, exclude, frame, (u, length, reach_t))
        })
        .collect()
}

/// One profile: the longest unbroken part of it inside the picture.
fn profile(
    grey: &GreyPlane,
    exclude: &[PxBox],
    frame: &Frame,
    (u, length, reach_t): (f64, f64, f64),
) -> Option<Profile> {
    let (sin, cos) = frame.normal_deg.to_radians().sin_cos();
    let n_u = length.ceil() as usize;
    let mut best: (usize, usize) = (0, 0);
    let mut open: Option<usize> = None;
    let n_t = (2.0 * reach_t * PER_PX) as usize;
    let mut values = vec![0.0; n_t];
    for (i, value) in values.iter_mut().enumerate() {
        let t = -reach_t + i as f64 / PER_PX;
        let (mut sum, mut inside) = (0.0, 0_usize);
        for j in 0..n_u {
            let along = u - length / 2.0 + (j as f64 + 0.5) * length / n_u as f64;
            let p = Point::new(frame.middle.x + t * cos - along * sin, frame.middle.y + t * sin + along * cos);
            if grey.contains(p) && !exclude.iter().any(|b| b.contains(p)) {
                sum += f64::from(grey.bilinear(p));
                inside += 1;
            }
        }
        if INSIDE_SHARE * n_u as f64 <= inside as f64 {
            *value = sum / inside as f64;
            let start = *open.get_or_insert(i);
            if best.1 - best.0 < i + 1 - start {
                best = (start, i + 1);
            }
        } else {
            open = None;
        }
    }
    // Shorter profiles cannot hold the few lines that are needed.
    const LEAST: usize = 32;
    (LEAST <= best.1 - best.0).then(|| Profile {
        u,
        t0: -reach_t + best.0 as f64 / PER_PX,
        values: values[best.0..best.1].to_vec(),
    })
}

impl Profile {
    /// Skewness of the grey values about their slow drift: lines are the minority, so it is negative for dark lines.
    pub(super) fn skew(&self) -> f64 {
        let flat = self.flattened();
        let n = flat.len() as f64;
        let mean = flat.iter().sum::<f64>() / n;
        flat.iter().map(|v| (v - mean).powi(3)).sum::<f64>() / n
    }

    fn flattened(&self) -> Vec<f64> {
        let slow = smooth(&self.values, self.values.len() as f64 / 10.0);
        self.values.iter().zip(slow).map(|(v, s)| v - s).collect()
    }

    /// Lines of the profile, in order of `t`; `dark` says which way they stand out.
    pub(super) fn lines(&self, dark: bool, settings: &RulingSettings) -> Vec<Line> {
        let sign = if dark { -1.0 } else { 1.0 };
        let signal: Vec<f64> = self.flattened().iter().map(|v| v * sign).collect();
        let fine = smooth(&signal, PER_PX);
        let noise = noise_sd(&signal) / PER_PX.sqrt();
        let peaks = peaks(&fine);
        let mut heights: Vec<f64> = peaks.iter().map(|p| p.height).collect();
        heights.sort_by(f64::total_cmp);
        // Noise makes many low peaks; the strong lines are looked for among the higher ones.
        let Some(top) = heights.len().checked_sub(1).map(|last| heights[last - last.min(2)]) else { return Vec::new() };
        let least = (settings.line_height_share * top).max(settings.line_height_sd * noise);
        let kept: Vec<&Peak> = peaks.iter().filter(|p| least <= p.height).collect();
        let widths: Vec<f64> = kept.iter().map(|p| half_width(&fine, p)).collect();
        let width = median(&widths).unwrap_or(PER_PX);
        kept.iter().filter_map(|p| centre(&signal, p, width)).map(|i| Line { t: self.t0 + i / PER_PX }).collect()
    }
}

/// A local maximum with the lowest points that part it from higher ground.
struct Peak {
    at: usize,
    left: usize,
    right: usize,
    height: f64,
}

/// Local maxima and their height over the higher of the two valleys beside them.
fn peaks(signal: &[f64]) -> Vec<Peak> {
    let mut found = Vec::new();
    for at in 1..signal.len().saturating_sub(1) {
        if !(signal[at - 1] < signal[at] && signal[at + 1] <= signal[at]) {
            continue;
        }
        let valley = |walk: &mut dyn Iterator<Item = usize>| {
            let mut lowest = at;
            for i in walk {
                if signal[at] < signal[i] {
                    break;
                }
                if signal[i] < signal[lowest] {
                    lowest = i;
                }
            }
            lowest
        };
        let left = valley(&mut (0..at).rev());
        let right = valley(&mut (at + 1..signal.len()));
        found.push(Peak { at, left, right, height: signal[at] - signal[left].max(signal[right]) });
    }
    found
}

/// Half the width of a peak at half its height, samples.
fn half_width(signal: &[f64], peak: &Peak) -> f64 {
    let level = signal[peak.at] - peak.height / 2.0;
    let left = (peak.left..peak.at).rev().find(|i| signal[*i] < level).unwrap_or(peak.left);
    let right = (peak.at..=peak.right).find(|i| signal[*i] < level).unwrap_or(peak.right);
    (right - left) as f64 / 2.0
}

/// Centre of a line by a Gaussian window that follows its own centre of weight (Bertin 2010, windowed positions).
///
/// `None` when the window does not fit into the profile: lines cut by the edge of the picture have no centre.
fn centre(signal: &[f64], peak: &Peak, half_width: f64) -> Option<f64> {
    /// Full width at half height of a Gaussian over its standard deviation, halved.
    const HALF_TO_SD: f64 = 1.177_41;
    const WINDOW: f64 = 2.5;
    let sd = (half_width / HALF_TO_SD).max(1.0);
    let reach = (WINDOW * sd).ceil();
    let mut c = peak.at as f64;
    let last = signal.len() as f64 - 1.0;
    for _ in 0..25 {
        if c - reach < 0.0 || last < c + reach {
            return None;
        }
        let (from, to) = ((c - reach).ceil() as usize, (c + reach).floor() as usize);
        let base = signal[from..=to].iter().copied().fold(f64::INFINITY, f64::min);
        let (mut sum, mut moment) = (0.0, 0.0);
        for (i, value) in signal.iter().enumerate().take(to + 1).skip(from) {
            let d = i as f64 - c;
            let w = (-d * d / (2.0 * sd * sd)).exp() * (value - base);
            sum += w;
            moment += w * d;
        }
        if sum <= 0.0 {
            return None;
        }
        let step = 2.0 * moment / sum;
        c += step.clamp(-sd, sd);
        if step.abs() < 1e-5 {
            break;
        }
    }
    ((c - peak.at as f64).abs() <= 2.0 * sd).then_some(c)
}

/// Standard deviation of white noise in a profile, from its second differences (median of absolute values).
fn noise_sd(signal: &[f64]) -> f64 {
    /// Variance of `a - 2 b + c` for unit noise.
    const SECOND_DIFFERENCE: f64 = 6.0;
    let step = PER_PX as usize;
    let differences: Vec<f64> =
        signal.windows(2 * step + 1).map(|w| (w[0] - 2.0 * w[step] + w[2 * step]).abs()).collect();
    median(&differences).unwrap_or(0.0) * MAD_TO_SD / SECOND_DIFFERENCE.sqrt()
}

/// Gaussian smoothing, the ends continued by their own value; `sd` in samples.
fn smooth(values: &[f64], sd: f64) -> Vec<f64> {
    let reach = (3.0 * sd).ceil() as i64;
    let kernel: Vec<f64> = (-reach..=reach).map(|i| (-(i * i) as f64 / (2.0 * sd * sd)).exp()).collect();
    let total: f64 = kernel.iter().sum();
    let last = values.len() as i64 - 1;
    (0..=last)
        .map(|i| {
            let sum: f64 = kernel
                .iter()
                .enumerate()
                .map(|(k, w)| w * values[(i + k as i64 - reach).clamp(0, last) as usize])
                .sum();
            sum / total
        })
        .collect()
}
