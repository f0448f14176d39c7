//! Two runs beside each other, and controls over time, through the real program.

use crate::driver::Bench;
use crate::review::results_with;
use breakface::tree::Label::{self, Sheared, Tensile, Unclear};

/// A folder of results whose only specimen is a control.
fn control(bench: &Bench, name: &str, labels: [Label; 4], date: &str) {
    results_with(&bench.path(name), labels, "aa");
    for table in ["images.csv", "specimens.csv"] {
        let text = bench.read(&format!("{name}/{table}")).replace(",knot,palomar,", ",cut,,");
        bench.write(&format!("{name}/{table}"), text);
    }
    let images = bench.read(&format!("{name}/images.csv"));
    let (head, row) = images.trim_end().split_once("\r\n").unwrap();
    bench.write(&format!("{name}/images.csv"), format!("{head},date\r\n{row},{date}\r\n"));
}

#[test]
fn ends_that_changed_their_label_and_fractions_before_and_after_are_told() {
    let bench = Bench::new();
    results_with(&bench.path("before"), [Sheared, Sheared, Tensile, Tensile], "aa");
    results_with(&bench.path("after"), [Sheared, Tensile, Tensile, Unclear], "aa");
    let said = bench.run(&["compare", "before", "after"]);
    assert_eq!(said.code, Some(0), "{}", said.err);
    assert!(
        said.out.starts_with("1 picture in both; 4 ends found in both, 0 only in before, 0 only in after"),
        "{}",
        said.out
    );
    assert!(said.out.contains("2 ends have another label"), "{}", said.out);
    assert!(said.out.contains("tern.png#2  sheared to tensile"), "{}", said.out);

    let said = bench.run(&["compare", "before", "after", "--json", "-o", "both"]);
    let value: serde_json::Value = serde_json::from_str(&said.out).unwrap();
    assert_eq!(value["schema"], "breakface-compare-runs/1");
    let changes = &value["changes"];
    assert_eq!(changes["labels"], serde_json::json!([[1, 1, 0], [0, 1, 1], [0, 0, 0]]));
    assert_eq!(
        (changes["changed"][1]["end_first"].as_u64(), changes["changed"][1]["second"].as_str()),
        (Some(4), Some("unclear"))
    );
    // 2 of 4 before, 1 of 3 after.
    let both = &changes["specimens"][0];
    assert!((both["first"][0].as_f64().unwrap() - 0.5).abs() < 1e-9, "{both}");
    assert!((both["second"][0].as_f64().unwrap() - 1.0 / 3.0).abs() < 1e-5, "{both}");
    assert_eq!(bench.column("both/changed_ends.csv", "label_second"), ["tensile", "unclear"]);
    assert_eq!(bench.column("both/fractions.csv", "of"), ["specimen", "knot"]);
    // Another content under the same name is another picture.
    results_with(&bench.path("other"), [Sheared; 4], "bb");
    let said = bench.run(&["compare", "before", "other"]);
    assert!(said.out.contains("of one name but other content"), "{}", said.out);
}

#[test]
fn a_control_that_is_labelled_otherwise_than_in_the_first_run_lies_outside() {
    let bench = Bench::new();
    control(&bench, "may", [Sheared; 4], "2026-05-04");
    control(&bench, "june", [Sheared; 4], "2026-06-01");
    control(&bench, "july", [Tensile; 4], "2026-07-06");
    let said = bench.run(&["compare", "may", "june", "july", "--json", "-o", "drift"]);
    assert_eq!(said.code, Some(0), "{}", said.err);
    let value: serde_json::Value = serde_json::from_str(&said.out).unwrap();
    let cut = &value["controls"][0];
    let outside: Vec<bool> =
        cut["chart"]["points"].as_array().unwrap().iter().map(|p| p["outside"].as_bool().unwrap()).collect();
    assert_eq!((cut["kind"].as_str(), outside), (Some("cut"), vec![false, false, true]));
    assert_eq!(bench.column("drift/controls.csv", "date"), ["2026-05-04", "2026-06-01", "2026-07-06"]);
    assert!(bench.read("drift/controls_cut.svg").starts_with("<svg xmlns="));
    let said = bench.run(&["compare", "may", "june", "july"]);
    assert!(said.out.contains("1 control lies outside"), "{}", said.out);
    let said = bench.run(&["compare", "may", "june"]);
    assert!(said.out.contains("no sign that labelling has drifted"), "{}", said.out);
    // Dates that cannot be ordered are not, and runs in the wrong order are said.
    assert!(said.out.contains("in the order of their dates") && !said.out.contains("older than"), "{}", said.out);
    let said = bench.run(&["compare", "july", "june"]);
    assert!(said.out.contains("Controls of 2026-06-01 are older than the first run (2026-07-06)"), "{}", said.out);
    control(&bench, "august", [Sheared; 4], "3.8.2026");
    let said = bench.run(&["compare", "may", "july", "august"]);
    assert!(said.out.contains("in the order of their runs as named"), "{}", said.out);
    assert!(said.out.contains("The date \"3.8.2026\" of"), "{}", said.out);
    // A run named twice is no second look at its controls.
    let said = bench.run(&["compare", "may", "june", "./may"]);
    assert_eq!(said.code, Some(2), "{}", said.out);
    assert!(said.err.contains("may and ./may are one folder"), "{}", said.err);
}

#[test]
fn another_model_is_judged_on_saved_ends() {
    let bench = Bench::new();
    bench.copy("demo/TC-S01-A_3.jpg", "in/TC-S01-A_3.jpg");
    bench.copy("demo/TC-B01-A_3.jpg", "in/TC-B01-A_3.jpg");
    assert_eq!(bench.run(&["classify", "in", "--out", "r", "--no-report", "--no-overlays"]).code, Some(0));
    let columns = ["image", "x_px", "y_px", "label"].map(|c| bench.column("r/ends.csv", c));
    let rows = (0..columns[0].len()).map(|i| columns.iter().map(|c| c[i].as_str()).collect::<Vec<_>>().join(","));
    bench.write("labels.csv", format!("image,x_px,y_px,label\n{}\n", rows.collect::<Vec<_>>().join("\n")));
    // The model that labelled agrees with itself; the same through --model, from saved features.
    let model = bench.write("bundled.json", std::fs::read(crate::driver::repository("models/default.json")).unwrap());
    for more in [&[][..], &["--model", model.to_str().unwrap()]] {
        let said = bench.run(&[&["evaluate", "r", "--labels", "labels.csv", "--json"], more].concat());
        assert_eq!(said.code, Some(0), "{}", said.err);
        let value: serde_json::Value = serde_json::from_str(&said.out).unwrap();
        let all = &value["parts"]["all"];
        assert_eq!((all["balanced_acc"].as_f64(), all["labelled"].as_f64()), (Some(1.0), Some(1.0)), "{more:?}: {all}");
    }
    let said = bench.run(&["evaluate", "r", "--labels", "labels.csv", "--cross-validate", "--json"]);
    assert_eq!(said.code, Some(0), "{}", said.err);
    let value: serde_json::Value = serde_json::from_str(&said.out).unwrap();
    assert_eq!(value["schema"], "breakface-cross-validation/1");
    assert_eq!(value["specimens"].as_object().unwrap().len(), 2);
}
