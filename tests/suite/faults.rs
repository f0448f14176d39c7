//! Faults as they happen: killed runs, full and read-only disks, files that change, two runs at once. Real processes and
//! real file systems; what needs the right to mount is left out, and says so, where that right is missing.

use crate::driver::{Bench, Said};
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};
use std::time::Duration;

const TABLES: [&str; 7] =
    ["ends.csv", "images.csv", "specimens.csv", "sides.csv", "carriers.csv", "knots.csv", "pairs.csv"];

/// A small picture of noise: fast to work on, and its overlay does not shrink to nothing.
fn noise(bench: &Bench, name: &str, seed: u32) {
    let mut state = seed.wrapping_mul(2_654_435_761) | 1;
    let picture = image::GrayImage::from_fn(120, 96, |_, _| {
        state ^= state << 13;
        state ^= state >> 17;
        state ^= state << 5;
        image::Luma([(90 + state % 40) as u8])
    });
    picture.save_with_format(bench.write(name, b""), image::ImageFormat::Png).unwrap();
}

fn pictures(n: u32) -> Bench {
    let bench = Bench::new();
    (0..n).for_each(|i| noise(&bench, &format!("in/{i:03}.png"), i));
    bench
}

const RUN: [&str; 6] = ["classify", "in", "--out", "r", "--no-report", "--json"];

fn kept(said: &Said) -> usize {
    said.out.lines().filter(|l| l.contains("\"kept\":true")).count()
}

fn notes(said: &Said) -> String {
    said.out.lines().filter(|l| l.contains("\"note\"")).collect()
}

fn tables(bench: &Bench, folder: &str) -> Vec<Vec<u8>> {
    TABLES.iter().map(|name| bench.bytes(&format!("{folder}/{name}"))).collect()
}

/// Every file that has the name of a result is whole, whatever happened.
fn assert_nothing_half_written(folder: &Path) {
    for entry in walkdir::WalkDir::new(folder) {
        let entry = entry.unwrap();
        let name = entry.file_name().to_string_lossy().into_owned();
        if !entry.file_type().is_file() || name.starts_with('.') {
            continue;
        }
        let bytes = std::fs::read(entry.path()).unwrap();
        let whole = match entry.path().extension().and_then(|e| e.to_str()) {
            Some("png" | "jpg") => image::load_from_memory(&bytes).is_ok(),
            Some("json") => serde_json::from_slice::<serde_json::Value>(&bytes).is_ok(),
            _ => bytes.ends_with(b"\n"),
        };
        assert!(whole, "{} is half-written", entry.path().display());
    }
}

#[cfg(unix)]
#[test]
fn a_run_killed_at_any_moment_loses_nothing_that_was_finished() {
    let bench = pictures(24);
    let reference = bench.run(&["classify", "in", "--out", "reference", "--no-report"]);
    assert_eq!(reference.code, Some(0), "{}", reference.err);
    let mut n_kept = 0;
    let (mut cut_off, mut killed) = (0, 0);
    // Each try lives a little longer, until one lives to its end.
    for step in 1.. {
        let mut child = bench.command().args(RUN).stdout(Stdio::piped()).spawn().unwrap();
        std::thread::sleep(Duration::from_millis(25 * step));
        child.kill().unwrap();
        let output = child.wait_with_output().unwrap();
        let said = crate::driver::said(&output);
        assert!(n_kept <= kept(&said) || said.code.is_none());
        if bench.path("r").is_dir() {
            assert_nothing_half_written(&bench.path("r"));
            cut_off += usize::from(notes(&said).contains("cut off"));
            let finished = |e: &std::fs::DirEntry| e.path().extension().is_some_and(|x| x == "json");
            let now = std::fs::read_dir(bench.path("r/.cache")).map_or(0, |d| d.flatten().filter(finished).count());
            assert!(n_kept <= now, "{now} finished pictures after {n_kept}");
            n_kept = now;
        }
        if said.code == Some(0) {
            break;
        }
        killed += 1;
    }
    let last = bench.run(&RUN);
    assert_eq!((last.code, kept(&last), notes(&last).as_str()), (Some(0), 24, ""));
    assert!(0 < killed && 0 < cut_off, "{killed} killed, {cut_off} said so");
    assert_eq!(tables(&bench, "r"), tables(&bench, "reference"));
    let left = walkdir::WalkDir::new(bench.path("r")).into_iter().flatten();
    let left: Vec<PathBuf> =
        left.map(|e| e.path().to_owned()).filter(|p| p.to_string_lossy().contains("new-")).collect();
    assert!(left.is_empty(), "{left:?}");
}

