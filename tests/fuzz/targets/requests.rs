//! Raw HTTP requests to the review page, through a real socket to the real server over a small run.

#![no_main]

use breakface::detect::Detector;
use breakface::labels::LabelLog;
use breakface::pipeline::{self, RunOptions, Tools};
use breakface::settings::Settings;
use breakface::tree::Model;
use libfuzzer_sys::fuzz_target;
use std::borrow::Cow;
use std::io::{Read, Write};
use std::net::{Shutdown, TcpListener, TcpStream};
use std::sync::LazyLock;
use std::sync::atomic::AtomicBool;
use std::sync::atomic::{AtomicUsize, Ordering};

/// What the server writes models with.
#[path = "../../../src/bin/breakface/model_files.rs"]
mod model_files;

/// The server's modules as they are in the program.
#[path = "../../../src/bin/breakface/review"]
mod review {
    pub mod apply;
    pub mod assets;
    pub mod end_id;
    pub mod guard;
    pub mod http;
    pub mod image_cache;
    pub mod options;
    pub mod reply;
    pub mod retrain;
    pub mod routes;
    pub mod run;
    pub mod session;
    pub mod wire;
}

use review::guard::Guard;
use review::options::{Mode, Options};
use review::session::Session;

/// A run over one small picture with an end, in a folder for temporary files (`TMPDIR` says where).
fn results() -> std::path::PathBuf {
    let folder = tempfile::tempdir().expect("a folder can be made").keep();
    let picture = folder.join("in").join("p.png");
    std::fs::create_dir(folder.join("in")).expect("a folder can be made");
    let whole = image::load_from_memory(include_bytes!("../../../fixtures/demo/TC-S01-A_3.jpg"));
    // The part with the end in it: every process starts by classifying it.
    let part = whole.expect("the picture is good").crop_imm(340, 230, 360, 300);
    part.save(&picture).expect("a file can be written");
    let tools = Tools {
        detector: Detector::bundled().expect("the bundled detector loads"),
        model: Model::bundled().expect("the bundled model loads"),
        settings: Settings::default(),
        um_per_px: Some(0.5),
    };
    let out = folder.join("r");
    let inputs = pipeline::gather(&[folder.join("in")], &out).expect("a folder is no table");
    let stop = AtomicBool::new(false);
    let options = RunOptions { out: &out, force: false, replace: false, threads: 1, overlays: false, parquet: false, stop: &stop };
    pipeline::run(&inputs, &tools, &options, &|_| {}).expect("the run ends");
    out
}

/// Tokens and ports are random in the program; here inputs must be able to name them.
fn guard() -> Guard {
    Guard::new(80, "t".into())
}

static PORT: LazyLock<u16> = LazyLock::new(|| {
    let options = Options {
        results: results(),
        port: 0,
        open: false,
        labeller: "fuzz".into(),
        mode: Mode::Open,
        pictures: None,
        model: None,
    };
    let run = review::run::Run::load(&options).expect("the run can be read");
    let log = LabelLog::open(&options.results.join("labels.csv")).expect("there are no labels yet");
    let session = Session::new(run, log, options.labeller.clone(), options.mode);
    let listener = TcpListener::bind("127.0.0.1:0").expect("a port is free");
    let port = listener.local_addr().expect("it is bound").port();
    std::thread::spawn(move || {
        let guard = guard();
        review::http::serve(&listener, &|head| review::routes::admit(&guard, head), &|request| {
            review::routes::answer(&session, &guard, request)
        });
    });
    port
});

/// The length of the body in place of `@` where a length belongs, so that bodies can change without it.
fn with_length(bytes: &[u8]) -> Cow<'_, [u8]> {
    const ASKED: &[u8] = b"Content-Length: @";
    let place = |word: &[u8]| bytes.windows(word.len()).position(|w| w == word);
    let (Some(at), Some(end)) = (place(ASKED), place(b"\r\n\r\n")) else { return Cow::Borrowed(bytes) };
    let length = (bytes.len() - end - 4).to_string();
    Cow::Owned([&bytes[..at + ASKED.len() - 1], length.as_bytes(), &bytes[at + ASKED.len()..]].concat())
}

/// Learning and applying take long and are asked for rarely, so that other requests are tried as well.
static ASKED: AtomicUsize = AtomicUsize::new(0);

fuzz_target!(init: LazyLock::force(&PORT), |bytes: &[u8]| {
    let is = |word: &[u8]| bytes.windows(word.len()).any(|w| w == word);
    if (is(b"/api/learn") || is(b"/api/apply")) && ASKED.fetch_add(1, Ordering::Relaxed) % 64 != 0 {
        return;
    }
    let Ok(mut stream) = TcpStream::connect(("127.0.0.1", *PORT)) else { return };
    // The server may answer and close before it has read everything.
    let _ = stream.write_all(&with_length(bytes));
    let _ = stream.shutdown(Shutdown::Write);
    let mut reply = Vec::new();
    let _ = stream.read_to_end(&mut reply);
    assert!(reply.is_empty() || reply.starts_with(b"HTTP/1.1 "));
});
