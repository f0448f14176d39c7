//! The review server against others on the same computer: tokens, links, exchanged pictures, connections that only wait.

use crate::driver::Bench;
use crate::review::{Server, command, results, results_with};
use breakface::tree::Label;
use std::net::TcpStream;
use std::time::{Duration, Instant};

#[cfg(unix)]
#[test]
fn the_token_is_not_in_the_command_line_of_the_browser() {
    use std::os::unix::fs::PermissionsExt;
    let folder = tempfile::tempdir().unwrap();
    let bench = Bench::new();
    results(folder.path());
    // A stand-in for the system's opener writes down what it was given, and what that file says and allows.
    let script = "#!/bin/sh\necho \"$@\" > \"$OUT/args.part\"\ncp -p \"$1\" \"$OUT/page\"\nmv \"$OUT/args.part\" \"$OUT/args\"\n";
    let opener = bench.write("bin/xdg-open", script);
    std::fs::set_permissions(&opener, std::fs::Permissions::from_mode(0o755)).unwrap();
    let mut command = bench.command();
    let path = format!("{}:{}", bench.path("bin").display(), std::env::var("PATH").unwrap());
    command.arg("review").arg(folder.path()).env("PATH", path).env("OUT", bench.path(""));
    let server = Server::start_with(command);
    let start = Instant::now();
    while !bench.path("args").exists() && start.elapsed() < Duration::from_secs(20) {
        std::thread::sleep(Duration::from_millis(20));
    }
    let args = bench.read("args");
    assert!(!args.contains(server.token()) && !args.contains("http"), "{args}");
    assert!(bench.read("page").contains(&format!("/?token={}", server.token())));
    let mode = std::fs::metadata(bench.path("page")).unwrap().permissions().mode();
    assert_eq!(mode & 0o777, 0o600);
}

#[cfg(unix)]
#[test]
fn links_in_a_folder_of_results_are_not_written_through() {
    use std::os::unix::fs::symlink;
    let bench = Bench::new();
    let picture = image::GrayImage::from_fn(96, 80, |x, y| image::Luma([(x * 7 + y * 13) as u8 % 5 + 90]));
    picture.save(bench.write("in/a.png", "")).unwrap();
    let target = bench.write("mine.txt", "mine");
    let run = |bench: &Bench| bench.run(&["classify", "in", "--out", "r", "--force", "--no-report"]);
    std::fs::create_dir(bench.path("r")).unwrap();
    symlink(&target, bench.path("r/.breakface-lock")).unwrap();
    let said = run(&bench);
    assert_eq!(said.code, Some(2));
    assert!(said.err.contains(".breakface-lock") && said.err.contains("link"), "{}", said.err);
    std::fs::remove_file(bench.path("r/.breakface-lock")).unwrap();

    std::fs::create_dir(bench.path("elsewhere")).unwrap();
    symlink(bench.path("elsewhere"), bench.path("r/overlays")).unwrap();
    let said = run(&bench);
    assert!(said.code == Some(2) && said.err.contains("overlays is a link"), "{}", said.err);
    assert_eq!(std::fs::read_dir(bench.path("elsewhere")).unwrap().count(), 0);
    std::fs::remove_file(bench.path("r/overlays")).unwrap();

    // The journal and the tables are put in the place of a link, not into what it leads to.
    std::fs::create_dir_all(bench.path("r")).unwrap();
    symlink(&target, bench.path("r/.breakface-tables")).unwrap();
    symlink(&target, bench.path("r/ends.csv")).unwrap();
    assert_eq!(run(&bench).code, Some(0));
    assert_eq!(bench.read("mine.txt"), "mine");

    let folder = tempfile::tempdir().unwrap();
    results(folder.path());
    symlink(bench.path("labels-of-mine.csv"), folder.path().join("labels.csv")).unwrap();
    let output = command(folder.path()).output().unwrap();
    let said = String::from_utf8_lossy(&output.stderr);
    assert!(output.status.code() == Some(2) && said.contains("link"), "{said}");
    assert!(!bench.path("labels-of-mine.csv").exists());
}

#[test]
fn a_picture_that_was_exchanged_is_not_shown() {
    let folder = tempfile::tempdir().unwrap();
    let folder = folder.path();
    let labels = [Label::Sheared, Label::Sheared, Label::Tensile, Label::Tensile];
    results_with(folder, labels, "");
    let hash = blake3::hash(&std::fs::read(folder.join("tern.png")).unwrap()).to_hex().to_string();
    results_with(folder, labels, &hash);
    let crop = "/api/picture/0/crop?x=20&y=40&axis=-90&span=40&size=64&at=0.5";
    let server = Server::start(folder);
    assert_eq!(server.get(crop).0, 200);
    drop(server);
    let other = image::GrayImage::from_pixel(120, 90, image::Luma([7]));
    other.save(folder.join("tern.png")).unwrap();
    let server = Server::start(folder);
    let (status, answer) = server.get(crop);
    assert_eq!(status, 500);
    assert!(answer.contains("not the picture that was classified"), "{answer}");
}