#[test]
fn tables_that_were_not_all_exchanged_are_not_read() {
    let bench = pictures(2);
    assert_eq!(bench.run(&RUN).code, Some(0));
    // As a run leaves it that is killed between two tables, with a file that was being written.
    bench.write("r/.breakface-tables", "");
    bench.write("r/.breakface-lock", "running\n");
    bench.write("r/.breakface-new-abc", "image,spec");
    bench.write("r/overlays/.breakface-new-abc", "half");
    let said = bench.run(&["report", "r", "--out", "page.html"]);
    assert_eq!(said.code, Some(2));
    assert!(said.err.contains("r: a run was cut off while it put its tables there"), "{}", said.err);
    let said = bench.run(&RUN);
    assert_eq!((said.code, kept(&said)), (Some(0), 2));
    let expected = "r: an earlier run was cut off before its end; its tables were not all in place; \
        2 half-written files were removed; pictures that it finished are kept";
    assert!(notes(&said).contains(expected), "{}", said.out);
    assert!(!bench.path("r/.breakface-new-abc").exists() && !bench.path("r/overlays/.breakface-new-abc").exists());
    assert_eq!(bench.run(&["report", "r", "--out", "page.html"]).code, Some(0));
}

/// A file system of its own, for as long as the value lives.
struct Mount(PathBuf);

impl Mount {
    /// `None` where mounting is not permitted; then the reason is printed.
    fn new(place: PathBuf, options: &str) -> Option<Self> {
        std::fs::create_dir_all(&place).unwrap();
        let mounted = Command::new("mount").args(["-t", "tmpfs", "-o", options, "tmpfs"]).arg(&place).output();
        match mounted {
            Ok(output) if output.status.success() => Some(Self(place)),
            Ok(output) => {
                eprintln!("left out: {}", String::from_utf8_lossy(&output.stderr).trim());
                None
            }
            Err(e) => {
                eprintln!("left out: mount cannot be run: {e}");
                None
            }
        }
    }

    fn remount(&self, options: &str) {
        let options = format!("remount,{options}");
        assert!(Command::new("mount").args(["-o", &options]).arg(&self.0).status().unwrap().success());
    }
}

impl Drop for Mount {
    fn drop(&mut self) {
        let _ = Command::new("umount").arg(&self.0).status();
    }
}

#[test]
fn a_full_disk_ends_the_run_and_keeps_what_is_finished() {
    let bench = pictures(30);
    assert_eq!(bench.run(&["classify", "in", "--out", "reference", "--no-report"]).code, Some(0));
    let Some(disk) = Mount::new(bench.path("r"), "size=400k") else { return };
    let said = bench.run(&RUN);
    assert_eq!(said.code, Some(2), "{}", said.out);
    assert!(said.err.contains("cannot be written: No space left on device"), "{}", said.err);
    assert!(said.err.contains("check the rights and the space there") && said.err.lines().count() == 1, "{}", said.err);
    assert_nothing_half_written(&bench.path("r"));
    assert!(!bench.path("r/ends.csv").exists());
    disk.remount("size=16m");
    let said = bench.run(&RUN);
    assert_eq!(said.code, Some(0), "{}", said.err);
    assert!(0 < kept(&said) && kept(&said) < 30, "{}", kept(&said));
    assert!(notes(&said).contains("an earlier run was cut off"), "{}", said.out);
    assert_eq!(tables(&bench, "r"), tables(&bench, "reference"));
}

#[test]
fn a_disk_that_fills_up_at_the_end_leaves_the_old_tables() {
    let bench = pictures(12);
    let Some(disk) = Mount::new(bench.path("r"), "size=16m") else { return };
    assert_eq!(bench.run(&RUN).code, Some(0));
    let before = tables(&bench, "r");
    // Pictures are kept; only the tables need room, and there is none.
    let filler = bench.path("r/.filler");
    let mut length = 16_u64 << 20;
    while std::fs::write(&filler, vec![1; length as usize]).is_err() {
        length -= 4096;
    }
    let rows: String = (0..12).map(|i| format!("{i:03}.png,other\n")).collect();
    bench.write("in/series.csv", format!("image,specimen\n{rows}"));
    let said = bench.run(&RUN);
    assert_eq!(said.code, Some(2), "{}", said.out);
    assert!(said.err.contains("No space left on device"), "{}", said.err);
    assert_eq!(tables(&bench, "r"), before);
    assert_nothing_half_written(&bench.path("r"));
    std::fs::remove_file(filler).unwrap();
    assert_eq!(bench.run(&RUN).code, Some(0));
    assert_eq!(bench.column("r/images.csv", "specimen"), ["other"; 12]);
    drop(disk);
}

