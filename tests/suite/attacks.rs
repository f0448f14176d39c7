//! What a determined attack found: wrong results without a word, one input that stops all, names that do something. Each
//! through the real program.

use crate::driver::{Bench, Said};
use std::process::Stdio;

fn classify(bench: &Bench, input: &str, more: &[&str]) -> Said {
    bench.run(&[&["classify", input, "--out", "r", "--no-report"], more].concat())
}

/// A small grey picture of noise, another for every seed.
fn noise(bench: &Bench, name: &str, seed: u32) {
    let mut state = seed.wrapping_mul(2_654_435_761) | 1;
    let picture = image::GrayImage::from_fn(100, 80, |_, _| {
        state ^= state << 13;
        state ^= state >> 17;
        state ^= state << 5;
        image::Luma([(90 + state % 40) as u8])
    });
    picture.save_with_format(bench.write(name, b""), image::ImageFormat::Png).unwrap();
}

#[test]
fn the_same_picture_twice_counts_once_and_is_said() {
    let bench = Bench::new();
    bench.copy("demo/TC-C04-A_1.jpg", "in/a.jpg");
    bench.copy("demo/TC-C04-A_1.jpg", "in/b.jpg");
    bench.copy("demo/TC-C04-A_1.jpg", "once/a.jpg");
    let table = "image,specimen,kind,um_per_px\na.jpg,S,cut,0.96\n";
    bench.write("in/series.csv", format!("{table}b.jpg,S,cut,0.96\n"));
    bench.write("once/series.csv", table);
    let said = classify(&bench, "in", &[]);
    assert_eq!(said.code, Some(0), "{}", said.err);
    assert!(said.err.contains("b.jpg: the same picture as a.jpg; it counts once, there"), "{}", said.err);
    assert_eq!(bench.column("r/images.csv", "counted"), ["yes", "no"]);
    assert_eq!(bench.run(&["classify", "once", "--out", "r1", "--no-report"]).code, Some(0));
    for column in ["n_pictures", "n_sheared", "n_tensile", "n_unclear", "sheared_fraction"] {
        assert_eq!(bench.column("r/specimens.csv", column), bench.column("r1/specimens.csv", column), "{column}");
    }
    // A folder given twice, and the same file by another path.
    let said = bench.run(&["classify", "once", "once/./a.jpg", "--out", "r2", "--no-report"]);
    assert_eq!(bench.column("r2/images.csv", "counted").iter().filter(|c| *c == "yes").count(), 1, "{}", said.err);
}

#[test]
fn a_stray_quote_swallows_no_rows() {
    let bench = Bench::new();
    (0..4).for_each(|i| noise(&bench, &format!("in/{i}.png"), i));
    for (row2, row4, line) in [("\"S", "S", 2), ("S", "\"S", 4), ("\"S", "S\"", 2)] {
        let table = format!("image,specimen\n0.png,{row2}\n1.png,S\n2.png,{row4}\n3.png,S\n");
        bench.write("in/series.csv", table);
        let said = classify(&bench, "in", &[]);
        assert_eq!(said.code, Some(2), "{}", said.err);
        assert!(said.err.contains(&format!("series.csv, row {line}: a double quote")), "{}", said.err);
        assert!(!bench.path("r").exists());
    }
    // Rows that end at carriage returns alone are rows too; so are those of calibrations.
    bench.write("in/series.csv", "image,specimen\r0.png,S\r\"1.png,S\r2.png,S\"\r3.png,S\r");
    let said = classify(&bench, "in", &[]);
    assert!(said.code == Some(2) && said.err.contains("series.csv, row 3: a double quote"), "{}", said.err);
    let columns = "name,um_per_px,u_um_per_px,date,source";
    bench.write("in/calibrations.csv", format!("{columns}\n\"10x,0.5,,,ruling\n20x,0.2,,,ruling\"\n"));
    bench.write("in/series.csv", "image,specimen,calibration\n0.png,S,20x\n1.png,S,20x\n");
    let said = classify(&bench, "in", &[]);
    assert!(said.err.contains("calibrations.csv: line 2: a double quote"), "{}", said.err);
    assert!(bench.column("r/images.csv", "um_per_px").iter().all(String::is_empty), "no scale from such a table");
    std::fs::remove_file(bench.path("in/calibrations.csv")).unwrap();
    std::fs::remove_dir_all(bench.path("r")).unwrap();
    // Quotes and lines within a cell, as they belong, are text.
    bench.write("in/series.csv", "image,specimen,note\n0.png,S,\"two\nlines, and \"\"one\"\"\"\n1.png,S,\n");
    let said = classify(&bench, "in", &[]);
    assert_eq!((said.code, bench.column("r/images.csv", "note").len()), (Some(0), 2), "{}", said.err);
    bench.write("labels.csv", "image,x_px,y_px,label\n0.png,1,2,\"sheared\n0.png,3,4,tensile\n");
    let said = bench.run(&["train", "r", "--labels", "labels.csv", "--out", "m.json"]);
    assert!(said.code == Some(2) && said.err.contains("labels.csv, line 2: a double quote"), "{}", said.err);
}

