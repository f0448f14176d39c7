//! A damaged picture body: good or refused. The first byte chooses the picture, the rest says what happens to its bytes.
//!
//! Where the format has a checksum over the body (PNG, TIFF packed with zlib), the outcome is the same picture or a refusal,
//! whatever happens. JPEG, LZW and WebP have none: there damage may pass that leaves every code in its place, so only
//! that nothing breaks and the size stays is asked.

#![no_main]

use breakface::micrograph::{Micrograph, decode_micrograph};
use breakface::settings::ReadSettings;
use libfuzzer_sys::fuzz_target;
use std::sync::LazyLock;

/// A whole file, what it shows, where its body lies, and whether a checksum covers the body.
struct Whole {
    bytes: &'static [u8],
    good: Micrograph,
    body: std::ops::Range<usize>,
    summed: bool,
}

macro_rules! file {
    ($name:literal) => {
        include_bytes!(concat!("../../reference/pictures/", $name))
    };
}

static SETTINGS: LazyLock<ReadSettings> =
    LazyLock::new(|| ReadSettings { min_side_px: 8, max_side_px: 1024, max_decode_mb: 16, ..ReadSettings::default() });

static FILES: LazyLock<Vec<Whole>> = LazyLock::new(|| {
    let whole = |bytes: &'static [u8], body, summed| {
        let good = decode_micrograph("whole", bytes, &SETTINGS).expect("the picture is good");
        Whole { bytes, good, body, summed }
    };
    // Behind the signature every chunk of a PNG has its sum; of a TIFF only the packed strip has (the tags lie around it).
    let png = |bytes: &'static [u8]| whole(bytes, 8..bytes.len(), true);
    let rest = |bytes: &'static [u8]| whole(bytes, 0..bytes.len(), false);
    vec![
        png(file!("grey.png")),
        png(file!("grey16.png")),
        whole(file!("grey16_deflate.tif"), strip(file!("grey16_deflate.tif")), true),
        rest(file!("lzw.tif")),
        rest(file!("bigtiff.tif")),
        rest(file!("palette.tif")),
        rest(file!("rgb_progressive.jpg")),
        rest(file!("turned_6.jpg")),
        rest(file!("rgb.webp")),
        rest(file!("rgb.bmp")),
    ]
});

/// Where the only strip of a small TIFF lies: from the zlib header (RFC 1950) that the longest part begins with.
fn strip(bytes: &[u8]) -> std::ops::Range<usize> {
    let mut decoder = tiff::decoder::Decoder::new(std::io::Cursor::new(bytes)).expect("a TIFF");
    let at = decoder.get_tag_u64(tiff::tags::Tag::StripOffsets).expect("one strip") as usize;
    let length = decoder.get_tag_u64(tiff::tags::Tag::StripByteCounts).expect("one strip") as usize;
    at..at + length
}

/// Four bytes a damage: place (two), kind and value.
fn damaged(whole: &Whole, plan: &[u8]) -> Vec<u8> {
    let mut bytes = whole.bytes.to_vec();
    let mut end = whole.body.end;
    for step in plan.chunks_exact(4).take(16) {
        let span = end - whole.body.start;
        if span == 0 {
            break;
        }
        let at = whole.body.start + usize::from(u16::from_le_bytes([step[0], step[1]])) % span;
        let length = usize::from(step[3]).min(end - at);
        match step[2] % 4 {
            0 => bytes[at] ^= step[3],
            1 => bytes[at..at + length].fill(step[2]),
            // A lost piece would move what lies behind the strip of a TIFF.
            2 if end == bytes.len() => {
                bytes.drain(at..at + length);
                end -= length;
            }
            _ => bytes[at..at + length].reverse(),
        }
    }
    bytes
}

fuzz_target!(init: LazyLock::force(&FILES), |plan: &[u8]| {
    let Some((which, plan)) = plan.split_first() else { return };
    let whole = &FILES[usize::from(*which) % FILES.len()];
    let Ok(picture) = decode_micrograph("damaged", &damaged(whole, plan), &SETTINGS) else { return };
    if whole.summed {
        assert!(picture.grey == whole.good.grey, "another picture, without a word");
    }
    assert!(picture.grey.values().len() == picture.grey.width() as usize * picture.grey.height() as usize);
});
