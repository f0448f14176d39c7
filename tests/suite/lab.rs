//! A day in the lab through the real program: names and tables to begin with, plans, lists, a camera folder, the answer.

use crate::driver::{Bench, said};
use crate::review::results;
use std::process::{Child, Command, Stdio};
use std::time::{Duration, Instant};

/// A small picture without ends: fast where only the handling of files is tested.
fn blank(bench: &Bench, name: &str, grey: u8) {
    let picture =
        image::GrayImage::from_fn(96, 80, |x, y| image::Luma([grey.wrapping_add(((x * 7 + y * 13) % 5) as u8)]));
    picture.save_with_format(bench.write(name, b""), image::ImageFormat::Png).unwrap();
}

#[test]
fn specimens_come_from_names_and_a_table_to_fill_in_is_written() {
    let bench = Bench::new();
    for (i, name) in ["TC-P07-A_1.png", "TC-P07-A_2.png", "sub/TC-S01-A_1.png", "odd.png"].iter().enumerate() {
        blank(&bench, &format!("in/{name}"), 80 + i as u8);
    }
    let plan = bench.run(&["classify", "in", "-o", "r", "--specimen-from", "{specimen}_{*}", "--dry-run"]);
    assert_eq!(plan.code, Some(0), "{}", plan.err);
    assert!(
        plan.out.contains("TC-P07-A_2.png  specimen TC-P07-A") && plan.out.contains("nothing was done"),
        "{}",
        plan.out
    );
    assert!(plan.err.contains("1 picture does not fit") && plan.err.contains("odd.png"), "{}", plan.err);
    assert!(!bench.path("r").exists());
    let lines = bench.run(&["classify", "in", "-o", "r", "--specimen-from", "{specimen}_{*}", "-n", "--json"]).out;
    let specimens: Vec<String> =
        lines.lines().map(|l| serde_json::from_str::<serde_json::Value>(l).unwrap()["specimen"].to_string()).collect();
    assert_eq!(specimens, ["\"TC-P07-A\"", "\"TC-P07-A\"", "\"odd\"", "\"TC-S01-A\""]);

    let said = bench.run(&["series", "in", "--specimen-from", "{specimen}_{*}", "--um-per-px", "0.5"]);
    assert_eq!(said.code, Some(0), "{}", said.err);
    assert!(said.out.contains("4 pictures of 3 specimens"), "{}", said.out);
    assert_eq!(bench.column("in/series.csv", "specimen"), ["TC-P07-A", "TC-P07-A", "odd", "TC-S01-A"]);
    assert_eq!(bench.column("in/series.csv", "um_per_px"), ["0.5"; 4]);
    // Never over a table that somebody has filled in; and the table is ready to be used.
    assert_eq!(bench.run(&["series", "in"]).code, Some(2));
    let said = bench.run(&["classify", "in/series.csv", "-o", "r", "-q", "--no-report"]);
    assert_eq!((said.code, said.err.as_str()), (Some(0), ""));
    assert_eq!(bench.column("r/images.csv", "specimen"), ["TC-P07-A", "TC-P07-A", "odd", "TC-S01-A"]);
    let said = bench.run(&["classify", "in", "-o", "r", "--specimen-from", "{specimen}"]);
    assert!(said.code == Some(2) && said.err.contains("leave --specimen-from out"), "{}", said.err);
    assert_eq!(bench.run(&["classify", "in", "-o", "r", "--specimen-from", "{speciman}"]).code, Some(2));
}

#[test]
fn a_list_on_standard_input_names_the_pictures() {
    use std::io::Write;
    let bench = Bench::new();
    blank(&bench, "in/a b.png", 80);
    blank(&bench, "in/c.png", 90);
    for list in ["in/a b.png\nin/c.png\n", "in/a b.png\0in/c.png\0"] {
        let mut command = bench.command();
        command.args(["classify", "-", "-o", "r", "--no-report", "--progress", "-f"]);
        let mut child = command.stdin(Stdio::piped()).stdout(Stdio::piped()).stderr(Stdio::piped()).spawn().unwrap();
        child.stdin.take().unwrap().write_all(list.as_bytes()).unwrap();
        let said = said(&child.wait_with_output().unwrap());
        assert_eq!(said.code, Some(0), "{}", said.err);
        assert!(said.err.contains("2 of 2 pictures"), "{}", said.err);
        assert_eq!(bench.column("r/images.csv", "image"), ["a b.png", "c.png"]);
    }
}