#[test]
fn rows_of_one_specimen_that_contradict_each_other_are_refused_together() {
    let bench = Bench::new();
    (0..5).for_each(|i| noise(&bench, &format!("in/{i}.png"), i));
    bench.write(
        "in/series.csv",
        "image,specimen,kind,knot,peak_load_n\n0.png,A,cut,,\n1.png,A,knot,palomar,\n2.png,B,knot,palomar,100\n\
         3.png,B,knot,palomar,120\n4.png,C,pull,,\n",
    );
    let said = classify(&bench, "in", &[]);
    assert_eq!(said.code, Some(2), "{}", said.err);
    for expected in [
        "specimen A: kind is \"cut\" in table in/series.csv, row 2 and \"knot\" in table in/series.csv, row 3",
        "specimen B: peak_load_n is \"100\" in table in/series.csv, row 4 and \"120\" in table in/series.csv, row 5",
    ] {
        assert!(said.err.contains(expected), "{expected}: {}", said.err);
    }
    assert_eq!(bench.column("r/specimens.csv", "specimen"), ["C"]);
    assert_eq!(bench.column("r/images.csv", "status").iter().filter(|s| *s == "failed").count(), 4);
}

#[test]
fn a_scale_ten_times_off_is_said_with_the_scale_that_would_fit() {
    let bench = Bench::new();
    bench.copy("rendered/teased_sem.jpg", "in/a.jpg");
    for (scale, wrong) in [("0.96", false), ("9.6", true), ("0.096", true)] {
        let out = format!("r{scale}");
        let said = bench.run(&["classify", "in", "--um-per-px", scale, "--out", &out, "--no-report"]);
        assert_eq!(said.code, Some(0), "{}", said.err);
        let warnings = bench.column(&format!("{out}/images.csv"), "warnings").concat();
        assert_eq!(warnings.contains("scale_unfit"), wrong, "{scale}: {warnings}");
        let flags = bench.column(&format!("{out}/specimens.csv"), "flags").concat();
        assert_eq!(flags.contains("scale_unfit"), wrong, "{scale}: {flags}");
        if wrong {
            // The fixture's own scale is 0.96 µm/px (fixtures/rendered/series.csv).
            let range = warnings.split("a scale of ").nth(1).unwrap().split(" µm/px").next().unwrap();
            let (low, high) = range.split_once(" to ").unwrap();
            assert!((low.parse::<f64>().unwrap()..=high.parse::<f64>().unwrap()).contains(&0.96), "{range}");
            assert!(said.err.contains("would fit"), "{}", said.err);
        }
    }
}

#[test]
fn scales_that_no_microscope_has_are_refused_one_by_one() {
    let bench = Bench::new();
    noise(&bench, "in/a.png", 1);
    noise(&bench, "in/b.png", 2);
    bench.write("in/series.csv", "image,specimen,um_per_px\na.png,S,5e-308\nb.png,S,0.5\n");
    let said = classify(&bench, "in", &[]);
    assert_eq!(said.code, Some(2), "{}", said.err);
    assert!(said.err.contains("row 2, column um_per_px: expected micrometres per pixel from"), "{}", said.err);
    assert_eq!(bench.column("r/images.csv", "status"), ["failed", "done"]);
    let said = bench.run(&["classify", "in/b.png", "--um-per-px", "5e-308", "--out", "r2"]);
    assert!(said.code == Some(2) && said.err.contains("--um-per-px: expected micrometres per pixel"), "{}", said.err);
}

