//! A run in parts, through the real binary: each picture once, the whole as if it had been one run.

use crate::driver::{Bench, Said};

/// Every table of a run.
const TABLES: [&str; 7] = ["ends", "images", "specimens", "sides", "carriers", "knots", "pairs"];

/// A series with much that could go wrong when it is shared out: pictures of one place, columns to pass through (one of
/// them a formula), a load with many digits, an absent picture, a damaged one, and rows that cannot be used.
fn series() -> Bench {
    let bench = Bench::new();
    let names = ["TC-S01-A_1", "TC-S01-A_2", "TC-S01-A_3", "TC-B01-A_1", "TC-C04-A_1", "TC-C05-A_3"];
    for name in names {
        bench.copy(&format!("demo/{name}.jpg"), &format!("in/{name}.jpg"));
    }
    bench.write("in/damaged.jpg", &bench.bytes("in/TC-S01-A_1.jpg")[..9000]);
    bench.write(
        "in/series.csv",
        "image,specimen,kind,knot,um_per_px,carriers,peak_load_n,count,note,=x\n\
         TC-S01-A_1.jpg,S1,cut,,1.18154321,8,,yes,first,1\n\
         TC-S01-A_2.jpg,S1,cut,,1.18154321,8,,yes,,2\n\
         TC-S01-A_3.jpg,S1,cut,,0.59077,8,,yes,\"a \"\"third\"\"\",3\n\
         TC-B01-A_1.jpg,B1,pull,,1.18154,8,438.123456789,yes,,\n\
         TC-C04-A_1.jpg,C4,knot,improved clinch,1.18154,8,301.987654321,yes,,=1+1\n\
         TC-C05-A_3.jpg,C5,knot,improved clinch,0.59077,8,299.5,no,,\n\
         damaged.jpg,C5,knot,improved clinch,0.59077,8,299.5,yes,,\n\
         absent.jpg,C5,knot,improved clinch,0.59077,8,299.5,yes,,\n\
         TC-S01-A_1.jpg,S9,cut,,1,8,,yes,,\n\
         odd.jpg,S9,cat,,1,8,,yes,,\n",
    );
    bench
}

fn classify(bench: &Bench, out: &str, more: &[&str]) -> Said {
    let mut args = vec!["classify", "in/series.csv", "--out", out, "--no-report"];
    args.extend(more);
    bench.run(&args)
}

/// Runs all parts of the series.
fn parts(bench: &Bench, of: u32) -> Vec<String> {
    let folder = |i| format!("part{i}of{of}");
    for index in 1..=of {
        let said = classify(bench, &folder(index), &["--shard", &format!("{index}/{of}"), "--threads", "2"]);
        assert!([Some(0), Some(2), Some(3)].contains(&said.code), "{}", said.err);
        assert!(!said.err.contains("panicked"), "{}", said.err);
    }
    (1..=of).map(folder).collect()
}

fn merge(bench: &Bench, parts: &[impl AsRef<str>], out: &str) -> Said {
    let mut args = vec!["merge"];
    args.extend(parts.iter().map(AsRef::as_ref));
    args.extend(["--out", out, "--no-report", "--parquet"]);
    bench.run(&args)
}

fn assert_same(bench: &Bench, a: &str, b: &str) {
    for name in TABLES {
        for kind in ["csv", "parquet"] {
            let (a, b) = (format!("{a}/{name}.{kind}"), format!("{b}/{name}.{kind}"));
            assert!(bench.bytes(&a) == bench.bytes(&b), "{a} and {b} differ");
        }
    }
}

#[test]
fn parts_joined_are_one_run_byte_for_byte() {
    let bench = series();
    let whole = classify(&bench, "whole", &["--parquet"]);
    assert_eq!(whole.code, Some(2), "{}", whole.err);
    for of in [3, 11] {
        let mut parts = parts(&bench, of);
        parts.reverse();
        let out = format!("joined{of}");
        let said = merge(&bench, &parts, &out);
        assert_eq!(said.code, Some(2), "{}", said.err);
        assert_same(&bench, "whole", &out);
        let run = |folder: &str| -> serde_json::Value {
            serde_json::from_str(&bench.read(&format!("{folder}/run.json"))).unwrap()
        };
        for field in ["inputs", "settings", "model", "detector", "version", "features", "warnings"] {
            assert_eq!(run("whole")[field], run(&out)[field], "{field}");
        }
        assert!(bench.path(&out).join("overlays/TC-S01-A_1.jpg.jpg").is_file());
    }
    // Every picture is in one part only, and no part pretends to know a score.
    let rows: usize = (1..=3).map(|i| bench.table(&format!("part{i}of3/images.csv")).1.len()).sum();
    assert_eq!(rows, bench.table("whole/images.csv").1.len());
    assert!(!bench.path("part1of3/specimens.csv").exists() && !bench.path("part1of3/knots.csv").exists());
    // Results that were kept come along: the whole goes on from there.
    let again = classify(&bench, "joined3", &["--json"]);
    assert_eq!(again.out.lines().filter(|l| l.contains("\"kept\":true")).count(), 6, "{}", again.out);
    // A passed-through name that a spreadsheet would run is defused, and comes back.
    let (header, _) = bench.table("whole/images.csv");
    assert!(header.contains(&"'=x".to_owned()), "{header:?}");
    let results = breakface::results::Results::load(&bench.path("joined3")).unwrap();
    let extra = &results.image("TC-C04-A_1.jpg").unwrap().series.extra;
    assert!(extra.contains(&("=x".into(), "=1+1".into())), "{extra:?}");
}

