//! Bad input through the real binary: one clear line each, the rest of the run goes on, the exit code tells.

use crate::driver::{Bench, Said, fixture};
use std::io::Cursor;

/// A picture that is good, so that "the rest goes on" can be seen.
fn with_good_picture() -> Bench {
    let bench = Bench::new();
    bench.write("in/good.png", png(80, 70));
    bench
}

fn png(width: u32, height: u32) -> Vec<u8> {
    let mut bytes = Cursor::new(Vec::new());
    let picture = image::GrayImage::from_fn(width, height, |x, y| image::Luma([(100 + (x * 3 + y * 5) % 40) as u8]));
    picture.write_to(&mut bytes, image::ImageFormat::Png).unwrap();
    bytes.into_inner()
}

fn classify(bench: &Bench, input: &str) -> Said {
    bench.run(&["classify", input, "--out", "r", "--no-report", "--quiet"])
}

/// The bad picture is named in one line, and the good one is done.
fn assert_one_line(bench: &Bench, expected: &str) {
    let said = classify(bench, "in");
    assert_eq!(said.code, Some(3), "{}", said.err);
    let lines: Vec<&str> = said.err.lines().collect();
    assert_eq!(lines.len(), 1, "{}", said.err);
    assert!(lines[0].contains(expected) && lines[0].contains("bad"), "{expected}: {}", lines[0]);
    let status = bench.column("r/images.csv", "status");
    assert_eq!(status.iter().filter(|s| *s == "done").count(), 1);
    let errors = bench.column("r/images.csv", "error");
    assert!(errors.iter().any(|e| e.contains(expected)), "{errors:?}");
}

#[test]
fn files_that_are_no_pictures() {
    let cases: [(&str, Vec<u8>, &str); 5] = [
        ("in/bad.jpg", Vec::new(), "the file is empty; copy it again"),
        ("in/bad.png", b"just some text".to_vec(), "not a PNG, JPEG, TIFF, BMP or WebP picture"),
        ("in/bad.tif", b"GIF89a......".to_vec(), "not a PNG, JPEG, TIFF, BMP or WebP picture"),
        ("in/bad.png", png(1, 1), "1 x 1 px is too small; at least 64 x 64 px are needed"),
        ("in/bad.png", png(63, 200), "63 x 200 px is too small"),
    ];
    for (name, bytes, expected) in cases {
        let bench = with_good_picture();
        bench.write(name, bytes);
        assert_one_line(&bench, expected);
    }
}

#[test]
fn a_wrong_extension_is_no_fault() {
    let bench = Bench::new();
    bench.write("in/picture.jpg", png(80, 70));
    bench.write("in/no_extension", png(90, 70));
    bench.write("in/notes.txt", "not a picture and not looked at");
    let said = classify(&bench, "in");
    assert_eq!((said.code, said.err.as_str()), (Some(0), ""));
    assert_eq!(bench.column("r/images.csv", "image"), ["no_extension", "picture.jpg"]);
}

#[test]
fn a_huge_header_is_refused_before_memory_is_taken() {
    let bench = with_good_picture();
    let mut bytes = png(80, 70);
    // Width and height of the PNG header (bytes 16..24), and its checksum.
    bytes[16..24].copy_from_slice(&[0, 1, 0, 0, 0, 1, 0, 0]);
    let sum = crc32(&bytes[12..29]);
    bytes[29..33].copy_from_slice(&sum.to_be_bytes());
    bench.write("in/bad.png", bytes);
    assert_one_line(&bench, "65536 x 65536 px is over the limit");
}

/// CRC-32 as in the PNG specification, annex D.
fn crc32(bytes: &[u8]) -> u32 {
    !bytes.iter().fold(u32::MAX, |mut crc, byte| {
        crc ^= u32::from(*byte);
        for _ in 0..8 {
            crc = if crc & 1 == 1 { (crc >> 1) ^ 0xedb8_8320 } else { crc >> 1 };
        }
        crc
    })
}