#[test]
fn a_read_only_place_is_said_at_once_and_another_file_system_is_no_matter() {
    let bench = pictures(2);
    let Some(disk) = Mount::new(bench.path("r"), "size=4m") else { return };
    assert_eq!(bench.run(&RUN).code, Some(0));
    let before = tables(&bench, "r");
    disk.remount("ro");
    let said = bench.run(&RUN);
    assert_eq!(said.code, Some(2), "{}", said.out);
    assert!(said.err.contains("r: cannot be written") && said.err.contains("Read-only file system"), "{}", said.err);
    assert!(!said.out.contains("\"done\""));
    assert_eq!(tables(&bench, "r"), before);
    // Results on a read-only disk can still be looked at.
    assert_eq!(bench.run(&["report", "r", "--out", "page.html"]).code, Some(0));
}

#[test]
fn overlays_and_kept_results_may_lie_on_other_disks() {
    let bench = pictures(3);
    let Some(_overlays) = Mount::new(bench.path("r/overlays"), "size=4m") else { return };
    let Some(_cache) = Mount::new(bench.path("r/.cache"), "size=4m") else { return };
    let mut forced = RUN.to_vec();
    forced.push("--force");
    let said = bench.run(&forced);
    assert_eq!(said.code, Some(0), "{}", said.err);
    assert_eq!(kept(&bench.run(&RUN)), 3);
}

#[cfg(unix)]
#[test]
fn pictures_that_go_or_change_during_a_run_are_told_and_taken_up_later() {
    use std::io::{BufRead, BufReader};
    let bench = pictures(60);
    let mut args = RUN.to_vec();
    args.extend(["--threads", "1"]);
    let mut child = bench.command().args(&args).stdout(Stdio::piped()).stderr(Stdio::piped()).spawn().unwrap();
    let mut lines = BufReader::new(child.stdout.take().unwrap()).lines();
    assert!(lines.by_ref().any(|l| l.unwrap().contains("\"done\"")));
    // Pictures are worked on by name: these are still to come.
    std::fs::remove_file(bench.path("in/058.png")).unwrap();
    noise(&bench, "in/059.png", 1000);
    let rest: Vec<String> = lines.map(Result::unwrap).collect();
    let output = child.wait_with_output().unwrap();
    assert_eq!(output.status.code(), Some(3));
    let said = String::from_utf8_lossy(&output.stderr).into_owned();
    assert!(said.contains("in/058.png: cannot be opened: there is no such file"), "{said}");
    assert!(rest.last().unwrap().contains("\"finished\""));
    let row = |name: &str, column: &str| {
        let index = bench.column("r/images.csv", "image").iter().position(|i| i == name).unwrap();
        bench.column("r/images.csv", column).swap_remove(index)
    };
    assert_eq!(row("058.png", "status"), "failed");
    // What is said of a picture belongs to the bytes that were measured.
    let hash = blake3_of(&bench.bytes("in/059.png"));
    assert_eq!(row("059.png", "content_hash"), hash);
    noise(&bench, "in/058.png", 58);
    noise(&bench, "in/059.png", 59);
    let said = bench.run(&RUN);
    assert_eq!((said.code, kept(&said)), (Some(0), 58));
}

fn blake3_of(bytes: &[u8]) -> String {
    blake3::hash(bytes).to_hex().to_string()
}

#[test]
fn the_report_shows_no_picture_that_was_exchanged_after_the_run() {
    let bench = Bench::new();
    bench.copy("demo/TC-S01-A_3.jpg", "in/a.jpg");
    assert_eq!(bench.run(&["classify", "in", "--out", "r", "--no-overlays", "--no-report"]).code, Some(0));
    let shown = |said: &Said| said.err.contains("1 not reached");
    assert!(!shown(&bench.run(&["report", "r", "--out", "a.html"])));
    bench.copy("demo/TC-B01-A_3.jpg", "in/a.jpg");
    assert!(shown(&bench.run(&["report", "r", "--out", "b.html"])));
}

#[test]
fn two_runs_at_once_do_not_mix() {
    let bench = pictures(40);
    let spawn =
        || bench.command().args(RUN).stdout(Stdio::piped()).stderr(Stdio::piped()).spawn().unwrap().wait_with_output();
    let (a, b) = std::thread::scope(|scope| {
        let a = scope.spawn(spawn);
        let b = scope.spawn(spawn);
        (a.join().unwrap().unwrap(), b.join().unwrap().unwrap())
    });
    let mut codes = [a.status.code(), b.status.code()];
    codes.sort();
    assert!(codes == [Some(0), Some(2)] || codes == [Some(0), Some(0)], "{codes:?}");
    let said = [a, b].map(|o| String::from_utf8_lossy(&o.stderr).into_owned()).concat();
    if codes[1] == Some(2) {
        assert!(said.contains("r: another run is writing there"), "{said}");
    }
    assert_eq!(bench.column("r/images.csv", "status").len(), 40);
}