#[test]
fn what_does_not_belong_together_is_not_joined() {
    let bench = series();
    for name in ["TC-S01-A_2", "TC-S01-A_3", "TC-B01-A_1", "TC-C04-A_1", "TC-C05-A_3"] {
        std::fs::remove_file(bench.path(&format!("in/{name}.jpg"))).unwrap();
    }
    bench.copy("demo/TC-S02-A_3.jpg", "in/TC-S01-A_2.jpg");
    let table = "image,specimen\nTC-S01-A_1.jpg,S1\nTC-S01-A_2.jpg,S1\n";
    bench.write("in/series.csv", table);
    parts(&bench, 2);
    let refused = |parts: &[&str], expected: &str| {
        let said = merge(&bench, parts, "out");
        assert_eq!(said.code, Some(2), "{parts:?}");
        assert!(said.err.contains(expected) && said.err.lines().count() == 1, "{expected}: {}", said.err);
        assert!(!bench.path("out/ends.csv").exists());
    };
    refused(&["part1of2"], "part 2 of 2 is missing");
    refused(&["part1of2", "part2of2", "part1of2"], "part1of2: is part 1, and so is part1of2");
    refused(&["part1of2", "nowhere"], "nowhere: no results there");
    assert_eq!(classify(&bench, "whole", &[]).code, Some(0));
    refused(&["part1of2", "whole"], "whole: holds a whole run");
    let said = bench.run(&["merge", "part1of2", "part2of2", "--out", "part1of2"]);
    assert!(said.err.contains("is both a part and the folder for the whole"), "{}", said.err);

    // Another setting, another scale, another list of pictures.
    let other = |more: &[&str]| {
        let mut args = vec!["--shard", "2/2"];
        args.extend(more);
        assert_eq!(classify(&bench, "other", &args).code, Some(0));
    };
    bench.write("s.toml", "[detect]\nmin_score = 0.9\n");
    other(&["--settings", "s.toml"]);
    refused(&["part1of2", "other"], "other: its settings differs from that of part1of2");
    other(&["--um-per-px", "0.5"]);
    refused(&["part1of2", "other"], "other: its scale for all pictures differs");
    bench.write("in/series.csv", format!("{table}third.jpg,S1\n"));
    other(&[]);
    refused(&["part1of2", "other"], "other: its number of pictures in the whole differs");
    bench.write("in/series.csv", table.replace("A_1.jpg,S1", "A_1.jpg,S2"));
    other(&[]);
    refused(&["part1of2", "other"], "other: its list of pictures or series table differs");
    bench.write("in/series.csv", table);

    // A part that was changed after its run, or never reached its end.
    let ends = bench.read("part2of2/ends.csv");
    let fewer: Vec<&str> = ends.lines().take(ends.lines().count() - 1).collect();
    bench.write("part2of2/ends.csv", fewer.join("\r\n"));
    refused(&["part1of2", "part2of2"], "part2of2: ends.csv does not hold the ends that were found");
    bench.write("part2of2/ends.csv", ends);
    bench.write("part2of2/.breakface-lock", "running\n");
    refused(&["part1of2", "part2of2"], "part2of2: its run did not reach its end");
    bench.write("part2of2/.breakface-lock", "finished\n");
    let lock = std::fs::File::open(bench.path("part2of2/.breakface-lock")).unwrap();
    lock.lock().unwrap();
    refused(&["part1of2", "part2of2"], "part2of2: a run is still writing there");
    lock.unlock().unwrap();
    assert_eq!(merge(&bench, &["part1of2", "part2of2"], "out").code, Some(0));
}

/// Somebody has labelled in a part before the parts were joined.
#[test]
fn hand_labels_of_a_part_come_along() {
    let bench = Bench::new();
    for name in ["TC-S01-A_3", "TC-B01-A_3"] {
        bench.copy(&format!("demo/{name}.jpg"), &format!("in/{name}.jpg"));
    }
    let folders: Vec<String> = (1..=2).map(|i| format!("part{i}")).collect();
    for (i, folder) in folders.iter().enumerate() {
        let shard = format!("{}/2", i + 1);
        let said =
            bench.run(&["classify", "in", "--out", folder, "--no-report", "--shard", &shard, "-q", "-u", "0.59"]);
        assert_eq!(said.code, Some(0), "{}", said.err);
    }
    let (header, rows) = bench.table("part2/ends.csv");
    let cell = |name: &str| rows[0][header.iter().position(|h| h == name).unwrap()].clone();
    let label = format!(
        "image,x_px,y_px,label,labeller,when,action,end\n{},{},{},unclear,Mara,2026-01-01T00:00:00Z,label,1\n",
        cell("image"),
        cell("x_px"),
        cell("y_px")
    );
    bench.write("part2/labels.csv", &label);
    // Joined twice, each label is there once.
    for _ in 0..2 {
        let said = merge(&bench, &folders, "joined");
        assert_eq!(said.code, Some(0), "{}", said.err);
        assert_eq!(bench.column("joined/labels.csv", "labeller"), ["Mara"]);
    }
    let by_hand: Vec<String> = bench.column("joined/ends.csv", "label_hand");
    assert_eq!(by_hand.iter().filter(|l| *l == "unclear").count(), 1, "{by_hand:?}");
    assert_eq!(bench.read("part2/labels.csv"), label);
}

#[test]
fn a_part_is_named_as_i_of_n() {
    let bench = Bench::new();
    for text in ["0/2", "3/2", "x", "1/0"] {
        let said = bench.run(&["classify", "in", "--out", "r", "--shard", text]);
        assert_eq!(said.code, Some(2), "{text}");
        assert!(said.err.contains("expected I/N with 1 <= I <= N"), "{}", said.err);
    }
}
