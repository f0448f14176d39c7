//! TIFF: every strip or tile of a compressed page unpacked to its end, checksum included (TIFF 6.0, sections 9, 13 and 22; RFC
//! 1950).
//!
//! The decoder stops a strip when it has its pixels, and so never sees the checksum behind them or data that is left over; and
//! it fills up what is missing. Most packings have no checksum, but a damaged strip seldom unpacks to as many bytes as it should.

use super::jpeg;
use super::tiff_parts::{PADDING, Parts};
use crate::cancel::Cancel;
use crate::micrograph::wanted::Counted;
use std::io::Cursor;
use tiff::decoder::Decoder;
use tiff::tags::{CompressionMethod, Tag};

/// Looks at the strips or tiles of the first page. What the decoder itself finds out (tags that make no sense) is left to it. A
/// strip that unpacks to more than `most` bytes is refused, and one that reaches beyond the end of the file must unpack from
/// what there is of it: the decoder is content once it has its pixels, right or wrong.
pub(super) fn check(bytes: &[u8], most: u64, cancel: Cancel<'_>) -> Result<(), String> {
    let Ok(mut decoder) = Decoder::new(Cursor::new(bytes)) else { return Ok(()) };
    let code = decoder.find_tag_unsigned::<u16>(Tag::Compression).ok().flatten();
    let method = code.map(CompressionMethod::from_u16_exhaustive);
    let Some(parts) = Parts::of(&mut decoder) else { return Ok(()) };
    let tables = decoder.get_tag_u8_vec(Tag::JPEGTables).ok();
    for (index, (at, length)) in parts.places.iter().enumerate() {
        let part = bytes.get(*at..at.saturating_add(*length).min(bytes.len())).unwrap_or_default();
        let sink = Counted::new(most, cancel);
        let lengths = parts.unpacked(index);
        let unpacked = match method {
            Some(CompressionMethod::Deflate | CompressionMethod::OldDeflate) => zlib(part, sink)?,
            // Files older than the standard have their bits the other way round; the decoder knows them by their start.
            Some(CompressionMethod::LZW) if part.starts_with(&[0, 1]) => continue,
            Some(CompressionMethod::LZW) => lzw(part, sink)?,
            Some(CompressionMethod::PackBits) => match lengths {
                Some([least, _]) => pack_bits(part, least)?,
                None => return Ok(()),
            },
            Some(CompressionMethod::ModernJPEG) => {
                jpeg::check(&whole_jpeg(tables.as_deref(), part), cancel)
                    .map_err(|e| format!("in a strip of it, {e}"))?;
                continue;
            }
            _ => return Ok(()),
        };
        if lengths.is_some_and(|l| !l.contains(&unpacked)) {
            return Err(format!("a strip of it unpacks to {unpacked} bytes, which is not what its pixels take"));
        }
    }
    Ok(())
}

fn zlib(part: &[u8], mut sink: Counted<'_>) -> Result<u64, String> {
    let mut decoder = flate2::read::ZlibDecoder::new(part);
    let unpacked = std::io::copy(&mut decoder, &mut sink).map_err(|e| format!("a strip of it does not unpack: {e}"))?;
    left_over(part.len() as u64 - decoder.total_in())?;
    Ok(unpacked)
}

fn lzw(part: &[u8], sink: Counted<'_>) -> Result<u64, String> {
    let mut decoder = weezl::decode::Decoder::with_tiff_size_switch(weezl::BitOrder::Msb, 8);
    let mut reader = Cursor::new(part);
    let outcome = decoder.into_stream(sink).decode_all(&mut reader);
    outcome.status.map_err(|e| format!("a strip of it does not unpack: {e}"))?;
    left_over((part.len() - outcome.bytes_read.min(part.len())) as u64)?;
    Ok(outcome.bytes_written as u64)
}

/// Length of a strip of runs (TIFF 6.0, section 9); padding may follow once it has `least` bytes.
fn pack_bits(mut part: &[u8], least: u64) -> Result<u64, String> {
    let mut unpacked = 0;
    while let [head, rest @ ..] = part {
        if unpacked == least && part.len() as u64 <= PADDING {
            break;
        }
        let (taken, made) = match head.cast_signed() {
            -128 => (0, 0),
            n if n < 0 => (1, 1 + u64::from(n.unsigned_abs())),
            n => (1 + usize::from(n.unsigned_abs()), 1 + u64::from(n.unsigned_abs())),
        };
        part = rest.get(taken..).ok_or("a strip of it ends in the middle of a run")?;
        unpacked += made;
    }
    Ok(unpacked)
}

/// A JPEG strip with the tables that all strips share in front (TIFF technical note 2).
fn whole_jpeg(tables: Option<&[u8]>, part: &[u8]) -> Vec<u8> {
    // The tables' mark of the end and the strip's mark of the start are of two bytes each.
    let shared = tables.and_then(|t| t.len().checked_sub(2).map(|n| &t[..n]));
    match (shared, part.get(2..)) {
        (Some(shared), Some(data)) => [shared, data].concat(),
        _ => part.to_vec(),
    }
}

fn left_over(bytes: u64) -> Result<(), String> {
    match bytes <= PADDING {
        true => Ok(()),
        false => Err(format!("{bytes} bytes are left over behind a strip of it")),
    }
}
