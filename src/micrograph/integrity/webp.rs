//! WebP: whether the decoder needs the file's last bytes (RFC 9649, section 2; RFC 6386, section 7).
//!
//! Neither coding has checksums, and nearly any bytes decode to something. But a picture's data ends where the coder stopped:
//! after damage the decoder drifts and runs out (which it says) or stops early. So the same file with its data cut a little
//! shorter must fail; where it still decodes, its end was not needed.

/// Bytes that are cut off a lossy picture: more than its coder reads ahead.
const CUT: usize = 8;

/// Bytes that are cut off a lossless picture: the last one that is not padding. Its bits are read one by one, so that the last
/// byte of them is needed.
fn last_byte(data: &[u8]) -> usize {
    1 + data.iter().rev().take(CUT).take_while(|b| **b == 0).count()
}

/// `decode` says whether a file decodes.
pub(super) fn check(bytes: &[u8], decode: impl Fn(&[u8]) -> bool) -> Result<(), String> {
    let Some(chunk) = picture_chunk(bytes) else { return Ok(()) };
    if bytes.len() < chunk.end {
        return Err("its data ends before the picture does".into());
    }
    match shortened(bytes, &chunk) {
        Some(short) if decode(&short) => Err("data is left over behind its last block".into()),
        _ => Ok(()),
    }
}

/// Where the one coded picture of a file lies.
struct Chunk {
    /// Where its head begins.
    at: usize,
    /// Behind its last byte.
    end: usize,
    is_lossless: bool,
}

/// Bytes of the head of a chunk: its kind and its length.
const HEAD: usize = 8;

/// `None` when there is no single one.
fn picture_chunk(bytes: &[u8]) -> Option<Chunk> {
    let mut at = 12;
    loop {
        let kind = bytes.get(at..at + 4)?;
        let length = u32::from_le_bytes(bytes.get(at + 4..at + HEAD)?.try_into().ok()?) as usize;
        let end = at.checked_add(HEAD)?.checked_add(length)?;
        if kind == b"VP8 " || kind == b"VP8L" {
            return Some(Chunk { at, end, is_lossless: kind == b"VP8L" });
        }
        at = end.checked_add(length % 2)?;
    }
}

/// The file with the last bytes of its coded picture taken out; `None` when it is not long enough.
fn shortened(bytes: &[u8], chunk: &Chunk) -> Option<Vec<u8>> {
    let data = bytes.get(chunk.at + HEAD..chunk.end)?;
    let kept = data.len().checked_sub(if chunk.is_lossless { last_byte(data) } else { CUT })?;
    let mut out = bytes[..chunk.at + 4].to_vec();
    out.extend((kept as u32).to_le_bytes());
    out.extend(&data[..kept]);
    out.extend(std::iter::repeat_n(0, kept % 2));
    out.extend(bytes.get(chunk.end + data.len() % 2..).unwrap_or_default());
    let riff = (out.len() - 8) as u32;
    out[4..8].copy_from_slice(&riff.to_le_bytes());
    Some(out)
}
