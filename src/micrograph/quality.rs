//! Picture -> how good it is: focus, exposure, noise, lossy compression, pixels per fibre.
//!
//! Focus measures depend on what is in the picture; they compare pictures of the same kind. The sharpness used for the
//! warning is a ratio of detail at two scales, so that contrast and light cancel.

mod focus;

pub use focus::{FocusMeasures, focus_measures};

use super::{GreyPlane, Micrograph};
use crate::flag::{Flag, Warning};
use crate::robust::{MAD_TO_SD, upper_median};
use crate::settings::QualitySettings;
use crate::units::PxBox;
use focus::{around, brenner, pixel_count, sobel};

/// What was measured on a whole picture.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct PictureQuality {
    /// Steepest edges over their contrast: 1 = an edge within one pixel, towards 0 = ever softer. `None` without edges.
    pub sharpness: Option<f64>,
    /// Share of pixels lost in black, 0..1.
    pub clipped_low: f64,
    /// Share of pixels lost in white, 0..1.
    pub clipped_high: f64,
    /// Noise, standard deviation of grey 0..1.
    pub noise: f64,
    /// Steps at the 8-px grid of JPEG over steps elsewhere, less 1; 0 = no trace of a grid.
    pub blockiness: f64,
}

/// Measures a picture; burnt-in boxes do not count. Pictures under 16 px a side give zeros.
pub fn picture_quality(micrograph: &Micrograph, settings: &QualitySettings) -> PictureQuality {
    let grey = &micrograph.grey;
    let view = View { grey, burnt_in: &micrograph.burnt_in };
    let (clipped_low, clipped_high) = view.clipped(settings);
    PictureQuality {
        sharpness: view.sharpness(),
        clipped_low,
        clipped_high,
        noise: view.noise(),
        blockiness: view.blockiness(),
    }
}

/// Noise of a picture, standard deviation of grey 0..1.
pub fn noise_sd(grey: &GreyPlane) -> f64 {
    View { grey, burnt_in: &[] }.noise()
}

/// What a person should know about the quality of a picture. `fibre_px` is the median shaft diameter of its ends.
pub fn quality_warnings(quality: &PictureQuality, fibre_px: Option<f64>, settings: &QualitySettings) -> Vec<Warning> {
    let mut warnings = Vec::new();
    let percent = |v: f64| format!("{:.1} %", 100.0 * v);
    if quality.sharpness.is_some_and(|s| s < settings.sharpness) {
        let text = "the picture is soft everywhere: focus again, or merge a focus series";
        warnings.push(Warning::new(Flag::OutOfFocus, text));
    }
    if settings.high_share < quality.clipped_high {
        let text = format!("{} of the picture is lost in white: expose less", percent(quality.clipped_high));
        warnings.push(Warning::new(Flag::ClippedHigh, text));
    }
    if settings.low_share < quality.clipped_low {
        let text = format!("{} of the picture is lost in black: expose more", percent(quality.clipped_low));
        warnings.push(Warning::new(Flag::ClippedLow, text));
    }
    if settings.noise < quality.noise {
        let text = format!("noise is {} of full scale: expose longer or average frames", percent(quality.noise));
        warnings.push(Warning::new(Flag::Noisy, text));
    }
    if settings.blockiness < quality.blockiness {
        let text = format!(
            "JPEG blocks show (steps at their edges are {:.0} % higher than elsewhere): save with less compression",
            100.0 * quality.blockiness
        );
        warnings.push(Warning::new(Flag::JpegBlocks, text));
    }
    if let Some(px) = fibre_px.filter(|px| *px < settings.fibre_px) {
        let text = format!(
            "fibres are about {px:.0} px across, under {:.0} px: use a higher magnification",
            settings.fibre_px
        );
        warnings.push(Warning::new(Flag::Coarse, text));
    }
    warnings
}

/// The picture without what was written into it.
struct View<'a> {
    grey: &'a GreyPlane,
    burnt_in: &'a [PxBox],
}

