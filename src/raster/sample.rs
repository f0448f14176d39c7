//! Bilinear interpolation, for pixels of any kind.
//!
//! `image::imageops::interpolate_bilinear` rounds to the pixel's own type (8 bits lose the sub-pixel edge) and has nothing to
//! say outside the picture; here the caller says what a pixel is worth.

/// Value at (x, y) between the four pixels around it; places outside take the nearest edge pixel.
///
/// `size` is width and height in px, both at least 1; `pixel` gives the channels of a pixel by its row-major index.
#[inline]
pub fn bilinear<const N: usize>(
    (width, height): (usize, usize),
    (x, y): (f64, f64),
    pixel: impl Fn(usize) -> [f32; N],
) -> [f32; N] {
    let x = x.clamp(0.0, (width - 1) as f64);
    let y = y.clamp(0.0, (height - 1) as f64);
    let (x0, y0) = (x as usize, y as usize);
    let (x1, y1) = ((x0 + 1).min(width - 1), (y0 + 1).min(height - 1));
    let (fx, fy) = ((x - x0 as f64) as f32, (y - y0 as f64) as f32);
    let (a, b) = (pixel(y0 * width + x0), pixel(y0 * width + x1));
    let (c, d) = (pixel(y1 * width + x0), pixel(y1 * width + x1));
    let mut value = [0.0; N];
    for k in 0..N {
        let top = a[k] * (1.0 - fx) + b[k] * fx;
        let bottom = c[k] * (1.0 - fx) + d[k] * fx;
        value[k] = top * (1.0 - fy) + bottom * fy;
    }
    value
}

#[cfg(test)]
mod tests {
    use super::bilinear;

    #[test]
    fn between_pixels_as_scipy_gives_it() {
        // scipy.ndimage.map_coordinates([[0, 1], [2, 4]], [[0.5], [0.25]], order=1) = 1.375 (row 0.5, column 0.25).
        let values = [0.0, 1.0, 2.0, 4.0];
        assert_eq!(bilinear((2, 2), (0.25, 0.5), |i| [values[i]]), [1.375]);
        // Outside, the edge goes on.
        assert_eq!(bilinear((2, 2), (-3.0, 9.0), |i| [values[i]]), [2.0]);
    }
}
