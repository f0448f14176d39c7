//! TIFF: every strip or tile of a compressed page unpacked to its end, checksum included (TIFF 6.0, section 13; RFC 1950).
//!
//! The decoder stops a strip when it has its pixels, and so never sees the checksum behind them or data that is left over.

use crate::cancel::Cancel;
use crate::micrograph::wanted::Counted;
use std::io::Cursor;
use tiff::decoder::Decoder;
use tiff::tags::{CompressionMethod, Tag};

/// Bytes that a coder may leave behind its end mark: padding to a whole word.
const PADDING: u64 = 4;

/// Looks at the strips or tiles of the first page. What the decoder itself finds out (tags that make no sense) is left to it. A
/// strip that unpacks to more than `most` bytes is refused, and one that reaches beyond the end of the file must unpack from
/// what there is of it: the decoder is content once it has its pixels, right or wrong.
pub(super) fn check(bytes: &[u8], most: u64, cancel: Cancel<'_>) -> Result<(), String> {
    let Ok(mut decoder) = Decoder::new(Cursor::new(bytes)) else { return Ok(()) };
    let code = decoder.find_tag_unsigned::<u16>(Tag::Compression).ok().flatten();
    let method = code.map(CompressionMethod::from_u16_exhaustive);
    let Some(parts) = parts(&mut decoder) else { return Ok(()) };
    for (at, length) in parts {
        let part = bytes.get(at..at.saturating_add(length).min(bytes.len())).unwrap_or_default();
        let sink = Counted::new(most, cancel);
        match method {
            Some(CompressionMethod::Deflate | CompressionMethod::OldDeflate) => zlib(part, sink)?,
            Some(CompressionMethod::LZW) => lzw(part, sink)?,
            _ => return Ok(()),
        }
    }
    Ok(())
}

/// Where strips or tiles lie and how long they are.
fn parts(decoder: &mut Decoder<Cursor<&[u8]>>) -> Option<Vec<(usize, usize)>> {
    let mut list = |tag| decoder.get_tag_u64_vec(tag).ok();
    let offsets = list(Tag::StripOffsets).or_else(|| list(Tag::TileOffsets))?;
    let lengths = list(Tag::StripByteCounts).or_else(|| list(Tag::TileByteCounts))?;
    let pairs = offsets.into_iter().zip(lengths);
    Some(pairs.filter_map(|(at, length)| Some((usize::try_from(at).ok()?, usize::try_from(length).ok()?))).collect())
}

fn zlib(part: &[u8], mut sink: Counted<'_>) -> Result<(), String> {
    let mut decoder = flate2::read::ZlibDecoder::new(part);
    std::io::copy(&mut decoder, &mut sink).map_err(|e| format!("a strip of it does not unpack: {e}"))?;
    left_over(part.len() as u64 - decoder.total_in())
}

fn lzw(part: &[u8], sink: Counted<'_>) -> Result<(), String> {
    // Files older than the standard have their bits the other way round; the decoder knows them by their start.
    if part.starts_with(&[0, 1]) {
        return Ok(());
    }
    let mut decoder = weezl::decode::Decoder::with_tiff_size_switch(weezl::BitOrder::Msb, 8);
    let mut reader = Cursor::new(part);
    let outcome = decoder.into_stream(sink).decode_all(&mut reader);
    outcome.status.map_err(|e| format!("a strip of it does not unpack: {e}"))?;
    left_over((part.len() - outcome.bytes_read.min(part.len())) as u64)
}

fn left_over(bytes: u64) -> Result<(), String> {
    match bytes <= PADDING {
        true => Ok(()),
        false => Err(format!("{bytes} bytes are left over behind a strip of it")),
    }
}