#[test]
fn names_that_overlays_could_fall_over_lose_nothing() {
    let bench = Bench::new();
    let long = format!("{}.png", "x".repeat(248));
    for (seed, name) in ["in/a", "in/a.jpg/b.png", "in/_up/x.png", "x.png", &format!("in/{long}")].iter().enumerate() {
        noise(&bench, name, seed as u32);
    }
    let table = format!("image,specimen\na,S\na.jpg/b.png,S\n_up/x.png,S\n../x.png,S\n{long},S\n");
    bench.write("in/series.csv", table);
    let said = classify(&bench, "in", &[]);
    assert_eq!((said.code, said.err.contains("breakface:")), (Some(0), false), "{}", said.err);
    let results = breakface::results::Results::load(&bench.path("r")).unwrap();
    let overlays: std::collections::BTreeSet<_> =
        results.images.iter().map(|i| results.overlay_path(&i.series.image)).filter(|p| p.is_file()).collect();
    assert_eq!(overlays.len(), 5);
}

/// Names that are no text are written with their bytes, and no two of them share anything.
#[cfg(target_os = "linux")]
#[test]
fn names_that_are_no_text_are_told_apart() {
    use std::os::unix::ffi::OsStrExt;
    let bench = Bench::new();
    for (seed, name) in
        [&b"a\xff.png"[..], b"a\xfe.png", b"a\xef\xbf\xbd.png", b"\xff\xff/b.png"].into_iter().enumerate()
    {
        noise(&bench, "plain.png", seed as u32);
        let path = bench.path("in").join(std::ffi::OsStr::from_bytes(name));
        std::fs::create_dir_all(path.parent().unwrap()).unwrap();
        std::fs::rename(bench.path("plain.png"), path).unwrap();
    }
    let said = classify(&bench, "in", &[]);
    assert_eq!((said.code, said.err.contains("breakface:")), (Some(0), false), "{}", said.err);
    let names: std::collections::BTreeSet<String> = bench.column("r/images.csv", "image").into_iter().collect();
    assert!(names.contains("a\\xFF.png") && names.contains("\\xFF\\xFF/b.png") && names.len() == 4, "{names:?}");
    let results = breakface::results::Results::load(&bench.path("r")).unwrap();
    let overlays: std::collections::BTreeSet<_> =
        results.images.iter().map(|i| results.overlay_path(&i.series.image)).filter(|p| p.is_file()).collect();
    assert_eq!(overlays.len(), 4);
    // A second run finds them all again.
    let said = classify(&bench, "in", &["--json"]);
    assert_eq!(said.out.matches("\"kept\":true").count(), 4, "{}", said.out);
}

#[test]
fn nobody_listening_ends_no_run() {
    let bench = Bench::new();
    noise(&bench, "in/a.png", 1);
    bench.write("in/bad.png", b"no picture");
    for (n, more) in [&[][..], &["--json"][..]].into_iter().enumerate() {
        let full = || std::fs::OpenOptions::new().write(true).open("/dev/full");
        let Ok(out) = full() else { return eprintln!("skipped: no /dev/full here") };
        let folder = format!("r{n}");
        let mut command = bench.command();
        command.args(["classify", "in", "--out", &folder]).args(more);
        let status = command.stdout(out).stderr(full().unwrap()).status().unwrap();
        assert_eq!(status.code(), Some(3));
        assert!(bench.path(&folder).join("ends.csv").is_file() && bench.path(&folder).join("report.html").is_file());
    }
    // A pipe whose reader went away.
    let mut command = bench.command();
    let mut child =
        command.args(["classify", "in", "--out", "r3"]).stdout(Stdio::piped()).stderr(Stdio::piped()).spawn().unwrap();
    drop((child.stdout.take(), child.stderr.take()));
    assert_eq!(child.wait().unwrap().code(), Some(3));
    assert!(bench.path("r3/ends.csv").is_file());
}

