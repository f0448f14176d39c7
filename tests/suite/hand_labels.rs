//! Hand labels are lasting state: whatever command writes tables lays them over, all tables follow, a kill leaves whole sets.

use crate::driver::Bench;
use crate::review::{Server, command, results, results_with};
use breakface::labels::read_labels;
use breakface::results::Results;
use breakface::tree::Label;
use std::path::Path;

const LABELS: &str = "image,x_px,y_px,label,labeller,when,action,end,weather\r\n";

fn bytes(folder: &Path, name: &str) -> Option<Vec<u8>> {
    std::fs::read(folder.join(name)).ok()
}

#[test]
fn labels_outlive_a_new_run_of_the_same_folder_and_go_when_they_are_taken_away() {
    let bench = Bench::new();
    bench.copy("demo/TC-B01-A_3.jpg", "in/TC-B01-A_3.jpg");
    let run = ["classify", "in", "--out", "r", "--parquet"];
    assert_eq!(bench.run(&run).code, Some(0));
    let (x, y) = (bench.column("r/ends.csv", "x_px"), bench.column("r/ends.csv", "y_px"));
    let model = bench.column("r/ends.csv", "label");
    let other = if model[1] == "sheared" { "tensile" } else { "sheared" };
    let rows = [
        format!("TC-B01-A_3.jpg,{},{},not_an_end,Ann,,label,1,sun", x[0], y[0]),
        format!("TC-B01-A_3.jpg,{},{},{other},Ann,,label,2,", x[1], y[1]),
        "TC-B01-A_3.jpg,3,3,tensile,Ann,,add,'+1,".to_owned(),
        "elsewhere.jpg,3,3,tensile,Ann,,label,1,".to_owned(),
    ];
    bench.write("r/labels.csv", format!("{LABELS}{}\r\n", rows.join("\r\n")));
    let before = (bench.bytes("r/ends.parquet"), bench.bytes("r/report.html"), bench.bytes("r/specimens.csv"));

    let said = bench.run(&run);
    assert_eq!(said.code, Some(0), "{}", said.err);
    assert!(said.err.contains("3 ends have a label by hand"), "{}", said.err);
    assert!(said.err.contains("labels of 1 picture") && said.err.contains("elsewhere.jpg"), "{}", said.err);
    let hand = bench.column("r/ends.csv", "label_hand");
    assert_eq!(hand.len(), model.len() + 1, "one end was added");
    assert_eq!((hand[0].as_str(), hand[1].as_str(), hand[hand.len() - 1].as_str()), ("not_an_end", other, "tensile"));
    assert_eq!(bench.column("r/ends.csv", "label")[1], other);
    assert_eq!(bench.column("r/ends.csv", "counted")[0], "no");
    assert_eq!(bench.column("r/ends.csv", "label_model")[..model.len()], model);
    assert_ne!(bench.bytes("r/ends.parquet"), before.0);
    assert_ne!(bench.bytes("r/report.html"), before.1);
    assert_eq!(bench.bytes("r/before_review/specimens.csv"), before.2);
    assert_eq!(bench.column("r/before_review/ends.csv", "label"), model);

    // The same again changes nothing; the label file is as it was, with its own column.
    let after = (bench.bytes("r/ends.csv"), bench.bytes("r/before_review/images.csv"), bench.bytes("r/review.csv"));
    assert_eq!(bench.run(&run).code, Some(0));
    assert_eq!(
        (bench.bytes("r/ends.csv"), bench.bytes("r/before_review/images.csv"), bench.bytes("r/review.csv")),
        after
    );
    assert!(bench.read("r/labels.csv").contains(",sun\r\n"));

    std::fs::remove_file(bench.path("r/labels.csv")).unwrap();
    assert_eq!(bench.run(&run).code, Some(0));
    assert_eq!(bench.column("r/ends.csv", "label"), model);
    assert!(!bench.path("r/review.csv").exists() && !bench.path("r/before_review/ends.csv").exists());
}