#[test]
fn flat_pictures_have_no_ends() {
    let bench = Bench::new();
    for (name, value) in [("black", 0_u8), ("white", 255), ("grey", 128)] {
        let path = bench.write(&format!("in/{name}.png"), b"");
        image::GrayImage::from_pixel(200, 160, image::Luma([value])).save(path).unwrap();
    }
    let said = classify(&bench, "in");
    assert_eq!((said.code, said.err.as_str()), (Some(0), ""));
    assert_eq!(bench.column("r/images.csv", "n_found"), ["0", "0", "0"]);
    assert_eq!(bench.table("r/ends.csv").1.len(), 0);
}

#[test]
fn pictures_cut_short_or_damaged_never_crash() {
    let bench = with_good_picture();
    let mut expected_bad = 0;
    for name in ["demo/TC-S01-A_3.jpg", "rendered/close_backlit.jpg", "real/polyester_123.jpg"] {
        let whole = std::fs::read(fixture(name)).unwrap();
        let stem = name.replace(['/', '.'], "_");
        for part in [1, 2, 3, 11, 20, 60, 200, 620, 1000, 5000, whole.len() / 2, whole.len() - 2] {
            bench.write(&format!("in/cut_{stem}_{part}.jpg"), &whole[..part]);
            expected_bad += 1;
        }
    }
    let small = encoded_small();
    for (format, whole) in &small {
        for part in (1..whole.len()).step_by(whole.len() / 12) {
            bench.write(&format!("in/cut_small_{part}.{format}"), &whole[..part]);
            expected_bad += 1;
        }
        for at in (0..whole.len()).step_by(whole.len() / 9) {
            let mut bytes = whole.clone();
            bytes[at] ^= 0xff;
            bench.write(&format!("in/hit_small_{at}.{format}"), bytes);
        }
    }
    let said = classify(&bench, "in");
    assert_eq!(said.code, Some(3), "{}", said.err);
    assert!(!said.err.contains("panicked"), "{}", said.err);
    assert!(said.err.lines().all(|l| l.starts_with("breakface: in/")), "{}", said.err);
    let names = bench.column("r/images.csv", "image");
    let status = bench.column("r/images.csv", "status");
    let cut_but_read: Vec<&String> =
        names.iter().zip(&status).filter(|(n, s)| n.starts_with("cut_") && *s == "done").map(|(n, _)| n).collect();
    // The last bytes of BMP, TIFF and WebP files may be padding or tags; pixels are never missing.
    assert!(cut_but_read.len() <= expected_bad / 20, "{cut_but_read:?}");
    assert!(names.iter().zip(&status).any(|(n, s)| n == "good.png" && s == "done"));
}

/// One small colour picture in every format.
fn encoded_small() -> Vec<(&'static str, Vec<u8>)> {
    use image::ImageFormat::{Bmp, Jpeg, Png, Tiff, WebP};
    let picture = image::RgbImage::from_fn(72, 66, |x, y| image::Rgb([(x * 3) as u8, (y * 3) as u8, (x * y) as u8]));
    [("png", Png), ("jpg", Jpeg), ("tif", Tiff), ("bmp", Bmp), ("webp", WebP)]
        .into_iter()
        .map(|(extension, format)| {
            let mut bytes = Cursor::new(Vec::new());
            image::DynamicImage::from(picture.clone()).write_to(&mut bytes, format).unwrap();
            (extension, bytes.into_inner())
        })
        .collect()
}

#[test]
fn places_without_pictures() {
    let bench = Bench::new();
    std::fs::create_dir(bench.path("empty")).unwrap();
    let said = classify(&bench, "empty");
    assert_eq!(said.code, Some(2));
    assert!(said.err.contains("empty: no pictures there"), "{}", said.err);
    let said = classify(&bench, "nowhere");
    assert_eq!(said.code, Some(2));
    assert!(said.err.contains("nowhere: there is no such file or folder"), "{}", said.err);
}

#[test]
fn series_tables_as_people_save_them() {
    let bench = with_good_picture();
    bench.write("in/other.png", png(90, 80));
    let tables = [
        "image,specimen,kind,um_per_px\r\ngood.png,S1,cut,0.5\r\nother.png,S2,pull,0.5\r\n",
        "\u{feff}image;specimen;kind;um_per_px\ngood.png;S1;cut;0,5\nother.png;S2;pull;0,5\n",
        "specimen\tum_per_px\tkind\timage\nS1\t0,5\tcut\tgood.png\nS2\t0,5\tpull\tother.png\n\n",
    ];
    for table in tables {
        bench.write("in/series.csv", table);
        let said = classify(&bench, "in/series.csv");
        assert_eq!((said.code, said.err.as_str()), (Some(0), ""));
        assert_eq!(bench.column("r/images.csv", "um_per_px"), ["0.5", "0.5"]);
        assert_eq!(bench.column("r/images.csv", "scale_source"), ["series", "series"]);
        assert_eq!(bench.column("r/images.csv", "kind"), ["cut", "pull"]);
    }
}

