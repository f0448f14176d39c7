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
    let mut tags = Decoder::new(Cursor::new(bytes)).map_err(text)?;
    let (width, height) = tags.dimensions().map_err(text)?;
    let bits = tags.find_tag_unsigned::<u16>(Tag::BitsPerSample).map_err(text)?.unwrap_or(1);
    let map = tags.get_tag_u16_vec(Tag::ColorMap).map_err(text)?;
    // The decoder knows no palettes; the same file said to be grey gives the places in it.
    let grey = said_to_be_grey(bytes).ok_or("its header makes no sense")?;
    let mut decoder = Decoder::new(Cursor::new(&grey[..])).map_err(text)?.with_limits(limits);
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

/// The file with the photometric interpretation of its first page set to "black is zero" (TIFF 6.0, section 2; BigTIFF has
/// wider fields).
fn said_to_be_grey(bytes: &[u8]) -> Option<Vec<u8>> {
    let little = bytes.starts_with(b"II");
    let number = |at: usize, n: usize| {
        let field = bytes.get(at..at.checked_add(n)?)?;
        let add = |sum: u64, b: &u8| sum << 8 | u64::from(*b);
        let value = if little { field.iter().rev().fold(0, add) } else { field.iter().fold(0, add) };
        usize::try_from(value).ok()
    };
    let big = number(2, 2)? == 43;
    let directory = if big { number(8, 8)? } else { number(4, 4)? };
    // Bytes of the number of entries, of an entry, and from its start to its value.
    let (counted, entry, value) = if big { (8, 20, 12) } else { (2, 12, 8) };
    let entries = number(directory, counted)?;
    let place = |i: usize| directory.checked_add(counted)?.checked_add(i.checked_mul(entry)?);
    let mut tags = (0..entries).map_while(|i| place(i).and_then(|at| Some((at, number(at, 2)?))));
    let at = tags.find(|(_, tag)| *tag == usize::from(PHOTOMETRIC))?.0;
    let grey = PhotometricInterpretation::BlackIsZero.to_u16();
    let mut out = bytes.to_vec();
    let field = if little { grey.to_le_bytes() } else { grey.to_be_bytes() };
    out.get_mut(at + value..at + value + 2)?.copy_from_slice(&field);
    Some(out)
}

/// Tag of the photometric interpretation.
const PHOTOMETRIC: u16 = 262;

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