#[test]
fn a_second_apply_keeps_what_the_model_said_and_a_run_meanwhile_is_not_overwritten() {
    let folder = tempfile::tempdir().unwrap();
    let folder = folder.path();
    results(folder);
    let original = (bytes(folder, "ends.csv"), bytes(folder, "images.csv"));
    let label = r#"{"labeller":"Ann","end":"0.3","label":"sheared"}"#;
    for _ in 0..2 {
        // A new server each time: it finds hand labels in place.
        let server = Server::start(folder);
        assert_eq!(server.post("/api/label", label).0, 200);
        for _ in 0..2 {
            let (status, answer) = server.post("/api/apply", "{}");
            assert_eq!(status, 200, "{answer}");
            assert_eq!(bytes(folder, "before_review/ends.csv"), original.0);
            let images: Vec<breakface::table::ImageRow> =
                breakface::table::read_csv(&folder.join("before_review/images.csv")).unwrap();
            assert_eq!(images[0].n_sheared, None, "as the run wrote it");
        }
        assert_eq!(Results::load(folder).unwrap().specimens[0].n_sheared, 3);
    }
    let server = Server::start(folder);
    std::fs::remove_dir_all(folder.join("before_review")).unwrap();
    results_with(folder, [Label::Tensile; 4], "");
    let newer = bytes(folder, "ends.csv");
    let (status, answer) = server.post("/api/apply", "{}");
    assert_eq!(status, 409, "{answer}");
    assert!(answer.contains("start it again"), "{answer}");
    assert_eq!(bytes(folder, "ends.csv"), newer);
}

/// Sums that must agree in any whole set of tables.
fn is_whole(folder: &Path) -> bool {
    let results = Results::load(folder).unwrap();
    let sheared = results.ends.iter().filter(|e| e.counted && e.label == Label::Sheared).count();
    let by_specimen: u32 = results.specimens.iter().map(|s| s.n_sheared).sum();
    sheared == by_specimen as usize
}

