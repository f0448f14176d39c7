//! The command line through its real binary.

use crate::driver::{Bench, fixture, repository};

/// The program under test.
pub fn breakface() -> std::process::Command {
    std::process::Command::new(env!("CARGO_BIN_EXE_breakface"))
}

/// A small picture without ends: fast where only the handling of files is tested.
fn blank(bench: &Bench, name: &str, grey: u8) {
    let picture =
        image::GrayImage::from_fn(96, 80, |x, y| image::Luma([grey.wrapping_add(((x * 7 + y * 13) % 5) as u8)]));
    let path = bench.write(name, b"");
    picture.save_with_format(path, image::ImageFormat::Png).unwrap();
}

/// Results that must be the same whatever happened on the way.
const TABLES: [&str; 6] = ["ends.csv", "images.csv", "specimens.csv", "knots.csv", "carriers.csv", "pairs.csv"];

#[test]
fn help_version_completions_and_man_page_are_there() {
    let bench = Bench::new();
    for args in [
        &["--help"][..],
        &["--version"],
        &["completions", "bash"],
        &["man"],
        &["man", "classify"],
        &["classify", "--help"],
    ] {
        let said = bench.run(args);
        assert_eq!((said.code, said.err.as_str()), (Some(0), ""), "{args:?}");
        assert!(said.out.contains("breakface"), "{args:?}");
    }
    // All come from one definition: an option of a subcommand is known everywhere.
    for args in [&["completions", "bash"][..], &["completions", "zsh"], &["completions", "fish"], &["man", "classify"]]
    {
        assert!(bench.run(args).out.replace('\\', "").contains("um-per-px"), "{args:?}");
    }
    assert_eq!(bench.run(&["man", "clasify"]).code, Some(2));
    assert_eq!(bench.run(&["classify"]).code, Some(2));
    assert_eq!(bench.run(&["clasify"]).code, Some(2));
}

#[test]
fn a_picture_gives_all_tables_an_overlay_and_a_report() {
    let bench = Bench::new();
    bench.copy("rendered/teased_sem.jpg", "in/teased_sem.jpg");
    let said = bench.run(&["classify", "in", "--out", "results", "--um-per-px", "0.96", "--parquet"]);
    assert_eq!(said.code, Some(0), "{}", said.err);
    for name in TABLES {
        assert!(bench.path("results").join(name).is_file(), "{name}");
        assert!(bench.path("results").join(name.replace(".csv", ".parquet")).is_file(), "{name}");
    }
    let found = bench.column("results/ends.csv", "label").len();
    assert_eq!(bench.column("results/images.csv", "n_found"), [found.to_string()]);
    assert_eq!(bench.column("results/images.csv", "scale_source"), ["run"]);
    assert_eq!(bench.column("results/images.csv", "specimen"), ["teased_sem"]);
    // The legend adds to the height of the picture.
    let overlay = image::open(bench.path("results/overlays/teased_sem.jpg.jpg")).unwrap();
    assert!(overlay.width() == 1600 && 1200 < overlay.height());
    assert!(bench.read("results/report.html").contains("<html"));
    let run: serde_json::Value = serde_json::from_str(&bench.read("results/run.json")).unwrap();
    assert_eq!(run["inputs"][0]["hash"].as_str().map(str::len), Some(64));
}

#[test]
fn threads_order_and_resuming_change_no_byte() {
    let bench = Bench::new();
    for (name, from) in [("b.jpg", "demo/TC-S01-A_3.jpg"), ("a/c.jpg", "demo/TC-B01-A_3.jpg")] {
        bench.copy(from, &format!("in/{name}"));
    }
    blank(&bench, "in/empty.png", 90);
    let files = ["in/empty.png", "in/b.jpg", "in/a/c.jpg"];
    let one = bench.run(&["classify", "in", "--out", "one", "--threads", "1", "--no-report"]);
    let two = bench.run(&["classify", "in", "--out", "two", "--threads", "3", "--no-report"]);
    assert_eq!((one.code, two.code), (Some(0), Some(0)));
    let again = bench.run(&["classify", "in", "--out", "one", "--threads", "2", "--no-report"]);
    assert!(again.out.contains("3 pictures kept from an earlier run"), "{}", again.out);
    let mut reversed = vec!["classify"];
    reversed.extend(files);
    reversed.extend(["--out", "files", "--no-overlays", "--no-report"]);
    assert_eq!(bench.run(&reversed).code, Some(0));
    for name in TABLES {
        assert_eq!(bench.bytes(&format!("one/{name}")), bench.bytes(&format!("two/{name}")), "{name}");
    }
    // Named one by one, the pictures have other names and specimens, but the same ends.
    assert_eq!(bench.column("one/ends.csv", "x_px").len(), bench.column("files/ends.csv", "x_px").len());
}