#[test]
fn a_hundred_connections_that_only_wait_do_not_stop_the_page() {
    let folder = tempfile::tempdir().unwrap();
    results(folder.path());
    let server = Server::start(folder.path());
    let idle: Vec<TcpStream> = (0..100).filter_map(|_| TcpStream::connect(("127.0.0.1", server.port)).ok()).collect();
    let start = Instant::now();
    for _ in 0..5 {
        assert_eq!(server.get("/api/state").0, 200);
    }
    // The limit is far above what an answer takes, and far below the time that a silent connection is given.
    assert!(start.elapsed() < Duration::from_secs(4), "{:?}", start.elapsed());
    drop(idle);
}

/// Who has no token may not make the server wait: not with a body that does not come, not by sending on after a refusal.
#[test]
fn a_hundred_strangers_that_go_on_sending_do_not_stop_the_page() {
    use std::io::Write;
    let folder = tempfile::tempdir().unwrap();
    results(folder.path());
    let server = Server::start(folder.path());
    let half = format!("GET / HTTP/1.1\r\n{}Content-Length: 9\r\n\r\n", server.host());
    for begin in [half.as_str(), "BAD\r\n\r\n"] {
        let stop = std::sync::atomic::AtomicBool::new(false);
        let connect = |_| TcpStream::connect(("127.0.0.1", server.port)).ok();
        let strangers: Vec<TcpStream> = (0..100).filter_map(connect).collect();
        strangers.iter().for_each(|mut s| drop(s.write_all(begin.as_bytes())));
        std::thread::scope(|scope| {
            let dripping = scope.spawn(|| {
                while !stop.load(std::sync::atomic::Ordering::Relaxed) {
                    strangers.iter().for_each(|mut s| drop(s.write_all(b"x")));
                    std::thread::sleep(Duration::from_millis(50));
                }
            });
            let start = Instant::now();
            for _ in 0..5 {
                assert_eq!(server.get("/api/state").0, 200);
            }
            stop.store(true, std::sync::atomic::Ordering::Relaxed);
            dripping.join().unwrap();
            // Far above what an answer takes, far below what a body is waited for.
            assert!(start.elapsed() < Duration::from_secs(5), "{:?}", start.elapsed());
        });
    }
}

#[test]
fn a_folder_that_went_away_is_said_and_a_label_edited_meanwhile_is_taken_up() {
    let bench = Bench::new();
    results(&bench.path("r"));
    let server = Server::start(&bench.path("r"));
    let label = r#"{"labeller":"Ann","end":"0.1","label":"sheared"}"#;
    assert_eq!(server.post("/api/label", label).0, 200);
    // The clock of the file system may be coarse.
    std::thread::sleep(Duration::from_millis(20));
    bench.write("r/labels.csv", bench.read("r/labels.csv").replace("sheared", "tensile"));
    let state: serde_json::Value = serde_json::from_str(&server.get("/api/state").1).unwrap();
    assert_eq!(state["ends"][0]["hand"]["label"], "tensile");
    std::fs::rename(bench.path("r"), bench.path("moved")).unwrap();
    let (status, said) = server.post("/api/label", label);
    assert!(status == 409 && said.contains("the folder of results is not there any more"), "{status} {said}");
}

#[cfg(target_os = "linux")]
#[test]
fn a_server_without_free_descriptors_waits_quietly_and_comes_back() {
    let folder = tempfile::tempdir().unwrap();
    results(folder.path());
    let mut limited = std::process::Command::new("sh");
    limited.args(["-c", "ulimit -n 40; exec \"$0\" review \"$1\" --no-open", env!("CARGO_BIN_EXE_breakface")]);
    limited.arg(folder.path());
    let server = Server::start_with(limited);
    let used = || {
        let stat = std::fs::read_to_string(format!("/proc/{}/stat", server.child.id())).unwrap();
        let fields: Vec<&str> = stat.rsplit(')').next().unwrap().split_whitespace().collect();
        fields[11].parse::<u64>().unwrap() + fields[12].parse::<u64>().unwrap()
    };
    let idle: Vec<TcpStream> = (0..60).filter_map(|_| TcpStream::connect(("127.0.0.1", server.port)).ok()).collect();
    let before = used();
    std::thread::sleep(Duration::from_secs(2));
    // In clock ticks, a hundred to the second: a busy loop would use about two hundred.
    assert!(used() - before < 60, "{} ticks", used() - before);
    drop(idle);
    assert_eq!(server.get("/api/state").0, 200);
}
