//! The review server through the real program and plain sockets: who may ask, what is kept, what comes out.
//! The page itself is tested in a real browser (`tests/browser`).

use std::io::{BufRead, BufReader, Read, Write};
use std::net::TcpStream;
use std::path::Path;
use std::process::{Child, Command, Stdio};

use breakface::labels::{HandLabel, read_labels};
use breakface::measure::FeatureRow;
use breakface::results::Results;
use breakface::series::SeriesRow;
use breakface::table::{EndRow, ImageRow, read_csv, write_csv};
use breakface::tree::Label;

pub struct Server {
    pub child: Child,
    pub port: u16,
    token: String,
}

impl Drop for Server {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

impl Server {
    pub fn start(folder: &Path) -> Self {
        Self::start_with(command(folder))
    }

    pub fn start_with(mut command: Command) -> Self {
        let mut child = command.stdout(Stdio::piped()).stderr(Stdio::null()).spawn().unwrap();
        let mut line = String::new();
        BufReader::new(child.stdout.as_mut().unwrap()).read_line(&mut line).unwrap();
        let (address, token) = line.trim().split_once("/?token=").unwrap();
        let port = address.strip_prefix("http://127.0.0.1:").unwrap().parse().unwrap();
        Self { child, port, token: token.to_owned() }
    }

    /// Status and body of one request.
    pub fn ask(&self, method: &str, target: &str, headers: &str, body: &str) -> (u16, String) {
        let mut stream = TcpStream::connect(("127.0.0.1", self.port)).unwrap();
        let length = body.len();
        write!(stream, "{method} {target} HTTP/1.1\r\n{headers}Content-Length: {length}\r\n\r\n{body}").unwrap();
        let mut answer = Vec::new();
        stream.read_to_end(&mut answer).unwrap();
        let text = String::from_utf8_lossy(&answer);
        let (head, body) = text.split_once("\r\n\r\n").unwrap();
        (head.split(' ').nth(1).unwrap().parse().unwrap(), body.to_owned())
    }

    pub fn token(&self) -> &str {
        &self.token
    }

    pub fn host(&self) -> String {
        format!("Host: 127.0.0.1:{}\r\n", self.port)
    }

    pub fn post(&self, path: &str, body: &str) -> (u16, String) {
        self.ask("POST", path, &format!("{}X-Breakface-Token: {}\r\n", self.host(), self.token), body)
    }