#[test]
fn the_last_lines_are_the_answer() {
    let bench = Bench::new();
    bench.copy("demo/TC-S01-A_3.jpg", "in/TC-S01-A_3.jpg");
    bench.copy("demo/TC-B01-A_3.jpg", "in/TC-B01-A_3.jpg");
    let table = "image,specimen,kind,knot\nTC-S01-A_3.jpg,TC-S01-A,cut,\nTC-B01-A_3.jpg,TC-B01-A,knot,palomar\n";
    bench.write("in/series.csv", table);
    let said = bench.run(&["classify", "in/series.csv", "-o", "r"]);
    assert_eq!(said.code, Some(0), "{}", said.err);
    let (files, answer) = said.out.split_once("\n\n").unwrap();
    assert!(files.starts_with("2 pictures, ") && files.contains("Report: "), "{files}");
    let specimen = answer.lines().find(|l| l.starts_with("TC-B01-A")).unwrap();
    assert!(specimen.contains("palomar") && specimen.contains("labelled ends sheared"), "{specimen}");
    // A figure that is not the share of labelled ends says so.
    let basis = bench.column("r/specimens.csv", "basis");
    let told = answer.lines().filter(|l| l.starts_with("TC-") && l.contains("corrected by")).count();
    assert_eq!(told, basis.iter().filter(|b| *b != "raw" && !b.is_empty()).count(), "{answer}");
    assert!(
        answer.contains("Knots:\n") && (answer.contains("Look at:") || answer.contains("Nothing was flagged")),
        "{answer}"
    );
    assert!(!answer.contains("1 specimens") && !answer.contains("1 pictures"), "{answer}");
}

#[test]
fn a_report_goes_into_its_folder() {
    let bench = Bench::new();
    results(&bench.path("r"));
    let said = bench.run(&["report", "r"]);
    assert_eq!(said.code, Some(0), "{}", said.err);
    assert!(bench.path("r/report.html").is_file() && !bench.path("report.html").exists());
}

#[cfg(unix)]
#[test]
fn files_have_the_rights_that_the_user_gives_new_files() {
    use std::os::unix::fs::PermissionsExt;
    let bench = Bench::new();
    blank(&bench, "in/a.png", 80);
    for (mask, expected) in [("027", 0o640), ("002", 0o664)] {
        let script = format!("umask {mask}; rm -rf r; exec \"$0\" classify in -o r -q");
        let program = env!("CARGO_BIN_EXE_breakface");
        let status = bench.command_of("sh").args(["-c", &script, program]).status().unwrap();
        assert!(status.success());
        for name in ["r/ends.csv", "r/run.json", "r/report.html", "r/overlays/a.png.jpg"] {
            let mode = std::fs::metadata(bench.path(name)).unwrap().permissions().mode();
            assert_eq!(mode & 0o777, expected, "{name} under {mask}");
        }
    }
}

#[test]
fn twelve_calibrations_at_once_are_all_kept() {
    let bench = Bench::new();
    bench.write("calibrations.csv", "name,who,um_per_px,u_um_per_px,date,source\n2x,Mara,3,,,ruling\n");
    // Bars of 10 px, 20 px from middle to middle.
    let ruled = image::GrayImage::from_fn(640, 480, |x, _| image::Luma([if x % 20 < 10 { 60 } else { 200 }]));
    ruled.save(bench.write("ruled.png", "")).unwrap();
    let start = |n: usize| {
        let name = format!("{n}x");
        let mut command = bench.command();
        command.args(["calibrate", "ruling", "ruled.png", "--pitch-um", "10", "--json", "--list", "calibrations.csv"]);
        command.args(["--name", &name]).stdout(Stdio::piped()).stderr(Stdio::piped()).spawn().unwrap()
    };
    let children: Vec<Child> = (10..22).map(start).collect();
    for child in children {
        let said = said(&child.wait_with_output().unwrap());
        assert_eq!(said.code, Some(0), "{}", said.err);
        let value: serde_json::Value = serde_json::from_str(&said.out).unwrap();
        assert!((value["um_per_px"].as_f64().unwrap() - 0.5).abs() < 1e-3);
    }
    assert_eq!(bench.column("calibrations.csv", "name").len(), 13);
    assert_eq!(bench.column("calibrations.csv", "who")[0], "Mara");
}

