//! Files that strangers leave: pipes in the place of tables, tables named or written otherwise, names that only look alike or do
//! something to a terminal. Each through the real program.

use crate::driver::{Bench, Said};
use std::process::Command;

fn picture(bench: &Bench, name: &str, seed: u32) {
    let grey = |x: u32, y: u32| image::Luma([(100 + (x * 3 + y * 5 + seed * 7) % 40) as u8]);
    image::GrayImage::from_fn(80, 70, grey).save_with_format(bench.write(name, b""), image::ImageFormat::Png).unwrap();
}

fn two_pictures() -> Bench {
    let bench = Bench::new();
    picture(&bench, "in/a.png", 1);
    picture(&bench, "in/b.png", 2);
    bench
}

fn classify(bench: &Bench, more: &[&str]) -> Said {
    bench.run(&[&["classify", "in", "--out", "r", "--no-report"], more].concat())
}

/// Waiting for a pipe would take for ever, and this test with it.
#[cfg(unix)]
#[test]
fn pipes_and_devices_are_never_waited_for() {
    let bench = two_pictures();
    for place in ["pipe.csv", "pipe", "tables/calibrations.csv", "labels/labels.csv"] {
        let path = bench.write(place, "");
        std::fs::remove_file(&path).unwrap();
        assert!(Command::new("mkfifo").arg(path).status().unwrap().success());
    }
    std::fs::copy(bench.path("in/a.png"), bench.path("tables/a.png")).unwrap();
    bench.write("tables/series.csv", "image,specimen,calibration\na.png,S,ten\n");
    for option in ["--settings", "--model", "--detector"] {
        for file in ["pipe", "/dev/zero"] {
            let said = classify(&bench, &[option, file]);
            assert!(said.code == Some(2) && said.err.contains("no regular file"), "{option} {file}: {}", said.err);
        }
    }
    let said = bench.run(&["classify", "pipe.csv", "--out", "r"]);
    assert!(
        said.code == Some(2) && said.err.contains("pipe.csv: cannot be read: it is no regular file"),
        "{}",
        said.err
    );
    let said = bench.run(&["classify", "tables", "--out", "t", "--no-report"]);
    assert!(said.code == Some(0) && said.err.contains("no regular file"), "{}", said.err);
    // One that is put among the results.
    assert_eq!(classify(&bench, &[]).code, Some(0));
    std::fs::rename(bench.path("labels/labels.csv"), bench.path("r/labels.csv")).unwrap();
    let said = classify(&bench, &[]);
    assert!(said.code == Some(2) && said.err.contains("no regular file"), "{}", said.err);
}

/// A table that is not read would leave every picture a specimen of its own, without a word.
#[test]
fn the_table_of_a_folder_is_read_whatever_its_capitals_or_refused() {
    let bench = two_pictures();
    bench.write("in/Series.CSV", "image,specimen\na.png,X\nb.png,X\n");
    assert_eq!(classify(&bench, &[]).code, Some(0));
    assert_eq!(bench.column("r/specimens.csv", "specimen"), ["X"]);
    std::fs::create_dir(bench.path("in/series.csv")).unwrap();
    let said = classify(&bench, &[]);
    assert!(said.code == Some(2) && said.err.contains("in/series.csv: cannot be read"), "{}", said.err);
}

/// Accented letters have two spellings in Unicode (Unicode Standard Annex 15): to the eye they are one.
#[test]
fn names_that_look_alike_are_one_or_are_told() {
    let bench = two_pictures();
    bench.write(
        "in/series.csv",
        "image,specimen,kind,knot\na.png,caf\u{e9},knot,n\u{e9}\nb.png,cafe\u{301},knot,ne\u{301}\n",
    );
    let said = classify(&bench, &[]);
    assert_eq!(said.code, Some(0), "{}", said.err);
    assert_eq!(bench.column("r/specimens.csv", "specimen"), ["caf\u{e9}"]);
    assert_eq!(bench.column("r/knots.csv", "knot"), ["n\u{e9}"]);
    bench.write("in/series.csv", "image,specimen,kind,knot\na.png,A,knot,Palomar\nb.png,B,knot,palomar\n");
    let said = classify(&bench, &[]);
    assert!(said.err.contains("knots \"Palomar\" and \"palomar\" differ only in capitals"), "{}", said.err);
}

