//! Detail of a whole picture by well-known focus measures, and the gradients they are made of.

use crate::micrograph::GreyPlane;

/// Detail of a whole picture by well-known measures: to compare pictures of one place, not pictures of different things.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct FocusMeasures {
    /// Variance of the Laplacian (4-neighbour kernel) of grey 0..1.
    pub laplacian_variance: f64,
    /// Mean squared Sobel gradient (kernels of unit weight, both directions halved) of grey 0..1.
    pub sobel_mean_square: f64,
    /// Brenner's measure: mean squared difference over two columns, of grey 0..1.
    pub brenner: f64,
}

/// Measures the detail of a plane.
pub fn focus_measures(grey: &GreyPlane) -> FocusMeasures {
    FocusMeasures {
        laplacian_variance: laplacian_variance(grey),
        sobel_mean_square: sobel_mean_square(grey),
        brenner: brenner(grey),
    }
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
        let (gx, gy) = sobel(around_any(grey, x, y));
        square += (gx * gx + gy * gy) / 2.0;
    });
    square / pixel_count(grey)
}

/// Sobel gradient of 3 × 3 pixels, grey per two pixels: smoothing `(1, 2, 1) / 4` times difference `(1, 0, -1)`.
pub(super) fn sobel(window: [[f32; 3]; 3]) -> (f64, f64) {
    let g = window.map(|row| row.map(f64::from));
    let gx = (g[0][2] + 2.0 * g[1][2] + g[2][2] - g[0][0] - 2.0 * g[1][0] - g[2][0]) / 4.0;
    let gy = (g[2][0] + 2.0 * g[2][1] + g[2][2] - g[0][0] - 2.0 * g[0][1] - g[0][2]) / 4.0;
    (gx, gy)
}

/// The 3 × 3 pixels around one, 0..1, row by row; beyond the border the nearest pixel goes on.
fn around_any(grey: &GreyPlane, x: i64, y: i64) -> [[f32; 3]; 3] {
    [-1, 0, 1].map(|dy| [-1, 0, 1].map(|dx| grey.at(x + dx, y + dy)))
}

/// As [`around_any`], faster, for a pixel that does not lie at the border.
pub(super) fn around(grey: &GreyPlane, x: i64, y: i64) -> [[f32; 3]; 3] {
    let width = grey.width() as usize;
    let first = (y as usize - 1) * width + x as usize - 1;
    [0, 1, 2].map(|row| {
        let three = &grey.values()[first + row * width..][..3];
        [three[0], three[1], three[2]].map(|v| f32::from(v) / 65535.0)
    })
}

/// Mean of `(I(x + 2) - I(x))²` over the columns that have both.
pub(super) fn brenner(grey: &GreyPlane) -> f64 {
    let width = grey.width() as usize;
    let of_row = |row: &[u16]| -> u64 {
        row.iter().zip(row.iter().skip(2)).map(|(a, b)| u64::from(a.abs_diff(*b))).map(|step| step * step).sum()
    };
    // Squares of a row of any picture that is read here fit into 64 bits; rows are summed as fractions.
    let sum: f64 = grey.values().chunks_exact(width.max(1)).map(|row| of_row(row) as f64).sum();
    let n = f64::from(grey.height()) * (f64::from(grey.width()) - 2.0);
    if 0.0 < n { sum / n / 65535.0f64.powi(2) } else { 0.0 }
}

fn for_each_pixel(grey: &GreyPlane, mut visit: impl FnMut(i64, i64)) {
    for y in 0..i64::from(grey.height()) {
        for x in 0..i64::from(grey.width()) {
            visit(x, y);
        }
    }
}

/// Pixels of a plane, at least one.
pub(super) fn pixel_count(grey: &GreyPlane) -> f64 {
    (f64::from(grey.width()) * f64::from(grey.height())).max(1.0)
}