/// Waits until the table has so many rows.
fn wait_for(bench: &Bench, rows: usize) {
    let start = Instant::now();
    let there = || bench.path("r/images.csv").exists() && bench.column("r/images.csv", "image").len() == rows;
    while !there() {
        assert!(start.elapsed() < Duration::from_secs(60), "no {rows} pictures after a minute");
        std::thread::sleep(Duration::from_millis(50));
    }
}

fn watch(bench: &Bench) -> Child {
    let mut command = bench.command();
    command.args(["watch", "in", "-o", "r", "--every", "0.3", "--no-report"]);
    command.stdout(Stdio::piped()).stderr(Stdio::piped()).spawn().unwrap()
}

#[cfg(unix)]
#[test]
fn a_watched_folder_is_classified_as_it_fills_and_a_kill_loses_nothing() {
    let bench = Bench::new();
    std::fs::create_dir(bench.path("in")).unwrap();
    let mut child = watch(&bench);
    let told = child.stderr.take().unwrap();
    blank(&bench, "first.png", 80);
    let bytes = bench.bytes("first.png");
    // A camera writes its file piece by piece: the picture waits until it has stopped growing.
    bench.write("in/first.png", "");
    for piece in bytes.chunks(bytes.len().div_ceil(10)) {
        let mut file = std::fs::OpenOptions::new().append(true).open(bench.path("in/first.png")).unwrap();
        std::io::Write::write_all(&mut file, piece).unwrap();
        std::thread::sleep(Duration::from_millis(100));
    }
    wait_for(&bench, 1);
    blank(&bench, "in/second.png", 90);
    wait_for(&bench, 2);
    child.kill().unwrap();
    child.wait().unwrap();
    let told = std::io::read_to_string(told).unwrap();
    let blamed = ["damaged", "cannot be read", "could not be read"].iter().any(|word| told.contains(word));
    assert!(!blamed, "half a picture is nobody's fault: {told}");
    blank(&bench, "in/third.png", 100);
    let child = watch(&bench);
    wait_for(&bench, 3);
    assert_eq!(bench.column("r/images.csv", "status"), ["done"; 3]);
    // The first signal ends it cleanly; the tables are whole.
    assert!(Command::new("kill").args(["-INT", &child.id().to_string()]).status().unwrap().success());
    let said = said(&child.wait_with_output().unwrap());
    assert_eq!(said.code, Some(0), "{}", said.err);
    let once = bench.run(&["classify", "in", "-o", "once", "-q", "--no-report"]);
    assert_eq!(once.code, Some(0));
    for table in ["images.csv", "ends.csv", "specimens.csv"] {
        assert_eq!(bench.bytes(&format!("r/{table}")), bench.bytes(&format!("once/{table}")), "{table}");
    }
    let idle = bench.run(&["watch", "in", "-o", "r", "--every", "0.2", "--until-idle", "0.5", "--no-report"]);
    assert_eq!(idle.code, Some(0), "{}", idle.err);
}

/// A picture taken away would take its results along, a table half written says nothing: both are said, neither ends the watch,
/// and what was classified stays.
#[test]
fn a_watch_outlives_what_is_wrong_for_a_while() {
    let bench = Bench::new();
    for (name, side) in [("in/first.png", 80), ("in/second.png", 90)] {
        blank(&bench, name, side);
    }
    let mut child = watch(&bench);
    let told = child.stderr.take().unwrap();
    wait_for(&bench, 2);
    let away = bench.bytes("in/second.png");
    std::fs::remove_file(bench.path("in/second.png")).unwrap();
    blank(&bench, "in/third.png", 100);
    std::thread::sleep(Duration::from_millis(1500));
    assert_eq!(bench.column("r/images.csv", "image"), ["first.png", "second.png"]);
    std::fs::write(bench.path("in/second.png"), away).unwrap();
    wait_for(&bench, 3);
    bench.write("in/series.csv", "image,specimen\nfirst.png,\"A\nsecond.png,B\nthird.png,C\n");
    std::thread::sleep(Duration::from_millis(1500));
    bench.write("in/series.csv", "image,specimen\nfirst.png,A\nsecond.png,B\nthird.png,C\n");
    let until = Instant::now() + Duration::from_secs(60);
    while bench.column("r/images.csv", "specimen") != ["A", "B", "C"] {
        assert!(Instant::now() < until, "the table was not read again");
        std::thread::sleep(Duration::from_millis(100));
    }
    assert!(Command::new("kill").args(["-INT", &child.id().to_string()]).status().unwrap().success());
    assert_eq!(child.wait().unwrap().code(), Some(0));
    let told = std::io::read_to_string(told).unwrap();
    assert!(told.contains("1 of them (second.png) would go"), "{told}");
    assert!(told.contains("series.csv") && told.contains("until then nothing new"), "{told}");
    std::fs::remove_file(bench.path("in/third.png")).unwrap();
    std::fs::remove_file(bench.path("in/series.csv")).unwrap();
    // With an end in sight it ends, and says that not all is well.
    let idle = bench.run(&["watch", "in", "-o", "r", "--every", "0.2", "--until-idle", "0.5", "--no-report"]);
    assert_eq!(idle.code, Some(2), "{}", idle.err);
}

