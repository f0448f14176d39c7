//! Whether a JPEG goes on to its end: decoders fill what is missing with grey, which must not pass for a picture.

/// Whether the marker that ends the picture is there. Segments are walked, so that the end of an embedded thumbnail
/// is not taken for it (ITU-T T.81, annex B).
pub(super) fn is_complete(bytes: &[u8]) -> bool {
    let mut at = 2;
    loop {
        let Some(marker) = next_marker(bytes, &mut at) else { return false };
        match marker {
            0xd9 => return true,
            // Markers without a segment: TEM and the restart markers.
            0x01 | 0xd0..=0xd8 => {}
            _ => {
                let Some(length) = bytes.get(at..at + 2).map(|b| usize::from(u16::from_be_bytes([b[0], b[1]]))) else {
                    return false;
                };
                at += length.max(2);
            }
        }
    }
}

/// Goes to the next marker, over entropy-coded data if need be; `at` ends behind it.
fn next_marker(bytes: &[u8], at: &mut usize) -> Option<u8> {
    loop {
        let rest = bytes.get(*at..)?;
        *at += rest.iter().position(|b| *b == 0xff)? + 1;
        match *bytes.get(*at)? {
            // A stuffed byte, or fill before a marker.
            0x00 => *at += 1,
            0xff => {}
            marker => {
                *at += 1;
                return Some(marker);
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::is_complete;

    #[test]
    fn the_end_of_a_thumbnail_is_not_the_end_of_the_picture() {
        let header = [0xff, 0xd8, 0xff, 0xe1, 0, 6, 0xff, 0xd9, 0, 0, 0xff, 0xda, 0, 2];
        let data = [1, 2, 0xff, 0x00, 3, 0xff, 0xd0, 4];
        let open: Vec<u8> = header.into_iter().chain(data).collect();
        assert!(!is_complete(&open));
        let closed: Vec<u8> = open.into_iter().chain([0xff, 0xd9]).collect();
        assert!(is_complete(&closed));
        assert!((0..closed.len()).all(|n| !is_complete(&closed[..n])));
    }
}
