//! WebP: whether the decoder needs the file's last bytes (RFC 9649, section 2; RFC 6386, section 7).
//!
//! Neither coding has checksums, and nearly any bytes decode to something. But a picture's data ends where the coder stopped:
//! after damage the decoder drifts and runs out (which it says) or stops early. So the same file with its data cut a little
//! shorter must fail; where it still decodes, its end was not needed.

/// Bytes that are cut off: more than the padding behind the last block.
const CUT: usize = 8;

/// `decode` says whether a file decodes.
pub(super) fn check(bytes: &[u8], decode: impl Fn(&[u8]) -> bool) -> Result<(), String> {
    match shortened(bytes) {
        Some(short) if decode(&short) => Err("data is left over behind its last block".into()),
        _ => Ok(()),
    }
}

/// The file with the last bytes of its coded picture taken out; `None` when it has no single one long enough.
fn shortened(bytes: &[u8]) -> Option<Vec<u8>> {
    let mut at = 12;
    loop {
        let kind = bytes.get(at..at + 4)?;
        let length = u32::from_le_bytes(bytes.get(at + 4..at + 8)?.try_into().ok()?) as usize;
        let end = at.checked_add(8)?.checked_add(length)?;
        if kind == b"VP8 " || kind == b"VP8L" {
            let kept = length.checked_sub(CUT)?;
            let mut out = bytes[..at + 4].to_vec();
            out.extend((kept as u32).to_le_bytes());
            out.extend(bytes.get(at + 8..at + 8 + kept)?);
            out.extend(std::iter::repeat_n(0, kept % 2));
            out.extend(bytes.get(end.checked_add(length % 2)?..).unwrap_or_default());
            let riff = (out.len() - 8) as u32;
            out[4..8].copy_from_slice(&riff.to_le_bytes());
            return Some(out);
        }
        at = end.checked_add(length % 2)?;
    }
}