#[test]
fn every_subcommand_is_told_in_the_readme_and_short_options_are_shared() {
    let bench = Bench::new();
    let help = bench.run(&["--help"]).out;
    let readme = std::fs::read_to_string(crate::driver::repository("README.md")).unwrap();
    let commands = help.lines().skip_while(|l| !l.starts_with("Commands:")).skip(1).take_while(|l| !l.is_empty());
    // What wraps is set further in.
    let first = commands.filter(|l| l.starts_with("  ") && !l.starts_with("   "));
    let names: Vec<&str> = first.filter_map(|l| l.split_whitespace().next()).filter(|n| *n != "help").collect();
    assert!(names.len() > 10 && names.contains(&"watch") && !names.contains(&"features"), "{names:?}");
    for name in names {
        assert!(readme.contains(&format!("| `{name}")), "{name} is missing in README.md");
    }
    for (command, options) in [
        ("classify", &["-o", "-f", "-q", "-n", "-m", "-s", "-t", "-u"][..]),
        ("watch", &["-o", "-q", "-m", "-s", "-t", "-u"]),
        ("train", &["-o", "-f", "-s", "-l"]),
        ("evaluate", &["-m", "-s", "-l"]),
        ("review", &["-l", "-m", "-p"]),
        ("report", &["-o", "-s"]),
    ] {
        let help = bench.run(&[command, "--help"]).out;
        for option in options {
            assert!(help.contains(&format!("  {option},")), "{command} {option}");
        }
    }
}

/// A focus series is a folder, and no file shows what was classified: its frames are merged again for whoever looks.
#[test]
fn a_focus_series_is_looked_at_like_any_picture() {
    let bench = Bench::new();
    let whole = image::open(crate::driver::fixture("demo/TC-S01-A_3.jpg")).unwrap();
    for (name, picture) in [("in/frames/1.png", &whole), ("in/frames/2.png", &whole.blur(3.0))] {
        picture.save(bench.write(name, "")).unwrap();
    }
    bench.write("in/series.csv", "image,specimen,um_per_px\nframes,S,1.2\n");
    assert_eq!(bench.run(&["classify", "in/series.csv", "-o", "r", "-q"]).code, Some(0));
    assert!(bench.read("r/report.html").contains("data:image/jpeg;base64,"));
    let end = bench.column("r/ends.csv", "end").swap_remove(0);
    let said = bench.run(&["explain", "r", &format!("frames#{end}"), "--crop", "end.png"]);
    assert_eq!(said.code, Some(0), "{}", said.err);
    assert!(image::open(bench.path("end.png")).unwrap().to_luma8().pixels().any(|p| 60 < p.0[0]));

    let review = |bench: &Bench| {
        let mut command = bench.command();
        command.args(["review", "r", "--no-open", "--labeller", "Ann"]);
        crate::review::Server::start_with(command)
    };
    let crop = "/api/picture/0/crop?x=200&y=200&axis=-90&span=40&size=64&at=0.5";
    let server = review(&bench);
    let (status, answer) = server.get(crop);
    assert_eq!(status, 200, "{answer}");
    assert_eq!(server.get("/api/picture/0/tile/0/0/0").0, 200);
    drop(server);
    // Another frame, another picture.
    whole.blur(1.0).save(bench.path("in/frames/2.png")).unwrap();
    let (status, answer) = review(&bench).get(crop);
    assert!(status == 500 && answer.contains("not the picture that was classified"), "{status} {answer}");
}
