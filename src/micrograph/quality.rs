//! Picture -> how good it is: focus, exposure, noise, lossy compression, pixels per fibre.
//!
//! Focus measures depend on what is in the picture; they compare pictures of the same kind. The sharpness used for the
//! warning is a ratio of detail at two scales, so that contrast and light cancel.

use super::{GreyPlane, Micrograph};
use crate::flag::Warning;
use crate::settings::QualitySettings;
use crate::units::PxBox;

/// What was measured on a whole picture.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct PictureQuality {
    /// Variance of the Laplacian (4-neighbour kernel) of grey 0..1.
    pub laplacian_variance: f64,
    /// Mean squared Sobel gradient (kernels of unit weight, both directions halved) of grey 0..1.
    pub sobel_mean_square: f64,
    /// Brenner's measure: mean squared difference over two columns, of grey 0..1.
    pub brenner: f64,
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
        laplacian_variance: laplacian_variance(grey),
        sobel_mean_square: sobel_mean_square(grey),
        brenner: brenner(grey),
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
        warnings.push(Warning::new("out_of_focus", text));
    }
    if settings.high_share < quality.clipped_high {
        let text = format!("{} of the picture is lost in white: expose less", percent(quality.clipped_high));
        warnings.push(Warning::new("clipped_high", text));
    }
    if settings.low_share < quality.clipped_low {
        let text = format!("{} of the picture is lost in black: expose more", percent(quality.clipped_low));
        warnings.push(Warning::new("clipped_low", text));
    }
    if settings.noise < quality.noise {
        let text = format!("noise is {} of full scale: expose longer or average frames", percent(quality.noise));
        warnings.push(Warning::new("noisy", text));
    }
    if settings.blockiness < quality.blockiness {
        let text = format!(
            "JPEG blocks show (steps at their edges are {:.0} % higher than elsewhere): save with less compression",
            100.0 * quality.blockiness
        );
        warnings.push(Warning::new("jpeg_blocks", text));
    }
    if let Some(px) = fibre_px.filter(|px| *px < settings.fibre_px) {
        let text = format!(
            "fibres are about {px:.0} px across, under {:.0} px: use a higher magnification",
            settings.fibre_px
        );
        warnings.push(Warning::new("coarse", text));
    }
    warnings
}

/// Variance of `n + s + w + e - 4 c`, edge pixels mirrored.
fn laplacian_variance(grey: &GreyPlane) -> f64 {
    let (mut sum, mut square) = (0.0, 0.0);
    for_each_pixel(grey, |x, y| {
        let four = grey.at(x - 1, y) + grey.at(x + 1, y) + grey.at(x, y - 1) + grey.at(x, y + 1);
        let value = f64::from(four - 4.0 * grey.at(x, y));
        sum += value;
        square += value * value;
    });
    let n = pixel_count(grey);
    (square / n - (sum / n).powi(2)).max(0.0)
}

/// Mean of `(gx² + gy²) / 2` with Sobel kernels of unit weight.
fn sobel_mean_square(grey: &GreyPlane) -> f64 {
    let mut square = 0.0;
    for_each_pixel(grey, |x, y| {
        let (gx, gy) = sobel(grey, x, y);
        square += (gx * gx + gy * gy) / 2.0;
    });
    square / pixel_count(grey)
}

/// Sobel gradient, grey per two pixels: smoothing `(1, 2, 1) / 4` times difference `(1, 0, -1)`.
fn sobel(grey: &GreyPlane, x: i64, y: i64) -> (f64, f64) {
    let g = |dx: i64, dy: i64| f64::from(grey.at(x + dx, y + dy));
    let gx = (g(1, -1) + 2.0 * g(1, 0) + g(1, 1) - g(-1, -1) - 2.0 * g(-1, 0) - g(-1, 1)) / 4.0;
    let gy = (g(-1, 1) + 2.0 * g(0, 1) + g(1, 1) - g(-1, -1) - 2.0 * g(0, -1) - g(1, -1)) / 4.0;
    (gx, gy)
}

/// Mean of `(I(x + 2) - I(x))²` over the columns that have both.
fn brenner(grey: &GreyPlane) -> f64 {
    let mut sum = 0.0;
    for y in 0..i64::from(grey.height()) {
        for x in 0..i64::from(grey.width()) - 2 {
            sum += f64::from(grey.at(x + 2, y) - grey.at(x, y)).powi(2);
        }
    }
    let n = f64::from(grey.height()) * (f64::from(grey.width()) - 2.0);
    if 0.0 < n { sum / n } else { 0.0 }
}

fn for_each_pixel(grey: &GreyPlane, mut visit: impl FnMut(i64, i64)) {
    for y in 0..i64::from(grey.height()) {
        for x in 0..i64::from(grey.width()) {
            visit(x, y);
        }
    }
}