impl View<'_> {
    fn is_written(&self, x: i64, y: i64) -> bool {
        let p = crate::units::Point::new(x as f64, y as f64);
        self.burnt_in.iter().any(|b| b.contains(p))
    }

    /// The stretches of a row within `columns` that no box covers.
    fn not_written(&self, y: u32, columns: std::ops::Range<usize>) -> Vec<std::ops::Range<usize>> {
        let mut boxes: Vec<&PxBox> = self.burnt_in.iter().filter(|b| (b.y0..b.y1).contains(&y)).collect();
        boxes.sort_by_key(|b| b.x0);
        let mut free = Vec::with_capacity(boxes.len() + 1);
        let mut from = columns.start;
        for b in boxes {
            let to = (b.x0 as usize).min(columns.end);
            if from < to {
                free.push(from..to);
            }
            from = from.max(b.x1 as usize);
        }
        if from < columns.end {
            free.push(from..columns.end);
        }
        free
    }

    fn clipped(&self, settings: &QualitySettings) -> (f64, f64) {
        let grey = |v: u16| f64::from(f32::from(v) / 65535.0);
        // Limits as steps of grey, found once: every pixel is compared with them.
        let first = |holds: &dyn Fn(u16) -> bool| (0..=u16::MAX).find(|v| holds(*v)).map_or(1 << 16, u32::from);
        let (low_end, high_from) = (first(&|v| settings.low_grey < grey(v)), first(&|v| settings.high_grey <= grey(v)));
        let width = self.grey.width() as usize;
        let (mut low, mut high, mut n) = (0usize, 0usize, 0usize);
        for (row, y) in self.grey.values().chunks_exact(width.max(1)).zip(0u32..) {
            for seen in self.not_written(y, 0..width) {
                n += seen.len();
                low += row[seen.clone()].iter().filter(|v| u32::from(**v) < low_end).count();
                high += row[seen].iter().filter(|v| high_from <= u32::from(**v)).count();
            }
        }
        let share = |k: usize| if n == 0 { 0.0 } else { k as f64 / n as f64 };
        (share(low), share(high))
    }

    /// Noise from the difference of two Laplacians (Immerkær 1996), by the median so that edges do not count.
    fn noise(&self) -> f64 {
        /// Root of the summed squares of the kernel (1 -2 1; -2 4 -2; 1 -2 1).
        const KERNEL: f64 = 6.0;
        let mut values: Vec<f32> = Vec::new();
        self.on_a_grid(|x, y| {
            let g = around(self.grey, x, y);
            let corners = g[0][0] + g[0][2] + g[2][0] + g[2][2];
            let sides = g[0][1] + g[2][1] + g[1][0] + g[1][2];
            let centre = g[1][1];
            // Clipped pixels carry no noise and would hide that of the others.
            if 0.0 < centre && centre < 1.0 {
                values.push((corners - 2.0 * sides + 4.0 * centre).abs());
            }
        });
        upper_median(&mut values).map_or(0.0, |m| f64::from(m) * MAD_TO_SD / KERNEL)
    }

    /// Among the strongest edges: the gradient (Sobel spans two pixels) over the contrast across the edge.
    fn sharpness(&self) -> Option<f64> {
        /// Share of the pixels that are looked at: the steepest.
        const STEEPEST: usize = 100;
        const LEAST: usize = 20;
        let mut edges: Vec<(f64, i64, i64)> = Vec::new();
        self.on_a_grid(|x, y| {
            let (gx, gy) = sobel(around(self.grey, x, y));
            let slope = (gx * gx + gy * gy).sqrt();
            if 0.0 < slope {
                edges.push((slope, x, y));
            }
        });
        let kept = (edges.len() / STEEPEST).max(LEAST);
        if edges.len() < LEAST {
            return None;
        }
        let steepest_first =
            |a: &(f64, i64, i64), b: &(f64, i64, i64)| b.0.total_cmp(&a.0).then(a.2.cmp(&b.2)).then(a.1.cmp(&b.1));
        if kept < edges.len() {
            edges.select_nth_unstable_by(kept, steepest_first);
            edges.truncate(kept);
        }
        let mut ratios: Vec<f64> =
            edges.iter().map(|&(slope, x, y)| slope / 2.0 / self.contrast_across(x, y, slope).max(1e-6)).collect();
        ratios.sort_by(f64::total_cmp);
        Some(ratios[ratios.len() / 2].min(1.0))
    }

    /// Largest less least grey along the gradient at a pixel, up to 8 px on either side: wider than a soft edge of a usable
    /// picture.
    fn contrast_across(&self, x: i64, y: i64, slope: f64) -> f64 {
        let (gx, gy) = sobel(around(self.grey, x, y));
        let (ux, uy) = (gx / slope, gy / slope);
        let place = |t: i32| crate::units::Point::new(x as f64 + f64::from(t) * ux, y as f64 + f64::from(t) * uy);
        let values = (-8..=8).map(|t| f64::from(self.grey.bilinear(place(t))));
        let (low, high) = values.fold((f64::INFINITY, f64::NEG_INFINITY), |(low, high), v| (low.min(v), high.max(v)));
        high - low
    }

    /// Steps between columns and rows by their place in the 8-px grid: the highest place against the others.
    fn blockiness(&self) -> f64 {
        const BLOCK: usize = 8;
        /// A step over what its neighbours lead one to expect (twice it), so that ramps and textures cancel.
        fn odd_step(a: u16, b: u16, c: u16, d: u16) -> i32 {
            let gap = |p: u16, q: u16| i32::from(q.abs_diff(p));
            2 * gap(b, c) - gap(a, b) - gap(c, d)
        }
        let (width, height) = (self.grey.width() as usize, self.grey.height() as usize);
        if width < 4 || height < 4 {
            return 0.0;
        }
        let rows: Vec<&[u16]> = self.grey.values().chunks_exact(width).collect();
        let mut sums = [[0i64; BLOCK]; 2];
        let mut counts = [[0u64; BLOCK]; 2];
        let (mut across, mut down) = (vec![0i32; width], vec![0i32; width]);
        for y in 1..height - 2 {
            let [above, here, below, second] = [rows[y - 1], rows[y], rows[y + 1], rows[y + 2]];
            for (x, step) in across.iter_mut().enumerate().take(width - 2).skip(1) {
                *step = odd_step(here[x - 1], here[x], here[x + 1], here[x + 2]);
            }
            for (x, step) in down.iter_mut().enumerate().take(width - 2).skip(1) {
                *step = odd_step(above[x], here[x], below[x], second[x]);
            }
            for seen in self.not_written(y as u32, 1..width - 2) {
                for x in seen.clone() {
                    sums[0][x % BLOCK] += i64::from(across[x]);
                    counts[0][x % BLOCK] += 1;
                }
                sums[1][y % BLOCK] += down[seen.clone()].iter().map(|s| i64::from(*s)).sum::<i64>();
                counts[1][y % BLOCK] += seen.len() as u64;
            }
        }
        let level = brenner(self.grey).sqrt().max(1e-4);
        let excess = (0..2).map(|axis| {
            let means: Vec<f64> =
                (0..BLOCK).map(|p| sums[axis][p] as f64 / 2.0 / 65535.0 / (counts[axis][p].max(1) as f64)).collect();
            let highest = (0, f64::NEG_INFINITY);
            let (place, top) =
                means.iter().copied().enumerate().fold(highest, |best, m| if best.1 < m.1 { m } else { best });
            let rest: f64 = means.iter().enumerate().filter(|(p, _)| *p != place).map(|m| m.1).sum::<f64>() / 7.0;
            (top - rest) / level
        });
        (excess.sum::<f64>() / 2.0).max(0.0)
    }

    /// Visits an even grid of pixels off the border, at most about a quarter of a million.
    fn on_a_grid(&self, mut visit: impl FnMut(i64, i64)) {
        const MOST: f64 = 250_000.0;
        let step = (pixel_count(self.grey) / MOST).sqrt().ceil().max(1.0) as usize;
        let (width, height) = (i64::from(self.grey.width()), i64::from(self.grey.height()));
        for y in (1..height - 1).step_by(step) {
            for x in (1..width - 1).step_by(step) {
                if self.burnt_in.is_empty() || !self.is_written(x, y) {
                    visit(x, y);
                }
            }
        }
    }
}
