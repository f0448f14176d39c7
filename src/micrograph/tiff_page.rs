//! What the general decoder leaves out of TIFF: how many pages there are, and pictures with a palette.

use image::{DynamicImage, RgbImage};
use std::io::Cursor;
use tiff::decoder::{Decoder, DecodingResult, Limits};
use tiff::tags::{PhotometricInterpretation, Tag};

/// The first page of a TIFF.
pub(super) struct Page {
    pub width: u32,
    pub height: u32,
    pub more_pages: bool,
    pub is_palette: bool,
}

/// Looks at the header of a TIFF.
pub(super) fn look(bytes: &[u8]) -> Result<Page, String> {
    let mut decoder = Decoder::new(Cursor::new(bytes)).map_err(|e| e.to_string())?;
    let (width, height) = decoder.dimensions().map_err(|e| e.to_string())?;
    let photometric = decoder.find_tag_unsigned::<u16>(Tag::PhotometricInterpretation).ok().flatten();
    let is_palette = photometric == Some(PhotometricInterpretation::RGBPalette.to_u16());
    Ok(Page { width, height, more_pages: decoder.more_images(), is_palette })
}

/// Decodes a TIFF with a palette of 8 bits or fewer (TIFF 6.0, section 5); `limit` bounds its bytes.
pub(super) fn decode_palette(bytes: &[u8], limit: usize) -> Result<DynamicImage, String> {
    let text = |e: tiff::TiffError| e.to_string();
    let mut limits = Limits::default();
    limits.decoding_buffer_size = limit;
    limits.intermediate_buffer_size = limit;
    let mut decoder = Decoder::new(Cursor::new(bytes)).map_err(text)?.with_limits(limits);
    let (width, height) = decoder.dimensions().map_err(text)?;
    let bits = decoder.find_tag_unsigned::<u16>(Tag::BitsPerSample).map_err(text)?.unwrap_or(1);
    let map = decoder.get_tag_u16_vec(Tag::ColorMap).map_err(text)?;
    let DecodingResult::U8(indices) = decoder.read_image().map_err(text)? else {
        return Err("a palette of more than 8 bits".into());
    };
    let colours = map.len() / 3;
    let indices = unpack(&indices, bits, width as usize, height as usize)?;
    let mut rgb = RgbImage::new(width, height);
    for (pixel, index) in rgb.pixels_mut().zip(indices) {
        let index = usize::from(index);
        if colours <= index {
            return Err("a colour that the palette lacks".into());
        }
        pixel.0 = [map[index], map[colours + index], map[2 * colours + index]].map(|v| (v >> 8) as u8);
    }
    Ok(DynamicImage::ImageRgb8(rgb))
}

/// Indices of 1, 2, 4 or 8 bits as bytes; rows start on whole bytes.
fn unpack(packed: &[u8], bits: u16, width: usize, height: usize) -> Result<Vec<u8>, String> {
    let per_byte = match bits {
        1 | 2 | 4 | 8 => usize::from(8 / bits),
        _ => return Err(format!("a palette of {bits} bits")),
    };
    let row_bytes = width.div_ceil(per_byte);
    if packed.len() < row_bytes * height {
        return Err("fewer pixels than the header says".into());
    }
    let mask = ((1_u16 << bits) - 1) as u8;
    let mut indices = Vec::with_capacity(width * height);
    for row in packed.chunks_exact(row_bytes).take(height) {
        indices.extend((0..width).map(|x| {
            let shift = 8 - usize::from(bits) * (x % per_byte + 1);
            (row[x / per_byte] >> shift) & mask
        }));
    }
    Ok(indices)
}