    pub fn get(&self, path: &str) -> (u16, String) {
        let joint = if path.contains('?') { '&' } else { '?' };
        self.ask("GET", &format!("{path}{joint}token={}", self.token), &self.host(), "")
    }
}

/// Posts without a server at hand; nothing when it goes away meanwhile.
pub fn post_to(port: u16, token: &str, path: &str) -> Option<String> {
    let mut stream = TcpStream::connect(("127.0.0.1", port)).ok()?;
    write!(
        stream,
        "POST {path} HTTP/1.1\r\nHost: 127.0.0.1:{port}\r\nX-Breakface-Token: {token}\r\nContent-Length: 2\r\n\r\n{{}}"
    )
    .ok()?;
    let mut answer = String::new();
    stream.read_to_string(&mut answer).ok()?;
    Some(answer)
}

pub fn command(folder: &Path) -> Command {
    let mut command = Command::new(env!("CARGO_BIN_EXE_breakface"));
    command.arg("review").arg(folder).args(["--no-open", "--labeller", "Ann", "--pictures"]).arg(folder);
    command
}

/// Results of one picture with four ends: two sheared, two tensile.
pub fn results(folder: &Path) {
    results_with(folder, [Label::Sheared, Label::Sheared, Label::Tensile, Label::Tensile], "");
}

/// The same with these labels by the model; `hash` is that of the picture during the run.
pub fn results_with(folder: &Path, labels: [Label; 4], hash: &str) {
    std::fs::create_dir_all(folder).unwrap();
    let picture = image::GrayImage::from_fn(120, 90, |x, y| image::Luma([(x + y) as u8]));
    picture.save(folder.join("tern.png")).unwrap();
    let series = SeriesRow {
        image: "tern.png".into(),
        specimen: "TC-P07-A".into(),
        kind: Some(breakface::series::Kind::Knot),
        knot: Some("palomar".into()),
        counted: true,
        ..SeriesRow::default()
    };
    let image = ImageRow {
        series,
        width_px: Some(120),
        height_px: Some(90),
        n_found: Some(4),
        content_hash: hash.into(),
        ..ImageRow::default()
    };
    let ends: Vec<EndRow> = (1..=4)
        .map(|n| {
            let mut features = FeatureRow::default();
            features.set("shaft_diameter_px", Some(12.0));
            features.set("bulb_ratio", Some(if n <= 2 { 1.0 } else { 1.9 }));
            EndRow {
                image: "tern.png".into(),
                specimen: "TC-P07-A".into(),
                end: n,
                carrier: Some(1),
                x_px: 20.0 * f64::from(n),
                y_px: 40.0,
                axis_deg: -90.0,
                label: labels[n as usize - 1],
                label_model: Some(labels[n as usize - 1]),
                p_sheared: Some(0.5),
                shape_p_sheared: None,
                appearance_p_sheared: None,
                quality: 1.0,
                counted: true,
                features,
                ..EndRow::default()
            }
        })
        .collect();
    let scores = breakface::pipeline::Scores::from_rows(&ends, std::slice::from_ref(&image), None, &Default::default());
    scores.write(folder).unwrap();
    write_csv(&folder.join("images.csv"), &[image]).unwrap();
    write_csv(&folder.join("ends.csv"), &ends).unwrap();
}

#[test]
fn only_the_page_of_the_printed_address_is_answered() {
    let folder = tempfile::tempdir().unwrap();
    results(folder.path());
    let server = Server::start(folder.path());
    assert_eq!(server.get("/api/state").0, 200);
    let (host, token) = (server.host(), server.token.as_str());
    let state = format!("/api/state?token={token}");
    for (target, headers) in [
        ("/api/state", host.clone()),
        ("/api/state?token=00", host.clone()),
        (state.as_str(), String::new()),
        (state.as_str(), "Host: tern.example\r\n".into()),
        (state.as_str(), format!("{host}Origin: http://tern.example\r\n")),
        (state.as_str(), format!("{host}Sec-Fetch-Site: cross-site\r\n")),
    ] {
        assert_eq!(server.ask("GET", target, &headers, "").0, 403, "{target} {headers}");
    }
    for path in ["/../labels.csv", "/page/../ends.csv", "/api/picture/../crop", "/ends.csv", "/api/end/0.9"] {
        assert_eq!(server.get(path).0, 404, "{path}");
    }
    let label = r#"{"labeller":"Ann","end":"0.1","label":"tensile"}"#;
    assert_eq!(server.ask("POST", "/api/label", &host, label).0, 403);
    for body in ["", "{", "[1]", r#"{"labeller":"Ann","end":"0.1","label":"odd"}"#] {
        let (status, answer) = server.post("/api/label", body);
        assert_eq!(status, 400, "{body}");
        assert!(answer.contains("\"error\""), "{answer}");
    }
    assert_eq!(server.post("/api/label", &" ".repeat(20_000)).0, 413);
    assert!(!folder.path().join("labels.csv").exists(), "what was refused left nothing behind");
    assert_eq!(server.post("/api/label", label).0, 200);
}

#[test]
fn decisions_outlive_a_killed_server_and_change_the_score_when_applied() {
    let folder = tempfile::tempdir().unwrap();
    results(folder.path());
    let original = std::fs::read(folder.path().join("ends.csv")).unwrap();
    let mut server = Server::start(folder.path());
    assert_eq!(server.post("/api/label", r#"{"labeller":"Ann","end":"0.3","label":"sheared"}"#).0, 200);
    assert_eq!(server.post("/api/label", r#"{"labeller":"Ann","end":"0.4","label":"not_an_end"}"#).0, 200);
    // One person under two spellings would have two votes.
    let (status, said) = server.post("/api/label", r#"{"labeller":" ann","end":"0.4","label":"sheared"}"#);
    assert!(status == 409 && said.contains("write the name the same way"), "{status} {said}");
    let add = r#"{"labeller":"Ann","picture":0,"x":60.5,"y":70.25,"label":"sheared"}"#;
    assert_eq!(server.post("/api/add", add).0, 200);
    assert_eq!(server.post("/api/add", add).0, 200);
    assert_eq!(server.post("/api/undo", r#"{"labeller":"Ann"}"#).0, 200);
    server.child.kill().unwrap();
    server.child.wait().unwrap();

    let rows = read_labels(&folder.path().join("labels.csv")).unwrap();
    assert_eq!(rows.len(), 5);
    assert_eq!(rows[0].label, Some(HandLabel::Sheared));
    let server = Server::start(folder.path());
    let state: serde_json::Value = serde_json::from_str(&server.get("/api/state").1).unwrap();
    assert_eq!(state["standing"]["n_labelled"], 2);
    assert_eq!(state["standing"]["n_added"], 1);

    let (status, answer) = server.post("/api/apply", "{}");
    assert_eq!(status, 200, "{answer}");
    let after = Results::load(folder.path()).unwrap();
    let labels: Vec<_> = after.ends.iter().map(|e| (e.end, e.label, e.counted)).collect();
    use Label::{Sheared, Unclear};
    assert_eq!(
        labels,
        [(1, Sheared, true), (2, Sheared, true), (3, Sheared, true), (4, Unclear, false), (5, Sheared, true)]
    );
    assert_eq!((after.images[0].n_sheared, after.images[0].n_tensile), (Some(4), Some(0)));
    // The published fraction follows the counts: 2 of 4 by the model, 4 of 4 after review.
    let specimen = &after.specimens[0];
    assert_eq!((specimen.n_sheared, specimen.n_tensile), (4, 0));
    let before: Vec<breakface::table::SpecimenRow> =
        read_csv(&folder.path().join("before_review/specimens.csv")).unwrap();
    assert_eq!((before[0].n_sheared, before[0].n_tensile), (2, 2));
    assert_eq!(std::fs::read(folder.path().join("before_review/ends.csv")).unwrap(), original);
    let both = std::fs::read_to_string(folder.path().join("review.csv")).unwrap();
    assert!(both.lines().nth(1).unwrap().starts_with("specimen,TC-P07-A,3,"), "{both}");
}

#[test]
fn a_second_server_and_a_folder_without_results_are_turned_away_in_one_line() {
    let folder = tempfile::tempdir().unwrap();
    results(folder.path());
    let _server = Server::start(folder.path());
    let output = command(folder.path()).output().unwrap();
    let said = String::from_utf8_lossy(&output.stderr);
    assert_eq!(output.status.code(), Some(2));
    assert!(said.contains("already running") && said.trim().lines().count() == 1, "{said}");
    let nothing = tempfile::tempdir().unwrap();
    let output = command(nothing.path()).output().unwrap();
    let said = String::from_utf8_lossy(&output.stderr);
    assert_eq!(output.status.code(), Some(2));
    assert!(said.contains("no results there") && said.trim().lines().count() == 1, "{said}");
}

#[test]
fn damaged_hand_labels_stop_the_start_and_are_left_alone() {
    let folder = tempfile::tempdir().unwrap();
    results(folder.path());
    let damaged = "image,x_px,y_px,label\ntern.png,1,\"2,5\",sheared\n";
    std::fs::write(folder.path().join("labels.csv"), damaged).unwrap();
    let output = command(folder.path()).output().unwrap();
    let said = String::from_utf8_lossy(&output.stderr);
    assert_eq!(output.status.code(), Some(2));
    assert!(said.contains("line 2, column y_px: expected a number, found \"2,5\""), "{said}");
    assert_eq!(std::fs::read_to_string(folder.path().join("labels.csv")).unwrap(), damaged);
}