fn pixel_count(grey: &GreyPlane) -> f64 {
    (f64::from(grey.width()) * f64::from(grey.height())).max(1.0)
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

    fn clipped(&self, settings: &QualitySettings) -> (f64, f64) {
        let (mut low, mut high, mut n) = (0.0, 0.0, 0.0);
        for_each_pixel(self.grey, |x, y| {
            if self.is_written(x, y) {
                return;
            }
            let value = f64::from(self.grey.at(x, y));
            n += 1.0;
            low += f64::from(u8::from(value <= settings.low_grey));
            high += f64::from(u8::from(settings.high_grey <= value));
        });
        if n == 0.0 { (0.0, 0.0) } else { (low / n, high / n) }
    }

    /// Noise from the difference of two Laplacians (Immerkær 1996), by the median so that edges do not count.
    fn noise(&self) -> f64 {
        /// Root of the summed squares of the kernel (1 -2 1; -2 4 -2; 1 -2 1).
        const KERNEL: f64 = 6.0;
        /// Standard deviation over the median of absolute values, normal distribution.
        const MAD_TO_SD: f64 = 1.4826;
        let mut values: Vec<f32> = Vec::new();
        self.on_a_grid(|x, y| {
            let g = |dx: i64, dy: i64| self.grey.at(x + dx, y + dy);
            let corners = g(-1, -1) + g(1, -1) + g(-1, 1) + g(1, 1);
            let sides = g(0, -1) + g(0, 1) + g(-1, 0) + g(1, 0);
            let centre = g(0, 0);
            // Clipped pixels carry no noise and would hide that of the others.
            if 0.0 < centre && centre < 1.0 {
                values.push((corners - 2.0 * sides + 4.0 * centre).abs());
            }
        });
        values.sort_by(f32::total_cmp);
        values.get(values.len() / 2).map_or(0.0, |m| f64::from(*m) * MAD_TO_SD / KERNEL)
    }

    /// Among the strongest edges: the gradient over the contrast across the edge.
    fn sharpness(&self) -> Option<f64> {
        /// Half the distance over which the contrast of an edge is taken, px: wider than a soft edge of a usable picture.
        const REACH: f64 = 8.0;
        /// Share of the pixels that are looked at: the steepest.
        const STEEPEST: usize = 100;
        const LEAST: usize = 20;
        let mut edges: Vec<(f64, f64)> = Vec::new();
        self.on_a_grid(|x, y| {
            let (gx, gy) = sobel(self.grey, x, y);
            let slope = gx.hypot(gy);
            if slope <= 0.0 {
                return;
            }
            let (ux, uy) = (gx / slope, gy / slope);
            let value =
                |t: f64| f64::from(self.grey.bilinear(crate::units::Point::new(x as f64 + t * ux, y as f64 + t * uy)));
            let (mut low, mut high) = (f64::INFINITY, f64::NEG_INFINITY);
            let mut t = -REACH;
            while t <= REACH {
                low = low.min(value(t));
                high = high.max(value(t));
                t += 1.0;
            }
            // Sobel spans two pixels.
            edges.push((slope, slope / 2.0 / (high - low).max(1e-6)));
        });
        edges.sort_by(|a, b| b.0.total_cmp(&a.0));
        edges.truncate((edges.len() / STEEPEST).max(LEAST));
        let mut ratios: Vec<f64> = edges.iter().map(|e| e.1).collect();
        ratios.sort_by(f64::total_cmp);
        (LEAST <= ratios.len()).then(|| ratios[ratios.len() / 2].min(1.0))
    }

    /// Steps between columns and rows by their place in the 8-px grid: the highest place against the others.
    fn blockiness(&self) -> f64 {
        let (width, height) = (i64::from(self.grey.width()), i64::from(self.grey.height()));
        const BLOCK: usize = 8;
        let mut sums = [[0.0_f64; BLOCK]; 2];
        let mut counts = [[0.0_f64; BLOCK]; 2];
        for y in 1..height - 2 {
            for x in 1..width - 2 {
                if self.is_written(x, y) {
                    continue;
                }
                let g = |dx: i64, dy: i64| f64::from(self.grey.at(x + dx, y + dy));
                // A step over what its neighbours lead one to expect, so that ramps and textures cancel.
                let across = (g(1, 0) - g(0, 0)).abs() - ((g(0, 0) - g(-1, 0)).abs() + (g(2, 0) - g(1, 0)).abs()) / 2.0;
                let down = (g(0, 1) - g(0, 0)).abs() - ((g(0, 0) - g(0, -1)).abs() + (g(0, 2) - g(0, 1)).abs()) / 2.0;
                for (axis, place, step) in [(0, x, across), (1, y, down)] {
                    let place = place as usize % BLOCK;
                    sums[axis][place] += step;
                    counts[axis][place] += 1.0;
                }
            }
        }
        let level = brenner(self.grey).sqrt().max(1e-4);
        let excess = (0..2).map(|axis| {
            let means: Vec<f64> = (0..BLOCK).map(|p| sums[axis][p] / counts[axis][p].max(1.0)).collect();
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
                if !self.is_written(x, y) {
                    visit(x, y);
                }
            }
        }
    }
}
