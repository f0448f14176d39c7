//! Frames one after another -> where each place is sharpest, between frames, and how sure that is.

use crate::raster::Plane;

/// What is remembered of all frames so far, per pixel.
pub(super) struct Focus {
    width: usize,
    height: usize,
    best: Vec<f32>,
    before: Vec<f32>,
    after: Vec<f32>,
    last: Vec<f32>,
    sum: Vec<f64>,
    index: Vec<u16>,
    n: u16,
    /// Focus measure that noise alone gives, largest of all frames.
    noise: f32,
}

/// Height and confidence of every pixel.
pub(super) struct Heights {
    /// Frame in which the pixel is sharpest, counted from 0, with its fraction.
    pub height: Plane,
    /// How sure that is, 0..1.
    pub confidence: Plane,
    /// The whole frame in which the pixel is sharpest.
    pub index: Vec<u16>,
}

/// Marks that no frame has come after the best one yet.
const NONE_YET: f32 = -1.0;

impl Focus {
    pub(super) fn new(width: usize, height: usize) -> Self {
        let n = width * height;
        Self {
            width,
            height,
            best: vec![NONE_YET; n],
            before: vec![NONE_YET; n],
            after: vec![NONE_YET; n],
            last: vec![NONE_YET; n],
            sum: vec![0.0; n],
            index: vec![0; n],
            n: 0,
            noise: 0.0,
        }
    }

    /// Takes the focus measure of the next frame; `noise` is what noise alone would give.
    pub(super) fn add(&mut self, measure: &Plane, noise: f32) {
        let frame = self.n;
        for (i, value) in measure.values.iter().enumerate() {
            if self.best[i] < *value {
                self.before[i] = self.last[i];
                self.best[i] = *value;
                self.after[i] = NONE_YET;
                self.index[i] = frame;
            } else if 0 < frame && self.index[i] == frame - 1 {
                self.after[i] = *value;
            }
            self.last[i] = *value;
            self.sum[i] += f64::from(*value);
        }
        self.noise = self.noise.max(noise);
        self.n += 1;
    }

    /// The height map: top of the parabola through the logarithms of the best frame and its neighbours (a Gaussian
    /// peak), with untextured places filled from around.
    pub(super) fn finish(self, texture_over_noise: f64, fill_weight: f64) -> Heights {
        let pixels = self.best.len();
        let frames = f64::from(self.n.max(1));
        let floor = self.noise.max(f32::MIN_POSITIVE);
        let mut confidence = Plane::zeros(self.width, self.height);
        let mut raw = Plane::zeros(self.width, self.height);
        for i in 0..pixels {
            let best = self.best[i];
            let mean = (self.sum[i] / frames) as f32;
            let stands_out = if 0.0 < best { (1.0 - mean / best).max(0.0) } else { 0.0 };
            let textured = best / (best + texture_over_noise as f32 * floor);
            confidence.values[i] = stands_out * textured;
            raw.values[i] = f32::from(self.index[i]) + self.peak_shift(i, floor);
        }
        let weights: Vec<f32> = confidence.values.iter().map(|c| c * c).collect();
        let weights = Plane { values: weights, ..Plane::zeros(self.width, self.height) };
        let filled = fill(&raw, &weights, fill_weight as f32);
        let mixed = raw.values.iter().zip(&filled.values).zip(&confidence.values);
        let values = mixed.map(|((own, around), c)| c * own + (1.0 - c) * around).collect();
        Heights { height: Plane { values, ..raw }, confidence, index: self.index }
    }

    /// Offset of the peak from the best frame, in −0.5..0.5.
    fn peak_shift(&self, i: usize, floor: f32) -> f32 {
        if self.before[i] < 0.0 || self.after[i] < 0.0 {
            return 0.0;
        }
        let log = |v: f32| (v + floor).ln();
        let (a, b, c) = (log(self.before[i]), log(self.best[i]), log(self.after[i]));
        let bend = a - 2.0 * b + c;
        if bend < 0.0 { (0.5 * (a - c) / bend).clamp(-0.5, 0.5) } else { 0.0 }
    }
}

/// Weighted mean of the surroundings, over as wide an area as it takes to find weight: halve, then fill on the way back.
fn fill(values: &Plane, weights: &Plane, least_weight: f32) -> Plane {
    let product = values.values.iter().zip(&weights.values).map(|(v, w)| v * w).collect();
    let mut levels = vec![(Plane { values: product, ..values.clone() }, weights.clone())];
    while let Some((p, w)) = levels.last().filter(|(p, _)| 1 < p.width.min(p.height)) {
        let next = (p.reduce(), w.reduce());
        levels.push(next);
    }
    let mut out: Option<Plane> = None;
    while let Some((product, weight)) = levels.pop() {
        let wide = match &out {
            Some(coarse) => coarse.expand(product.width, product.height),
            None => {
                let (sum, total): (f32, f32) = (product.values.iter().sum(), weight.values.iter().sum());
                let mean = if 0.0 < total { sum / total } else { 0.0 };
                Plane { values: vec![mean; product.values.len()], ..product.clone() }
            }
        };
        let pairs = product.values.iter().zip(&weight.values).zip(&wide.values);
        let values = pairs.map(|((p, w), m)| (p + least_weight * m) / (w + least_weight)).collect();
        out = Some(Plane { values, ..product });
    }
    out.unwrap_or_else(|| values.clone())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_peak_lies_between_frames() {
        // A Gaussian focus curve has its top where it was put; the logarithm makes it a parabola.
        let (top, width) = (3.3_f32, 1.4_f32);
        let mut focus = Focus::new(2, 1);
        for frame in 0..8 {
            let d = frame as f32 - top;
            let value = (-d * d / (2.0 * width * width)).exp();
            focus.add(&Plane { width: 2, height: 1, values: vec![value, 0.5] }, 1e-9);
        }
        let heights = focus.finish(3.0, 0.05);
        assert!((heights.height.values[0] - top).abs() < 0.25, "{}", heights.height.values[0]);
        assert!(heights.confidence.values[1] == 0.0, "no focus curve, no confidence");
    }
}
