//! Rows that a decoder made up: the grey half way between black and white, without any change, at the lower end of a picture.

use image::DynamicImage;

/// Grey that decoders fill in where data is missing: JPEG's zero level (ITU-T T.81, section A.3.1).
const FILL: u8 = 128;
/// Fewest rows that tell: one row of blocks; a drawn line or a frame is thinner.
const LEAST_ROWS: u32 = 8;

/// Rows of nothing but fill at the lower end of an 8-bit picture that is not all of it; 0 = none, or too few to tell.
pub(in crate::micrograph) fn missing_rows(picture: &DynamicImage) -> u32 {
    let (values, channels) = match picture {
        DynamicImage::ImageLuma8(p) => (p.as_raw(), 1),
        DynamicImage::ImageRgb8(p) => (p.as_raw(), 3),
        _ => return 0,
    };
    let row_len = picture.width() as usize * channels;
    let flat = |row: &[u8]| row.iter().all(|v| *v == FILL);
    let rows = values.chunks_exact(row_len.max(1)).rev().take_while(|row| flat(row)).count() as u32;
    if rows < LEAST_ROWS || rows == picture.height() { 0 } else { rows }
}

#[cfg(test)]
mod tests {
    use super::missing_rows;
    use image::{DynamicImage, GrayImage, Luma};

    #[test]
    fn fill_at_the_end_is_seen() {
        let picture = |rows: u32| {
            let grey = |x: u32, y: u32| Luma([if y < 64 - rows { (x * 7 + y * 3) as u8 } else { 128 }]);
            missing_rows(&DynamicImage::ImageLuma8(GrayImage::from_fn(64, 64, grey)))
        };
        assert_eq!([0, 3, 8, 40, 64].map(picture), [0, 0, 8, 40, 0]);
    }
}
