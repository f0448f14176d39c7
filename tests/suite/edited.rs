//! Tables that people have edited, and parts that do not belong together: what cannot be right is named, nothing hangs.

use crate::driver::{Bench, Said};
use crate::review::results;

/// A small flat picture, another for every grey.
fn flat(bench: &Bench, name: &str, grey: u8) {
    let picture = image::GrayImage::from_fn(90, 70, |x, y| image::Luma([grey + ((x * 7 + y * 3) % 5) as u8]));
    picture.save_with_format(bench.write(name, b""), image::ImageFormat::Png).unwrap();
}

fn refused(said: &Said, expected: &str) {
    assert!(said.code == Some(2) && said.err.contains(expected), "{expected}: {:?} {}", said.code, said.err);
}

#[test]
fn labels_outside_their_picture_do_not_count_and_are_told() {
    let bench = Bench::new();
    flat(&bench, "in/a.png", 90);
    let run = |bench: &Bench| bench.run(&["classify", "in", "--out", "r"]);
    assert_eq!(run(&bench).code, Some(0));
    let n_found = bench.column("r/ends.csv", "end").len();
    let header = "image,x_px,y_px,label,labeller,when,action,end\n";
    bench.write(
        "r/labels.csv",
        format!("{header}a.png,1e308,1e308,sheared,Bo,,add,+1\na.png,9000,5,sheared,Bo,,add,+2\n"),
    );
    let said = run(&bench);
    assert_eq!(said.code, Some(0), "{}", said.err);
    assert!(
        said.err.contains("labels.csv has labels outside 1 picture, e.g. a.png: they do not count"),
        "{}",
        said.err
    );
    assert_eq!(bench.column("r/ends.csv", "end").len(), n_found);
    bench.write("r/labels.csv", format!("{header}a.png,80,5,sheared,Bo,,label,77\n"));
    let said = run(&bench);
    assert!(said.err.contains("1 of them where this run has found none"), "{}", said.err);
    assert_eq!(bench.column("r/ends.csv", "end").len(), n_found + 1);
    bench.write("r/labels.csv", "image,x_px,y_px,label,label\na.png,80,5,sheared,tensile\n");
    refused(&run(&bench), "labels.csv: column label is there twice; keep one of them");
}

#[test]
fn rows_are_counted_as_an_editor_counts_them_whatever_ends_a_line() {
    let bench = Bench::new();
    flat(&bench, "in/a.png", 90);
    flat(&bench, "in/b.png", 120);
    for end in ["\n", "\r\n"] {
        bench.write("in/series.csv", ["image,specimen,um_per_px", "a.png,A,1", "b.png,B,abc", ""].join(end));
        let said = bench.run(&["classify", "in", "--out", "r", "--no-report"]);
        refused(&said, "series.csv, row 3, column um_per_px");
        bench.write("r/labels.csv", ["image,x_px,y_px,label", "a.png,1,2,sheared", "a.png,1,2,odd", ""].join(end));
        refused(&bench.run(&["review", "r", "--no-open"]), "labels.csv, line 3, column label");
        bench.write("t.csv", ["image,x_px,y_px,label", "a.png,1,2,sheared", "a.png,1,x,sheared", ""].join(end));
        refused(&bench.run(&["train", "--ends", "t.csv", "--out", "m.json"]), "t.csv, row 3, column y_px");
        std::fs::remove_file(bench.path("r/labels.csv")).unwrap();
    }
}

/// A plot over such a range once took for ever.
#[test]
fn numbers_that_no_plot_can_show_leave_the_report_without_it() {
    let bench = Bench::new();
    for column in ["bulb_ratio", "x_px", "cut_angle_deg"] {
        results(&bench.path("r"));
        let (header, mut rows) = bench.table("r/ends.csv");
        let place = header.iter().position(|h| h == column).unwrap();
        let angle = header.iter().position(|h| h == "cut_angle_deg").unwrap();
        rows.iter_mut().for_each(|row| row[angle] = "10".into());
        rows[1][place] = "1e308".into();
        let lines: Vec<String> = std::iter::once(&header).chain(&rows).map(|row| row.join(",")).collect();
        bench.write("r/ends.csv", lines.join("\n") + "\n");
        let said = bench.run(&["report", "r", "--out", "page.html"]);
        assert_eq!(said.code, Some(0), "{column}: {}", said.err);
        assert!(bench.read("page.html").contains("</html>"));
    }
}

