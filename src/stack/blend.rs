//! Frames one after another -> one picture: at every scale, detail weighted by how much of it a frame shows.
//!
//! A frame's weight at a place is its local detail energy, over that of noise, to a power. Where a frame is sharp it wins;
//! where none shows detail all weigh alike and the noise averages out. Working on detail bands (Burt and Kolczynski 1993,
//! here with soft weights) leaves neither seams nor halos of hard masks. One pass; memory does not grow with the series.

use super::frame::Frame;
use crate::raster::{Plane, collapse, laplacian, most_levels};
use crate::settings::StackSettings;
use rand::{Rng, SeedableRng};
use rayon::prelude::*;

/// Sums over all frames so far.
pub(super) struct Blend {
    /// Weighted detail by channel, then by level.
    sums: Vec<Vec<Plane>>,
    weights: Vec<Plane>,
    levels: usize,
    noise_gain: Vec<f32>,
}

/// Focus measure of a frame and what noise alone would give.
pub(super) struct Measure {
    pub plane: Plane,
    pub noise: f32,
}

impl Blend {
    pub(super) fn new(width: usize, height: usize, channels: usize, settings: &StackSettings) -> Self {
        let levels = settings.levels.min(most_levels(width, height));
        let empty = laplacian(Plane::zeros(width, height), levels);
        Self { sums: vec![empty.clone(); channels], weights: empty, levels, noise_gain: noise_gain(levels) }
    }

    /// Adds a frame whose grey is `grey`, with noise of standard deviation `noise_sd`; returns its focus measure.
    pub(super) fn add(&mut self, frame: &Frame, grey: Plane, noise_sd: f64, settings: &StackSettings) -> Measure {
        let noise = (noise_sd * noise_sd) as f32;
        let energies: Vec<Plane> = laplacian(grey, self.levels)
            .into_iter()
            .take(self.levels)
            .map(|mut band| {
                band.values.par_iter_mut().for_each(|v| *v *= *v);
                band.smoothed(settings.window_px)
            })
            .collect();
        let measure = self.focus_measure(&energies, noise, settings);
        let weights = self.frame_weights(energies, noise, settings);
        for (sums, channel) in self.sums.iter_mut().zip(&frame.channels) {
            for ((sum, band), weight) in sums.iter_mut().zip(laplacian(channel.clone(), self.levels)).zip(&weights) {
                let parts = sum.values.par_iter_mut().zip(&band.values).zip(&weight.values);
                parts.for_each(|((s, b), w)| *s += b * w);
            }
        }
        for (sum, weight) in self.weights.iter_mut().zip(&weights) {
            sum.values.par_iter_mut().zip(&weight.values).for_each(|(s, w)| *s += w);
        }
        measure
    }

    /// Weight of the frame at every level; the rest that no band holds takes the weight of the coarsest band.
    fn frame_weights(&self, energies: Vec<Plane>, noise: f32, settings: &StackSettings) -> Vec<Plane> {
        let floor = (settings.detail_floor * settings.detail_floor) as f32;
        let mut weights: Vec<Plane> = energies
            .into_iter()
            .zip(&self.noise_gain)
            .map(|(mut energy, gain)| {
                let nothing = floor + noise * gain;
                energy.values.par_iter_mut().for_each(|e| *e = (1.0 + *e / nothing).powi(settings.detail_power));
                energy
            })
            .collect();
        let rest = match weights.last() {
            Some(coarsest) => coarsest.reduce(),
            None => {
                let size = &self.weights[0];
                Plane { values: vec![1.0; size.values.len()], ..size.clone() }
            }
        };
        weights.push(rest);
        weights
    }

    /// Detail energy over the finest levels, each coarser one counting a quarter: it tells less about focus, but is there
    /// where finer detail is not.
    fn focus_measure(&self, energies: &[Plane], noise: f32, settings: &StackSettings) -> Measure {
        const COARSER: f32 = 0.25;
        let used = settings.focus_levels.min(self.levels);
        let mut total: Option<Plane> = None;
        let mut noise_total = 0.0;
        for level in (0..used).rev() {
            let share = COARSER.powi(level as i32);
            noise_total += share * noise * self.noise_gain[level];
            let mut sum = match total {
                Some(coarse) => coarse.expand(energies[level].width, energies[level].height),
                None => Plane::zeros(energies[level].width, energies[level].height),
            };
            sum.values.par_iter_mut().zip(&energies[level].values).for_each(|(s, e)| *s += share * e);
            total = Some(sum);
        }
        let plane = total.unwrap_or_else(|| Plane::zeros(self.weights[0].width, self.weights[0].height));
        // One step of an 8-bit picture is no texture, even where no noise is measured.
        let floor = (settings.detail_floor * settings.detail_floor) as f32;
        Measure { plane, noise: noise_total.max(floor * self.noise_gain.first().copied().unwrap_or(1.0)) }
    }

    /// The merged channels.
    pub(super) fn finish(self) -> Vec<Plane> {
        let weights = self.weights;
        self.sums
            .into_iter()
            .map(|mut sums| {
                for (sum, weight) in sums.iter_mut().zip(&weights) {
                    sum.values.par_iter_mut().zip(&weight.values).for_each(|(s, w)| {
                        *s /= w.max(f32::MIN_POSITIVE);
                    });
                }
                collapse(sums)
            })
            .collect()
    }
}

/// Energy that white noise of unit variance has in each detail band, measured on a noise picture of fixed seed.
fn noise_gain(levels: usize) -> Vec<f32> {
    const SIDE: usize = 256;
    let mut rng = rand_chacha::ChaCha8Rng::seed_from_u64(1);
    // An even spread of width √12 has unit variance.
    let half = 3.0_f32.sqrt();
    let values = (0..SIDE * SIDE).map(|_| rng.random_range(-half..half)).collect();
    let bands = laplacian(Plane { width: SIDE, height: SIDE, values }, levels.min(most_levels(SIDE, SIDE)));
    let mut gains: Vec<f32> =
        bands.iter().map(|b| b.values.iter().map(|v| v * v).sum::<f32>() / b.values.len() as f32).collect();
    // Deeper bands hold next to no noise; they take that of the last one measured.
    let last = gains.last().copied().unwrap_or(0.0);
    gains.resize(levels.max(gains.len()), last);
    gains
}