/// A PNG that says it is animated (PNG, third edition, section 11.3.6.1: two frames, endless).
#[test]
fn of_a_film_the_first_frame_is_used_and_that_is_told() {
    let bench = two_pictures();
    let still = bench.bytes("in/a.png");
    let header = 8 + 12 + 13;
    let chunk = b"\0\0\0\x08acTL\0\0\0\x02\0\0\0\0";
    let mut sum = flate2::Crc::new();
    sum.update(&chunk[4..]);
    bench.write("in/a.png", [&still[..header], chunk, &sum.sum().to_be_bytes(), &still[header..]].concat());
    assert_eq!(classify(&bench, &[]).code, Some(0));
    let warnings = bench.column("r/images.csv", "warnings");
    assert!(warnings[0].contains("only the first frame") && !warnings[1].contains("frame"), "{warnings:?}");
}

#[test]
fn numbers_that_can_be_read_in_two_ways_are_refused() {
    let bench = two_pictures();
    bench.write("in/series.csv", "image;specimen;um_per_px;peak_load_n\na.png;S;0,5;\nb.png;T;0,5;1.234\n");
    let said = classify(&bench, &[]);
    let expected = "row 3, column peak_load_n: expected a decimal comma, as elsewhere in this table, found \"1.234\"";
    assert!(said.code == Some(2) && said.err.contains(expected), "{}", said.err);
    assert_eq!(bench.column("r/images.csv", "status"), ["done", "failed"]);
    bench.write("in/series.csv", "image,specimen,um_per_px,u_um_per_px\na.png,S,0.5,5\nb.png,S,0.5,0.01\n");
    let said = classify(&bench, &[]);
    assert!(said.code == Some(2) && said.err.contains("expected an uncertainty below the scale"), "{}", said.err);
}

/// What `series` writes is what `classify` reads, and a column of the lab is never lost to another.
#[test]
fn guarded_names_come_back_and_columns_keep_their_own() {
    let bench = Bench::new();
    picture(&bench, "in/=1+1.png", 1);
    assert_eq!(bench.run(&["series", "in"]).code, Some(0));
    assert!(bench.read("in/series.csv").contains("'=1+1.png"));
    let said = classify(&bench, &[]);
    assert_eq!(said.code, Some(0), "{}", said.err);
    assert_eq!(bench.column("r/images.csv", "status"), ["done"]);
    bench.write("in/series.csv", "image,specimen,label,series_label\n=1+1.png,S,one,\"a;\"\"=1+1;b\"\n");
    assert_eq!(classify(&bench, &[]).code, Some(0));
    assert_eq!(bench.column("r/images.csv", "series_series_label"), ["one"]);
    // Quotes do not hide a formula from a spreadsheet that splits at semicolons.
    assert_eq!(bench.column("r/images.csv", "series_label"), ["a;'\"=1+1;b"]);
}

/// Escape sequences and marks of direction (Unicode Standard Annex 9) reach no terminal, whatever command says the name.
#[cfg(unix)]
#[test]
fn names_do_nothing_to_a_terminal_in_any_command() {
    let bench = Bench::new();
    picture(&bench, "in/x\u{1b}[31m.png", 1);
    picture(&bench, "in/y\u{202e}gnp.png", 2);
    let said = |args: &[&str]| {
        let said = bench.run(args);
        let all = said.out.clone() + &said.err;
        let odd = |c: char| c == '\u{1b}' || c == '\u{202e}';
        assert!(!all.contains(odd), "{args:?}: {all:?}");
        said
    };
    let plan = said(&["classify", "in", "--out", "r", "-n"]).out;
    assert!(plan.contains("x\\x1B[31m.png") && plan.contains("y\\u202Egnp.png"), "{plan}");
    let told = said(&["classify", "in", "--out", "r", "--no-report", "--json"]).out;
    let names = told.lines().map(|l| serde_json::from_str::<serde_json::Value>(l).unwrap());
    assert_eq!(names.filter(|n| n["image"] == "y\u{202e}gnp.png").count(), 1, "{told}");
    std::fs::rename(bench.path("r"), bench.path("r0")).unwrap();
    assert_eq!(said(&["classify", "in", "--out", "r"]).code, Some(0));
    for args in [&["flag", "r"][..], &["compare", "r"], &["compare", "r0", "r"], &["evaluate", "r", "--cross-validate"]]
    {
        said(args);
    }
}