#[test]
fn parts_and_settings_that_cannot_be_are_refused() {
    let bench = Bench::new();
    noise(&bench, "in/a.png", 1);
    let said = classify(&bench, "in", &["--shard", "1/4000000000"]);
    assert!(said.code == Some(2) && said.err.contains("at most 10000 parts"), "{}", said.err);
    assert_eq!(classify(&bench, "in", &["--shard", "1/1"]).code, Some(0));
    let run = bench.read("r/run.json").replace("\"of\": 1", "\"of\": 0");
    bench.write("r/run.json", run);
    let said = bench.run(&["merge", "r", "--out", "whole"]);
    assert!(said.code == Some(2) && said.err.contains("part 1 of 0, which cannot be"), "{}", said.err);
    for (section, line) in [
        ("measure", "fine_samples = 1e308"),
        ("measure", "finest_step_px = 0.0"),
        ("measure", "finest_step_px = nan"),
        ("calibrate.ruling", "block_px = 0"),
        ("face.site", "thumb_px = 4000000000"),
    ] {
        bench.write("s.toml", format!("[{section}]\n{line}\n"));
        let said = bench.run(&["classify", "in", "--out", "r4", "--settings", "s.toml"]);
        let key = format!("{section}.{}", line.split(' ').next().unwrap());
        assert!(
            said.code == Some(2) && said.err.contains(&format!("settings: {key}: expected")),
            "{key}: {}",
            said.err
        );
        assert!(!bench.path("r4").exists());
    }
}

#[test]
fn names_do_nothing_to_spreadsheets_and_terminals() {
    let bench = Bench::new();
    noise(&bench, "in/a;=1+1.png", 1);
    bench.write("in/\u{1b}[2J.png", b"no picture");
    let said = classify(&bench, "in", &[]);
    assert_eq!(said.code, Some(3), "{}", said.err);
    assert!(!said.err.contains('\u{1b}') && said.err.contains("\\x1B[2J.png"), "{}", said.err);
    assert!(bench.column("r/images.csv", "image").contains(&"a;'=1+1.png".to_owned()));
    let results = breakface::results::Results::load(&bench.path("r")).unwrap();
    assert!(results.image("a;=1+1.png").is_some());
}

#[cfg(unix)]
#[test]
fn a_subfolder_that_cannot_be_read_is_missing_aloud() {
    use std::os::unix::fs::PermissionsExt;
    let bench = Bench::new();
    noise(&bench, "in/a.png", 1);
    noise(&bench, "in/closed/b.png", 2);
    let closed = bench.path("in/closed");
    std::fs::set_permissions(&closed, std::fs::Permissions::from_mode(0o000)).unwrap();
    let may_read = std::fs::read_dir(&closed).is_ok();
    let said = classify(&bench, "in", &["--quiet"]);
    std::fs::set_permissions(&closed, std::fs::Permissions::from_mode(0o755)).unwrap();
    if may_read {
        return eprintln!("skipped: this user may read everything");
    }
    assert!(said.code == Some(3) && said.err.contains("in/closed"), "{:?} {}", said.code, said.err);
}

#[test]
fn tables_and_kept_results_that_were_touched_are_noticed() {
    let bench = Bench::new();
    bench.copy("demo/TC-C04-A_1.jpg", "in/a.jpg");
    assert_eq!(classify(&bench, "in", &[]).code, Some(0));
    let whole = bench.bytes("r/ends.csv");
    let cut = whole[..whole.len() - 2].iter().rposition(|b| *b == b'\n').unwrap();
    bench.write("r/ends.csv", &whole[..=cut]);
    let said = bench.run(&["flag", "r"]);
    assert!(said.code == Some(2) && said.err.contains("rows, its run wrote"), "{}", said.err);
    // A kept result with another value, and an overlay of no bytes: both are made anew.
    let kept = std::fs::read_dir(bench.path("r/.cache")).unwrap().map(|e| e.unwrap().path());
    let kept = kept.filter(|p| p.extension().is_some_and(|e| e == "json")).collect::<Vec<_>>();
    let text = std::fs::read_to_string(&kept[0]).unwrap();
    std::fs::write(&kept[0], text.replacen("sheared", "tensile", 1)).unwrap();
    let said = classify(&bench, "in", &["--json"]);
    assert!(said.out.contains("\"kept\":false") && said.out.contains("damaged and made anew"), "{}", said.out);
    assert_eq!(bench.bytes("r/ends.csv"), whole);
    bench.write("r/overlays/a.jpg.jpg", b"");
    let said = classify(&bench, "in", &["--json"]);
    assert!(said.out.contains("\"kept\":false"), "{}", said.out);
    assert!(!bench.bytes("r/overlays/a.jpg.jpg").is_empty());
}