#[test]
fn a_server_killed_while_it_applies_leaves_a_whole_set() {
    let folder = tempfile::tempdir().unwrap();
    let folder = folder.path();
    results(folder);
    std::fs::write(folder.join(".breakface-lock"), "finished\n").unwrap();
    let (mut old, mut new) = (0, 0);
    for step in 0..25u64 {
        let mut server = Server::start(folder);
        let label = if step % 2 == 0 { "sheared" } else { "tensile" };
        let body = format!(r#"{{"labeller":"Ann","end":"0.3","label":"{label}"}}"#);
        assert_eq!(server.post("/api/label", &body).0, 200);
        let before = Results::load(folder).unwrap().ends[2].label;
        let port = server.port;
        let token = server.token().to_owned();
        let asking = std::thread::spawn(move || crate::review::post_to(port, &token, "/api/apply"));
        std::thread::sleep(std::time::Duration::from_micros(700 * step));
        server.child.kill().unwrap();
        server.child.wait().unwrap();
        let _ = asking.join().unwrap();
        assert!(is_whole(folder), "step {step}");
        let after = Results::load(folder).unwrap().ends[2].label;
        if after == before { old += 1 } else { new += 1 }
    }
    println!("{old} kills left the old set, {new} the new one");
    assert_eq!(read_labels(&folder.join("labels.csv")).unwrap().len(), 25, "no label was lost");
}

#[test]
fn an_exchange_that_was_cut_off_is_finished_by_the_next_reader() {
    let bench = Bench::new();
    results(&bench.path("r"));
    bench.write("r/.breakface-lock", "running\n");
    let newer = bench.read("r/specimens.csv").replace("palomar", "clinch");
    bench.write("r/.breakface-new-1", &newer);
    let journal =
        r#"{"schema":"breakface-exchange/1","put":[[".breakface-new-1","specimens.csv"]],"gone":["knots.csv"]}"#;
    bench.write("r/.breakface-tables", journal);
    assert_eq!(bench.run(&["flag", "r"]).code, Some(0));
    assert_eq!(bench.read("r/specimens.csv"), newer);
    assert!(!bench.path("r/knots.csv").exists() && !bench.path("r/.breakface-tables").exists());
}

/// Who reads while tables are being exchanged waits for the new ones.
#[test]
fn a_reader_waits_while_tables_are_exchanged() {
    let bench = Bench::new();
    results(&bench.path("r"));
    bench.write("r/.breakface-lock", "finished\n");
    let newer = bench.read("r/specimens.csv").replace("palomar", "clinch");
    bench.write("r/.breakface-new-1", &newer);
    let journal = r#"{"schema":"breakface-exchange/1","put":[[".breakface-new-1","specimens.csv"]],"gone":[]}"#;
    bench.write("r/.breakface-tables", journal);
    let writer = std::fs::File::open(bench.path("r/.breakface-lock")).unwrap();
    writer.lock().unwrap();
    std::thread::scope(|scope| {
        let reader = scope.spawn(|| bench.run(&["flag", "r"]));
        std::thread::sleep(std::time::Duration::from_millis(300));
        writer.unlock().unwrap();
        let said = reader.join().unwrap();
        assert_eq!(said.code, Some(0), "{}", said.err);
    });
    assert_eq!(bench.read("r/specimens.csv"), newer);

    // Beside a review that applies labels again and again.
    let folder = bench.path("r");
    let server = Server::start(&folder);
    std::thread::scope(|scope| {
        let applying = scope.spawn(|| {
            for turn in 0..12 {
                let label = ["sheared", "tensile"][turn % 2];
                let body = format!(r#"{{"labeller":"Ann","picture":0,"x":{}.5,"y":70,"label":"{label}"}}"#, 10 * turn);
                assert_eq!(server.post("/api/add", &body).0, 200);
                assert_eq!(server.post("/api/apply", "{}").0, 200);
            }
        });
        while !applying.is_finished() {
            let said = bench.run(&["flag", "r"]);
            assert_eq!(said.code, Some(0), "{}", said.err);
        }
        applying.join().unwrap();
    });
}

#[test]
fn a_model_and_its_table_change_together() {
    let bench = Bench::new();
    results(&bench.path("r"));
    bench.write("r/labels.csv", "image,x_px,y_px,label\ntern.png,20,40,sheared\ntern.png,60,40,tensile\n");
    let train = ["train", "r", "--labels", "r/labels.csv", "--base", "bundled", "--out", "ours.json", "--json"];
    let said = bench.run(&train);
    assert_eq!(said.code, Some(0), "{}", said.err);
    let figures: serde_json::Value = serde_json::from_str(&said.out).unwrap();
    assert_eq!((figures["schema"].as_str(), figures["new"].as_u64()), (Some("breakface-train/1"), Some(2)));
    // As a killed writer leaves it: the table is the new one, the model still waits for its place.
    let (model, table) = (bench.read("ours.json"), bench.read("ours.training.csv"));
    bench.write(".breakface-new-m", &model);
    bench.write("ours.json", model.replace("\"name\": \"ours\"", "\"name\": \"older\""));
    let journal = r#"{"schema":"breakface-exchange/1","put":[[".breakface-new-t","ours.training.csv"],[".breakface-new-m","ours.json"]],"gone":[]}"#;
    bench.write(".ours.json.breakface-exchange", journal);
    let again = ["train", "r", "--labels", "r/labels.csv", "--base", "ours.json", "--out", "next.json"];
    let said = bench.run(&again);
    assert_eq!(said.code, Some(0), "{}", said.err);
    assert_eq!((bench.read("ours.json"), bench.read("ours.training.csv")), (model, table));
}

#[test]
fn columns_of_others_stay_in_labels_and_backups_are_numbered() {
    let folder = tempfile::tempdir().unwrap();
    let folder = folder.path();
    results(folder);
    let by_hand = "weather,image,x_px,y_px,label\nsun,tern.png,20,40,tensile\n";
    for n in 1..=2 {
        std::fs::write(folder.join("labels.csv"), by_hand).unwrap();
        let server = Server::start(folder);
        assert_eq!(server.post("/api/label", r#"{"labeller":"Ann","end":"0.2","label":"unclear"}"#).0, 200);
        let text = std::fs::read_to_string(folder.join("labels.csv")).unwrap();
        assert!(text.starts_with("weather,image,") && text.contains("sun,tern.png,20,40,tensile"), "{text}");
        assert_eq!(std::fs::read_to_string(folder.join(format!("labels-as-found-{n}.csv"))).unwrap(), by_hand);
    }
    // Quotes that swallow lines are named, and nothing is touched.
    let stray = "image,x_px,y_px,label\ntern.png,20,40,\"tensile\ntern.png,40,40,tensile\n";
    std::fs::write(folder.join("labels.csv"), stray).unwrap();
    let output = command(folder).output().unwrap();
    let said = String::from_utf8_lossy(&output.stderr);
    assert_eq!(output.status.code(), Some(2));
    assert!(said.contains("line 2: a double quote that opens a field here"), "{said}");
    assert_eq!(std::fs::read_to_string(folder.join("labels.csv")).unwrap(), stray);
}

fn state(server: &Server, who: &str) -> serde_json::Value {
    serde_json::from_str(&server.get(&format!("/api/state?labeller={who}")).1).unwrap()
}

#[test]
fn blind_labellers_see_nothing_before_they_decide_and_the_adjudicator_has_the_last_word() {
    let folder = tempfile::tempdir().unwrap();
    let folder = folder.path();
    results(folder);
    let start = |more: &[&str]| {
        let mut command = command(folder);
        command.args(more);
        Server::start_with(command)
    };
    let server = start(&["--blind"]);
    let first = &state(&server, "Ann")["ends"][0];
    assert!(first["hidden"] == true && first["label"].is_null() && first["p"].is_null() && first["bulb"].is_null());
    let details: serde_json::Value = serde_json::from_str(&server.get("/api/end/0.1?labeller=Ann").1).unwrap();
    assert!(details["hidden"] == true && details["measurements"].as_array().unwrap().is_empty());
    let say = |server: &Server, who: &str, end: u32, label: &str| {
        let body = format!(r#"{{"labeller":"{who}","end":"0.{end}","label":"{label}"}}"#);
        server.post("/api/label", &body)
    };
    // Ends 1 and 2: three against one, one against one; end 4: all alike.
    for (who, end, label) in [
        ("Ann", 1, "tensile"),
        ("Bo", 1, "tensile"),
        ("Cy", 1, "tensile"),
        ("Dee", 1, "unclear"),
        ("Ann", 2, "sheared"),
        ("Bo", 2, "tensile"),
        ("Ann", 4, "sheared"),
        ("Bo", 4, "sheared"),
    ] {
        assert_eq!(say(&server, who, end, label).0, 200);
    }
    assert_eq!(state(&server, "Ann")["ends"][0]["label"], "sheared", "shown once she has decided");
    let agreement: serde_json::Value = serde_json::from_str(&server.get("/api/agreement").1).unwrap();
    assert!(agreement[0]["kappa"]["low"].as_f64() < agreement[0]["kappa"]["high"].as_f64(), "{agreement}");
    drop(server);

    let labels = |folder: &Path| Results::load(folder).unwrap().ends.iter().map(|e| e.label).collect::<Vec<_>>();
    use Label::{Sheared, Tensile};
    let server = start(&["--adjudicate"]);
    assert_eq!(server.post("/api/apply", "{}").0, 200);
    // The majority counts on end 1; the tie leaves the model's label on end 2.
    assert_eq!(labels(folder), [Tensile, Sheared, Tensile, Sheared]);
    let list = state(&server, "Ines");
    assert_eq!((list["mode"].as_str(), list["ends"].as_array().unwrap().len()), (Some("adjudicate"), 2));
    assert_eq!(list["ends"][1]["said"][1]["labeller"], "Bo");
    assert_eq!(say(&server, "Ines", 4, "tensile").0, 400, "nobody differs there");
    assert_eq!(say(&server, "Ines", 2, "tensile").0, 200);
    assert_eq!(say(&server, "Ines", 1, "sheared").0, 200);
    assert_eq!(server.post("/api/undo", r#"{"labeller":"Ines"}"#).0, 200);
    assert_eq!(server.post("/api/apply", "{}").0, 200);
    assert_eq!(labels(folder), [Tensile, Tensile, Tensile, Sheared]);
    drop(server);

    // Each labeller alone, and what was decided together.
    let bench = Bench::new();
    let folder = folder.to_str().unwrap();
    let file = format!("{folder}/labels.csv");
    let right = |more: &[&str]| {
        let said = bench.run(&[&["evaluate", folder, "--labels", &file, "--json"], more].concat());
        assert_eq!(said.code, Some(0), "{}", said.err);
        let value: serde_json::Value = serde_json::from_str(&said.out).unwrap();
        let rate = |name: &str| value["parts"]["all"][name]["of"].as_u64().unwrap();
        (rate("sensitivity"), rate("specificity"))
    };
    assert_eq!((right(&[]), right(&["--labeller", "Ann"]), right(&["--labeller", "Bo"])), ((1, 2), (2, 1), (1, 2)));
}