#[test]
fn parts_that_were_edited_or_share_pictures_are_not_joined() {
    let bench = Bench::new();
    bench.copy("demo/TC-S01-A_3.jpg", "in/sub/a.jpg");
    flat(&bench, "in/b.png", 90);
    bench.write("in/series.csv", "image,specimen,kind,um_per_px\nsub/a.jpg,S,cut,0.59\nb.png,B,pull,0.59\n");
    for part in ["1", "2"] {
        let said = bench.run(&["classify", "in", "--out", part, "--no-report", "--shard", &format!("{part}/2")]);
        assert_eq!(said.code, Some(0), "{}", said.err);
    }
    let merge = |bench: &Bench| bench.run(&["merge", "1", "2", "--out", "whole", "--no-report", "--force"]);
    for (file, from, to) in [("ends.csv", ",sheared,", ",tensile,"), ("images.csv", ",cut,", ",pull,")] {
        let part = ["1", "2"].into_iter().find(|p| bench.read(&format!("{p}/{file}")).contains(from)).unwrap();
        let name = format!("{part}/{file}");
        let whole = bench.read(&name);
        bench.write(&name, whole.replace(from, to));
        refused(&merge(&bench), &format!("{part}: {file} was changed after its run; run this part again"));
        bench.write(&name, whole);
    }
    // Overlays of subfolders are brought along, but not through a link.
    std::fs::create_dir_all(bench.path("elsewhere")).unwrap();
    #[cfg(unix)]
    {
        std::fs::create_dir_all(bench.path("whole/overlays")).unwrap();
        std::os::unix::fs::symlink(bench.path("elsewhere"), bench.path("whole/overlays/sub")).unwrap();
        refused(&merge(&bench), "overlays/sub is a link to another place");
        assert_eq!(std::fs::read_dir(bench.path("elsewhere")).unwrap().count(), 0);
        std::fs::remove_file(bench.path("whole/overlays/sub")).unwrap();
    }
    let said = merge(&bench);
    assert_eq!(said.code, Some(0), "{}", said.err);
    assert!(bench.path("whole/overlays/sub/a.jpg.jpg").is_file());
    // One part that calls itself the other.
    let run = bench.read("2/run.json").replace("\"index\": 2", "\"index\": 1");
    bench.write("2/run.json", run);
    let run = bench.read("1/run.json").replace("\"index\": 1", "\"index\": 2");
    for file in ["ends.csv", "images.csv"] {
        bench.write(&format!("2/{file}"), bench.bytes(&format!("1/{file}")));
    }
    for kept in std::fs::read_dir(bench.path("1/.cache")).unwrap().flatten() {
        std::fs::copy(kept.path(), bench.path("2/.cache").join(kept.file_name())).unwrap();
    }
    bench.write("2/run.json", run);
    let said = merge(&bench);
    assert!(said.code == Some(2) && said.err.contains("is in 1 too; run the parts again"), "{}", said.err);
}

#[test]
fn what_cannot_be_learnt_is_said() {
    let bench = Bench::new();
    let features = "bulb_ratio,cut_angle_size_deg";
    let row = |n: u32, label: &str, weight: &str| format!("a.png,{n},1,{label},S{},{weight},1.{n},{n}\n", n % 4);
    let table = |bench: &Bench, rows: String| {
        bench.write("t.csv", format!("image,x_px,y_px,label,group,weight,{features}\n{rows}"));
        bench.run(&["train", "--ends", "t.csv", "--out", "m.json", "--force"])
    };
    for weight in ["-1", "0", "1e308"] {
        refused(&table(&bench, row(1, "sheared", weight)), "row 2, column weight: expected a number above 0");
    }
    let both = (1..9).map(|n| row(n, "sheared", "1") + &row(n, "tensile", "1")).collect();
    let said = table(&bench, both);
    assert!(said.err.contains("8 ends are in the table both as sheared and as tensile"), "{}", said.err);

    results(&bench.path("r"));
    let two = |n: u32| format!("tern.png,{n},40,sheared,Ann,1\ntern.png,{n},40,tensile,Bo,1\n");
    bench.write("l.csv", format!("image,x_px,y_px,label,labeller,weight\n{}{}", two(20), two(60)));
    let said = bench.run(&["train", "r", "--labels", "l.csv", "--out", "n.json"]);
    refused(&said, "labellers differ on 2 ends, left out; decide with `breakface review --adjudicate`");
}

#[test]
fn runs_of_unlike_scales_are_compared_with_a_word() {
    let bench = Bench::new();
    flat(&bench, "in/a.png", 90);
    for (out, scale) in [("one", "0.5"), ("two", "1.0")] {
        assert_eq!(bench.run(&["classify", "in", "--out", out, "-u", scale, "--no-report"]).code, Some(0));
    }
    let said = bench.run(&["compare", "one", "two"]);
    assert!(said.out.contains("1 picture has another scale, e.g. a.png: 0.5 µm/px, then 1 µm/px"), "{}", said.out);
}
