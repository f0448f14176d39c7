//! Damaged pictures, good or refused: whatever a disk or a transfer does to a file, it gives the same picture or a clear fault.

use crate::driver::{Bench, fixture, repository};
use breakface::micrograph::{ReadError, decode_micrograph};
use breakface::settings::ReadSettings;
use image::codecs::jpeg::JpegEncoder;
use image::{DynamicImage, ImageFormat};
use std::io::Cursor;
use std::process::{Command, Stdio};
use std::time::{Duration, Instant};
use tiff::encoder::{Compression, DeflateLevel};

/// Bundled pictures to be damaged.
const PICTURES: [&str; 12] = [
    "demo/TC-B01-A_1.jpg",
    "demo/TC-B02-A_2.jpg",
    "demo/TC-C04-A_1.jpg",
    "demo/TC-C05-A_2.jpg",
    "demo/TC-C06-A_3.jpg",
    "demo/TC-P07-A_1.jpg",
    "demo/TC-P08-A_2.jpg",
    "demo/TC-P09-A_3.jpg",
    "demo/TC-S01-A_1.jpg",
    "rendered/teased_sem.jpg",
    "rendered/tuft_ring.jpg",
    "rendered/close_backlit.jpg",
];

/// What is done to a file: 4 096 bytes zeroed at a third, at two thirds, set to one value, shifted by one byte.
fn damages(bytes: &[u8]) -> [(&'static str, Vec<u8>); 4] {
    const LENGTH: usize = 4096;
    let third = bytes.len() / 3;
    let length = LENGTH.min(third / 2);
    let with = |at: usize, value: u8| {
        let mut out = bytes.to_vec();
        out[at..at + length].fill(value);
        out
    };
    let mut lost = bytes.to_vec();
    lost.drain(third..third + length);
    [
        ("zeroed at one third", with(third, 0)),
        ("zeroed at two thirds", with(2 * third, 0)),
        ("overwritten at one third", with(third, 0x55)),
        ("a piece lost at one third", lost),
    ]
}

/// Either refused as damaged, or the picture that it was.
fn assert_good_or_refused(name: &str, whole: &[u8], damaged: &[u8]) -> bool {
    let settings = ReadSettings::default();
    let good = decode_micrograph(name, whole, &settings).unwrap_or_else(|e| panic!("{e}"));
    match decode_micrograph(name, damaged, &settings) {
        Err(ReadError::Damaged { .. }) => true,
        Err(other) => panic!("{name}: {other}"),
        Ok(picture) => {
            assert!(picture.grey == good.grey, "{name}: another picture, without a word");
            false
        }
    }
}

#[test]
fn damaged_jpegs_are_refused() {
    let mut refused = 0;
    for picture in PICTURES {
        let whole = std::fs::read(fixture(picture)).unwrap();
        for (how, damaged) in damages(&whole) {
            refused += usize::from(assert_good_or_refused(&format!("{picture}, {how}"), &whole, &damaged));
        }
    }
    assert_eq!(refused, 48);
}

/// Progressive data and restart markers have codes of their own.
#[test]
fn damaged_progressive_jpegs_are_refused() {
    let whole = std::fs::read(repository("tests/reference/pictures/rgb_progressive.jpg")).unwrap();
    for (how, damaged) in damages(&whole) {
        assert_good_or_refused(how, &whole, &damaged);
    }
}

fn small(picture: &str) -> DynamicImage {
    image::open(fixture(picture)).unwrap().thumbnail(600, 600)
}

fn encoded(picture: &DynamicImage, format: ImageFormat) -> Vec<u8> {
    let mut bytes = Cursor::new(Vec::new());
    picture.write_to(&mut bytes, format).unwrap();
    bytes.into_inner()
}

#[test]
fn damaged_png_is_refused() {
    let whole = encoded(&small(PICTURES[0]), ImageFormat::Png);
    for (how, damaged) in damages(&whole) {
        assert!(assert_good_or_refused(how, &whole, &damaged), "{how}");
    }
}

/// Lossless and lossy WebP; the lossy ones are made by Pillow where Python has it.
#[test]
fn damaged_webp_is_refused() {
    for picture in &PICTURES[..3] {
        let whole = encoded(&small(picture), ImageFormat::WebP);
        for (how, damaged) in damages(&whole) {
            assert_good_or_refused(&format!("{picture}, {how}"), &whole, &damaged);
        }
    }
    let whole = std::fs::read(repository("tests/reference/pictures/rgb.webp")).unwrap();
    for (how, damaged) in damages(&whole) {
        assert_good_or_refused(how, &whole, &damaged);
    }
}

/// A picture as TIFF of one strip, packed.
fn packed_tiff(compression: Compression) -> Vec<u8> {
    use tiff::encoder::{TiffEncoder, colortype::Gray8};
    let grey = small(PICTURES[0]).to_luma8();
    let mut bytes = Cursor::new(Vec::new());
    let encoder = TiffEncoder::new(&mut bytes).unwrap();
    let mut encoder = encoder.with_compression(compression);
    encoder.write_image::<Gray8>(grey.width(), grey.height(), grey.as_raw()).unwrap();
    bytes.into_inner()
}

/// A grey JPEG as the one strip of a TIFF (TIFF technical note 2).
fn jpeg_tiff() -> Vec<u8> {
    let grey = small(PICTURES[0]).to_luma8();
    let mut bytes = b"II*\0\0\0\0\0".to_vec();
    JpegEncoder::new_with_quality(&mut bytes, 95).encode_image(&grey).unwrap();
    let length = bytes.len() as u32 - 8;
    bytes.resize(bytes.len().next_multiple_of(2), 0);
    let directory = (bytes.len() as u32).to_le_bytes();
    bytes[4..8].copy_from_slice(&directory);
    // Width, height, bits, packing, colours, offset, samples, rows of a strip, bytes of it (TIFF 6.0, section 8).
    let (width, height) = grey.dimensions();
    let tags = [256, 257, 258, 259, 262, 273, 277, 278, 279_u16];
    let values = [width, height, 8, 7, 1, 8, 1, height, length];
    bytes.extend((tags.len() as u16).to_le_bytes());
    for (tag, value) in tags.into_iter().zip(values) {
        let kind = if matches!(tag, 273 | 279) { 4_u16 } else { 3 };
        bytes.extend([tag, kind].map(u16::to_le_bytes).concat());
        bytes.extend([1, value].map(u32::to_le_bytes).concat());
    }
    bytes.extend([0; 4]);
    bytes
}

/// Blocks in the place of lost ones come to the same number by chance; a sector of one byte is seen all the same.
#[test]
fn a_sector_of_zeros_is_seen_whatever_the_blocks_come_to() {
    let whole = std::fs::read(fixture("demo/TC-B01-A_2.jpg")).unwrap();
    let bench = Bench::new();
    bench.write("in/a.jpg", &damages(&whole)[0].1);
    let said = bench.run(&["classify", "in", "--out", "r", "--no-report", "--quiet"]);
    assert!(said.code == Some(3) && said.err.contains("one byte again and again"), "{}", said.err);
}

fn deflated_tiff() -> Vec<u8> {
    packed_tiff(Compression::Deflate(DeflateLevel::Balanced))
}

#[test]
fn damaged_packed_tiffs_are_refused() {
    for (packing, whole) in [
        ("zlib", deflated_tiff()),
        ("LZW", packed_tiff(Compression::Lzw)),
        ("runs", packed_tiff(Compression::Packbits)),
        ("JPEG", jpeg_tiff()),
    ] {
        for (how, damaged) in damages(&whole) {
            assert!(assert_good_or_refused(how, &whole, &damaged), "{packing}, {how}");
        }
    }
}

/// Found by fuzzing: the last strip reaches beyond the end of the file, and the decoder has its pixels before it notices.
#[test]
fn a_strip_cut_short_is_refused_or_right() {
    use tiff::tags::Tag;
    let whole = std::fs::read(repository("tests/reference/pictures/grey16_deflate.tif")).unwrap();
    let mut decoder = tiff::decoder::Decoder::new(Cursor::new(&whole[..])).unwrap();
    let start = decoder.get_tag_u64(Tag::StripOffsets).unwrap() as usize;
    assert_eq!(start + decoder.get_tag_u64(Tag::StripByteCounts).unwrap() as usize, whole.len());
    let mut damaged = whole.clone();
    damaged[1864..1864 + 224].reverse();
    for lost in 0..200 {
        assert_good_or_refused("cut short", &whole, &damaged[..damaged.len() - lost]);
        assert_good_or_refused("cut short", &whole, &whole[..whole.len() - lost]);
    }
    let bench = Bench::new();
    bench.write("in/cut.tif", &damaged[..damaged.len() - 51]);
    let said = bench.run(&["classify", "in", "--out", "r", "--no-report", "--quiet"]);
    assert_eq!(said.code, Some(3), "{}", said.err);
    assert!(said.err.contains("cut.tif") && said.err.contains("does not unpack"), "{}", said.err);
}

/// A picture of a few pixels whose strip unpacks to more than any picture holds.
#[test]
fn a_strip_that_swells_is_refused() {
    use std::io::Write;
    let mut whole = deflated_tiff();
    let mut packed = flate2::write::ZlibEncoder::new(Vec::new(), flate2::Compression::fast());
    let zeros = vec![0_u8; 1 << 20];
    (0..64).for_each(|_| packed.write_all(&zeros).unwrap());
    let packed = packed.finish().unwrap();
    use tiff::tags::Tag;
    let mut decoder = tiff::decoder::Decoder::new(Cursor::new(&whole[..])).unwrap();
    let (offset, length) = (decoder.get_tag_u64(Tag::StripOffsets), decoder.get_tag_u64(Tag::StripByteCounts));
    for (old, new) in [(offset.unwrap(), whole.len() as u64), (length.unwrap(), packed.len() as u64)] {
        let (old, new) = ((old as u32).to_le_bytes(), (new as u32).to_le_bytes());
        let at = whole.windows(4).rposition(|w| w == old).unwrap();
        whole[at..at + 4].copy_from_slice(&new);
    }
    whole.extend(packed);
    let tight = ReadSettings { max_decode_mb: 32, ..ReadSettings::default() };
    let said = decode_micrograph("p.tif", &whole, &tight).unwrap_err().to_string();
    assert!(said.contains("it holds more than a picture may"), "{said}");
}

/// Coders make about ten scans; thousands of next to nothing each go over the whole picture (ITU-T T.81, annex G).
#[test]
fn a_jpeg_of_endless_scans_is_refused() {
    let whole = std::fs::read(repository("tests/reference/pictures/rgb_progressive.jpg")).unwrap();
    // The first scan, of DC coefficients, again and again.
    let start = whole.windows(2).position(|w| w == [0xff, 0xda]).unwrap();
    let is_marker = |w: &[u8]| w[0] == 0xff && !matches!(w[1], 0 | 0xd0..=0xd7);
    let end = start + 2 + whole[start + 2..].windows(2).position(is_marker).unwrap();
    let mut bytes = whole[..end].to_vec();
    (0..200).for_each(|_| bytes.extend_from_slice(&whole[start..end]));
    bytes.extend_from_slice(&whole[end..]);
    let said = decode_micrograph("p.jpg", &bytes, &ReadSettings::default()).unwrap_err().to_string();
    assert!(said.contains("more than 100 scans"), "{said}");
}

/// The checksum is behind the last pixel, where the decoder does not look.
#[test]
fn a_wrong_checksum_is_seen() {
    let whole = deflated_tiff();
    let sums = checksum_places(&whole);
    assert!(!sums.is_empty());
    for at in sums {
        let mut damaged = whole.clone();
        damaged[at] ^= 0x10;
        assert!(assert_good_or_refused("checksum", &whole, &damaged), "at {at}");
    }
}

/// Last byte of every strip.
fn checksum_places(bytes: &[u8]) -> Vec<usize> {
    use tiff::tags::Tag;
    let mut decoder = tiff::decoder::Decoder::new(Cursor::new(bytes)).unwrap();
    let offsets = decoder.get_tag_u64_vec(Tag::StripOffsets).unwrap();
    let lengths = decoder.get_tag_u64_vec(Tag::StripByteCounts).unwrap();
    offsets.iter().zip(&lengths).map(|(at, length)| (at + length - 1) as usize).collect()
}

/// A header of a few bytes that claims 20 000 x 20 000 px costs no time and no memory.
#[test]
fn a_claim_without_data_is_refused_at_once() {
    let mut bytes = Vec::new();
    JpegEncoder::new(&mut bytes).encode_image(&image::GrayImage::new(64, 64)).unwrap();
    let frame = bytes.windows(2).position(|w| w == [0xff, 0xc0]).unwrap();
    for at in [frame + 5, frame + 7] {
        bytes[at..at + 2].copy_from_slice(&20_000_u16.to_be_bytes());
    }
    let bench = Bench::new();
    bench.write("in/huge.jpg", bytes);
    let said = bench.run(&["classify", "in", "--out", "r", "--no-report", "--quiet"]);
    assert!(said.err.contains("its data ends before the picture does"), "{}", said.err);
}

/// A large picture is broken off in the middle of its work: the run ends, and the next one has the small picture already.
#[cfg(unix)]
#[test]
fn an_end_signal_breaks_off_a_picture_that_takes_long() {
    let bench = Bench::new();
    bench.copy("demo/TC-S01-A_3.jpg", "in/a.jpg");
    // 144 megapixels take minutes to be searched.
    let large = image::GrayImage::from_pixel(12_000, 12_000, image::Luma([90]));
    large.save_with_format(bench.write("in/b.png", ""), ImageFormat::Png).unwrap();
    let args = ["classify", "in", "-o", "r", "--no-report", "--json", "-u", "0.5", "-t", "1"];
    let mut command = bench.command();
    let mut child = command.args(args).stdout(Stdio::piped()).stderr(Stdio::piped()).spawn().unwrap();
    let out = std::io::BufReader::new(child.stdout.take().unwrap());
    let lines = std::io::BufRead::lines(out);
    // The first picture is done, so the second is under work.
    assert!(lines.map(Result::unwrap).any(|l| l.contains("\"done\"")));
    std::thread::sleep(Duration::from_millis(500));
    let asked = Instant::now();
    assert!(Command::new("kill").args(["-TERM", &child.id().to_string()]).status().unwrap().success());
    let ended = child.wait().unwrap();
    assert_eq!(ended.code(), Some(130));
    // Far less than the picture takes, far more than a busy machine needs.
    assert!(asked.elapsed() < Duration::from_secs(60), "{:?}", asked.elapsed());
    assert!(!bench.path("r/ends.csv").exists());
    std::fs::remove_file(bench.path("in/b.png")).unwrap();
    let said = bench.run(&args);
    assert!(said.code == Some(0) && said.out.contains("\"kept\":true"), "{} {}", said.out, said.err);
}

/// Pipes and devices may never end, sparse files hold nothing.
#[cfg(unix)]
#[test]
fn only_regular_files_of_a_bounded_length_are_read() {
    let bench = Bench::new();
    bench.write("in/keep.txt", "");
    assert!(Command::new("mkfifo").arg(bench.path("in/pipe.png")).status().unwrap().success());
    std::fs::File::create(bench.path("in/sparse.png")).unwrap().set_len(7_000_000_000).unwrap();
    let rows = "image,specimen\npipe.png,a\nsparse.png,a\n/dev/zero,a\n";
    bench.write("in/series.csv", rows);
    let said = bench.run(&["classify", "in", "--out", "r", "--no-report", "--quiet"]);
    for expected in ["pipe.png: no regular file", "sparse.png: the file is longer than 1600 MB"] {
        assert!(said.err.contains(expected), "{expected}: {}", said.err);
    }
    let said = bench.run(&["classify", "/dev/zero", "--out", "r2", "--no-report", "--quiet"]);
    assert!(said.err.contains("/dev/zero: no regular file"), "{}", said.err);
}