#[test]
fn series_tables_that_cannot_be_used() {
    let bench = with_good_picture();
    let cases: [(&[u8], &str); 5] = [
        (b"image,kind\ngood.png,cut\n", "row 1: column specimen is missing"),
        (b"image,specimen,image\ngood.png,S1,x\n", "row 1: column image is there twice; keep one of them"),
        (b"image,specimen\ngood.png,\xe4\n", "row 2: expected UTF-8 text"),
        (b"\xff\xfei\0m\0a\0g\0e\0", "expected UTF-8 text, found UTF-16"),
        (b"", "row 1: column image is missing"),
    ];
    for (table, expected) in cases {
        bench.write("in/series.csv", table);
        let said = classify(&bench, "in/series.csv");
        assert_eq!(said.code, Some(2));
        assert!(said.err.contains(expected) && said.err.lines().count() == 1, "{}", said.err);
    }
}

#[test]
fn bad_rows_of_a_series_table_leave_the_rest_alone() {
    let bench = with_good_picture();
    bench.write(
        "in/series.csv",
        "image,specimen,kind,um_per_px,carriers,peak_load_n,count,tied_by\n\
         good.png,S1,cut,0.5,8,,yes,Ann\n\
         absent.png,S1,cut,0.5,8,,yes,Ann\n\
         good.png,S2,cut,0.5,8,,yes,Ann\n\
         c.png,S3,cut,\"0,5\",8,,yes,Ann\n\
         d.png,S4,knit,0.5,8,,yes,Ann\n",
    );
    let said = classify(&bench, "in/series.csv");
    assert_eq!(said.code, Some(2), "{}", said.err);
    let lines: Vec<&str> = said.err.lines().collect();
    assert_eq!(lines.len(), 4, "{}", said.err);
    for expected in [
        "absent.png: cannot be opened: there is no such file; check the path and the rights",
        "row 4, column image: good.png is in row 2 already, for specimen S1",
        "row 5, column um_per_px: expected a number above 0 with `.` as decimal point, found \"0,5\"; write 0.5",
        "row 6, column kind: expected cut, pull or knot, or nothing, found \"knit\"; use one of these words",
    ] {
        assert!(lines.iter().any(|l| l.contains(expected)), "{expected}: {}", said.err);
    }
    assert_eq!(bench.column("r/images.csv", "status").iter().filter(|s| *s == "done").count(), 1);
    assert_eq!(bench.column("r/images.csv", "status").len(), 5);
    assert!(bench.column("r/images.csv", "tied_by").iter().all(|v| v == "Ann"));
}

#[cfg(unix)]
#[test]
fn names_with_odd_characters_survive() {
    use std::os::unix::ffi::OsStrExt;
    let bench = Bench::new();
    let names: [&[u8]; 5] = [b"a b#1.png", b"quo\"te,comma.png", b"line\nbreak.png", b"=1+1.png", b"b\xffd.png"];
    for name in names {
        let path = bench.path("in").join(std::ffi::OsStr::from_bytes(name));
        std::fs::create_dir_all(path.parent().unwrap()).unwrap();
        std::fs::write(path, png(80, 70)).unwrap();
    }
    let said = classify(&bench, "in");
    assert_eq!((said.code, said.err.as_str()), (Some(0), ""));
    let images = bench.column("r/images.csv", "image");
    for expected in ["a b#1.png", "quo\"te,comma.png", "line\nbreak.png", "'=1+1.png", "b\\xFFd.png"] {
        assert!(images.iter().any(|i| i == expected), "{expected}: {images:?}");
    }
    let results = breakface::results::Results::load(&bench.path("r")).unwrap();
    assert!(results.image("=1+1.png").is_some());
}
