//! Whether the data of a picture file is whole, beyond what decoders say.
//!
//! Decoders repair: a damaged JPEG or WebP comes out as a picture with its lower part sheared, grey or made up, and no word of
//! it. Here the coded data is followed to its end before any pixel is made: a code that does not exist, data that runs out, and
//! data that is left over all tell of damage.

mod bits;
mod flat;
mod jpeg;
mod jpeg_scan;
mod tiff;
mod tiff_parts;
mod webp;

pub(super) use flat::missing_rows;

use crate::cancel::Cancel;
use image::ImageFormat;

/// Looks for damage in the coded data of a file; one line when there is any. Formats whose decoders check all they read
/// (PNG: a checksum for every chunk) are taken as they are. `unpacked` bounds the bytes that packed data may come to.
pub(super) fn check(bytes: &[u8], format: ImageFormat, unpacked: u64, cancel: Cancel<'_>) -> Result<(), String> {
    match format {
        ImageFormat::Jpeg => jpeg::check(bytes, cancel),
        ImageFormat::Tiff => tiff::check(bytes, unpacked, cancel),
        _ => Ok(()),
    }
}

/// Looks for data that the decoder did not need, which damage leaves behind; one line when there is any. `decode` tries to
/// decode a file and says whether that went well.
pub(super) fn check_after(bytes: &[u8], format: ImageFormat, decode: impl Fn(&[u8]) -> bool) -> Result<(), String> {
    match format {
        ImageFormat::WebP => webp::check(bytes, decode),
        _ => Ok(()),
    }
}