#[test]
fn what_an_earlier_run_drew_goes_when_it_is_not_wanted() {
    let bench = Bench::new();
    noise(&bench, "in/a.png", 1);
    assert_eq!(bench.run(&["classify", "in", "--out", "r"]).code, Some(0));
    assert!(bench.path("r/report.html").is_file() && bench.path("r/overlays/a.png.jpg").is_file());
    assert_eq!(classify(&bench, "in", &["--no-overlays"]).code, Some(0));
    assert!(!bench.path("r/report.html").exists() && !bench.path("r/overlays/a.png.jpg").exists());
}

#[test]
fn a_hand_label_column_in_a_series_is_passed_through_under_another_name() {
    let bench = Bench::new();
    noise(&bench, "in/a.png", 1);
    bench.write("in/series.csv", "image,specimen,label_hand\na.png,S,sheared\n");
    assert_eq!(classify(&bench, "in", &[]).code, Some(0));
    assert_eq!(bench.column("r/images.csv", "series_label_hand"), ["sheared"]);
}

#[test]
fn the_same_ends_do_not_teach_twice() {
    let bench = Bench::new();
    for (name, kind) in [("TC-C04-A_1.jpg", "cut"), ("TC-B01-A_1.jpg", "pull")] {
        bench.copy(&format!("demo/{name}"), &format!("in/{kind}.jpg"));
    }
    bench.write("in/series.csv", "image,specimen,kind,um_per_px\ncut.jpg,C,cut,0.96\npull.jpg,P,pull,0.96\n");
    assert_eq!(classify(&bench, "in", &[]).code, Some(0));
    let said = bench.run(&["train", "r", "--controls", "--out", "m.json"]);
    assert_eq!(said.code, Some(0), "{}", said.err);
    let said = bench.run(&["train", "r", "--controls", "--base", "m.json", "--out", "n.json"]);
    assert_eq!(said.code, Some(0), "{}", said.err);
    assert_eq!(bench.bytes("m.training.csv"), bench.bytes("n.training.csv"));
}

#[test]
fn a_run_file_with_another_setting_opens() {
    let bench = Bench::new();
    noise(&bench, "in/a.png", 1);
    assert_eq!(classify(&bench, "in", &[]).code, Some(0));
    let run = bench.read("r/run.json").replace("\"fewest_ends\"", "\"smallest_crowd\"");
    bench.write("r/run.json", run);
    let said = bench.run(&["flag", "r"]);
    assert_eq!(said.code, Some(0), "{}", said.err);
}

#[test]
fn results_are_not_replaced_by_those_of_other_pictures() {
    let bench = Bench::new();
    noise(&bench, "in/a.png", 1);
    noise(&bench, "in/b.png", 2);
    noise(&bench, "other/a.png", 3);
    assert_eq!(classify(&bench, "in", &[]).code, Some(0));
    let before = bench.bytes("r/images.csv");
    std::fs::create_dir(bench.path("empty")).unwrap();
    for (input, expected) in [
        ("nowhere", "nowhere: there is no such file or folder"),
        ("empty", "empty: no pictures there"),
        (
            "in/a.png",
            "holds the results of 2 pictures, and 1 of them (b.png) would go; name another folder, or add --replace",
        ),
        ("other", "2 of them (a.png) would go"),
    ] {
        let said = classify(&bench, input, &[]);
        assert!(said.code == Some(2) && said.err.contains(expected), "{input}: {}", said.err);
        assert_eq!(bench.bytes("r/images.csv"), before, "{input}");
    }
    // More pictures, the same from another place, and what is meant.
    noise(&bench, "in/c.png", 4);
    assert_eq!(classify(&bench, "in", &[]).code, Some(0));
    std::fs::rename(bench.path("in"), bench.path("moved")).unwrap();
    assert_eq!(classify(&bench, "moved", &[]).code, Some(0));
    assert_eq!(classify(&bench, "other", &["--replace"]).code, Some(0));
    assert_eq!(bench.column("r/images.csv", "image"), ["a.png"]);
}