#[test]
fn only_what_changed_is_done_again() {
    let bench = Bench::new();
    blank(&bench, "in/a.png", 90);
    blank(&bench, "in/b.png", 120);
    assert_eq!(bench.run(&["classify", "in", "--out", "r", "--no-report"]).code, Some(0));
    blank(&bench, "in/b.png", 150);
    let kept = |args: &[&str]| bench.run(args).out.lines().filter(|l| l.contains("\"kept\":true")).count();
    assert_eq!(kept(&["classify", "in", "--out", "r", "--json", "--no-report"]), 1);
    assert_eq!(kept(&["classify", "in", "--out", "r", "--json", "--no-report"]), 2);
    // Another scale or setting is another result; so is a lost overlay.
    assert_eq!(kept(&["classify", "in", "--out", "r", "--json", "--no-report", "--um-per-px", "0.5"]), 0);
    bench.write("s.toml", "[find]\nmin_score = 0.9\n");
    assert_eq!(kept(&["classify", "in", "--out", "r", "--json", "--no-report", "--settings", "s.toml"]), 0);
    std::fs::remove_file(bench.path("r/overlays/a.png.jpg")).unwrap();
    assert_eq!(kept(&["classify", "in", "--out", "r", "--json", "--no-report"]), 1);
    assert_eq!(kept(&["classify", "in", "--out", "r", "--json", "--no-report", "--force"]), 0);
    // A damaged kept result is no reason to stop.
    for entry in std::fs::read_dir(bench.path("r/.cache")).unwrap() {
        std::fs::write(entry.unwrap().path(), b"{\"schema\":").unwrap();
    }
    let said = bench.run(&["classify", "in", "--out", "r", "--json", "--no-report"]);
    assert_eq!((said.code, said.err.as_str()), (Some(0), ""));
}

#[test]
fn foreign_folders_are_left_alone_and_two_runs_never_mix() {
    let bench = Bench::new();
    blank(&bench, "in/a.png", 90);
    bench.write("mine/letter.txt", "dear");
    let said = bench.run(&["classify", "in", "--out", "mine"]);
    assert_eq!(said.code, Some(2));
    assert!(said.err.contains("mine: the folder is not empty") && said.err.contains("--force"), "{}", said.err);
    assert!(!bench.path("mine/ends.csv").exists());
    assert_eq!(bench.run(&["classify", "in", "--out", "mine", "--force"]).code, Some(0));
    assert_eq!(bench.read("mine/letter.txt"), "dear");
    let said = bench.run(&["classify", "in", "--out", "in"]);
    assert!(said.code == Some(2) && said.err.contains("name another --out"), "{}", said.err);

    let lock = std::fs::File::open(bench.path("mine/.breakface-lock")).unwrap();
    lock.lock().unwrap();
    let said = bench.run(&["classify", "in", "--out", "mine"]);
    assert!(said.code == Some(2) && said.err.contains("another run is writing there"), "{}", said.err);
    lock.unlock().unwrap();
    assert_eq!(bench.run(&["classify", "in", "--out", "mine"]).code, Some(0));
}

#[test]
fn results_inside_the_input_folder_are_no_input() {
    let bench = Bench::new();
    blank(&bench, "in/a.png", 90);
    assert_eq!(bench.run(&["classify", "in", "--out", "in/results", "--no-report"]).code, Some(0));
    assert_eq!(bench.run(&["classify", "in", "--out", "in/results", "--no-report"]).code, Some(0));
    assert_eq!(bench.run(&["classify", "in", "--out", "elsewhere", "--no-report"]).code, Some(0));
    assert_eq!(bench.column("elsewhere/images.csv", "image"), ["a.png"]);
}

#[test]
fn events_are_json_lines_and_quiet_is_quiet() {
    let bench = Bench::new();
    blank(&bench, "in/a.png", 90);
    bench.write("in/b.png", "no picture");
    let said = bench.run(&["classify", "in", "--out", "r", "--json", "--no-report"]);
    assert_eq!(said.code, Some(3));
    let events: Vec<serde_json::Value> = said.out.lines().map(|l| serde_json::from_str(l).unwrap()).collect();
    assert!(events.iter().all(|e| e["schema"] == "breakface-events/1"));
    let count = |kind: &str| events.iter().filter(|e| e["type"] == kind).count();
    assert_eq!((count("started"), count("done"), count("failed"), count("finished")), (1, 1, 1, 1));
    let said = bench.run(&["classify", "in", "--out", "r", "--quiet", "--no-report"]);
    assert_eq!((said.code, said.out.as_str()), (Some(3), ""));
    assert_eq!(said.err.lines().count(), 1, "{}", said.err);
}

#[cfg(unix)]
#[test]
fn ctrl_c_keeps_what_is_done_and_the_next_run_goes_on() {
    use std::io::{BufRead, BufReader};
    use std::process::{Command, Stdio};
    let bench = Bench::new();
    for i in 0..200 {
        blank(&bench, &format!("in/{i:03}.png"), i);
    }
    let args = ["classify", "in", "--out", "r", "--json", "--threads", "1", "--no-report"];
    let mut child = bench.command().args(args).stdout(Stdio::piped()).stderr(Stdio::piped()).spawn().unwrap();
    let mut lines = BufReader::new(child.stdout.take().unwrap()).lines();
    // One picture is done: from here on something is kept, and the rest takes longer than the signal.
    let first_done = lines.by_ref().find(|l| l.as_ref().unwrap().contains("\"done\""));
    assert!(first_done.is_some());
    assert!(Command::new("kill").args(["-INT", &child.id().to_string()]).status().unwrap().success());
    let rest: Vec<String> = lines.map(Result::unwrap).collect();
    assert_eq!(child.wait().unwrap().code(), Some(130));
    assert!(rest.last().unwrap().contains("\"stopped\""));
    assert!(!bench.path("r/ends.csv").exists());
    let said = bench.run(&args);
    assert_eq!(said.code, Some(0));
    let kept = said.out.lines().filter(|l| l.contains("\"kept\":true")).count();
    assert!(0 < kept && kept < 200, "{kept}");
    assert_eq!(bench.column("r/images.csv", "status").len(), 200);
}

#[test]
fn wrong_options_name_what_is_wrong() {
    let bench = Bench::new();
    blank(&bench, "in/a.png", 90);
    bench.write("bad.toml", "[detect]\nmin_scoer = 1\n");
    bench.write("bad.json", "{}");
    let cases: [(&[&str], &str); 5] = [
        (&["--um-per-px=-1"], "--um-per-px: expected micrometres per pixel"),
        (&["--settings", "bad.toml"], "settings bad.toml: unknown field `min_scoer`"),
        (&["--settings", "none.toml"], "settings none.toml: cannot be read"),
        (&["--model", "bad.json"], "bad.json"),
        (&["--detector", "none.onnx"], "none.onnx"),
    ];
    for (extra, expected) in cases {
        let mut args = vec!["classify", "in", "--out", "r"];
        args.extend(extra);
        let said = bench.run(&args);
        assert_eq!(said.code, Some(2), "{extra:?}");
        assert!(said.err.contains(expected) && said.err.trim_end().lines().count() == 1, "{}", said.err);
        assert!(!bench.path("r/ends.csv").exists());
    }
}

#[test]
fn the_settings_that_are_printed_can_be_read_again() {
    let bench = Bench::new();
    let said = bench.run(&["settings"]);
    assert_eq!(said.code, Some(0));
    bench.write("s.toml", &said.out);
    assert_eq!(bench.run(&["settings", "--settings", "s.toml"]).out, said.out);
}

#[test]
fn the_demo_series_is_what_the_readme_says() {
    let readme = std::fs::read_to_string(repository("README.md")).unwrap();
    assert!(readme.contains("cargo run --release -- classify fixtures/demo/series.csv --out out/demo"));
    assert!(readme.contains("scripts/test"));
    assert!(fixture("demo/series.csv").is_file());
}
