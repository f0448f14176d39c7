//! The local review page: a small server on this computer only, for one results folder.
//!
//! [`guard`] decides who may ask, [`routes`] what is answered, [`session`] holds the state (which is only the files),
//! [`shown`] makes pictures to look at, [`outcome`] puts hand labels in place, [`lesson`] learns from them.

mod assets;
mod guard;
mod lesson;
mod lock;
mod outcome;
mod reply;
mod routes;
mod run;
mod session;
mod shown;
mod wire;

use std::io::Read;
use std::net::{Ipv4Addr, SocketAddr, TcpListener};
use std::path::PathBuf;
use std::sync::Arc;

use anyhow::{Context, anyhow};
use breakface::labels::LabelLog;
use guard::{Guard, Head};
use reply::{Refusal, Reply};
use session::{Session, checked_name};

/// Threads that answer: a page asks for a handful of crops at a time.
const THREADS: usize = 6;

/// What the command line asks for.
#[derive(Debug)]
pub struct Options {
    /// Folder of the results.
    pub results: PathBuf,
    /// Port; 0 = a free one.
    pub port: u16,
    /// Whether to open a browser.
    pub open: bool,
    /// Who labels.
    pub labeller: String,
    /// Folder of the pictures, when it has moved.
    pub pictures: Option<PathBuf>,
    /// The model of the run, when it is not the bundled one.
    pub model: Option<PathBuf>,
}

/// Serves the page until the program is stopped.
pub fn serve(options: &Options) -> anyhow::Result<()> {
    let labeller = checked_name(&options.labeller).map_err(|r| anyhow!("--labeller: {}", r.message))?;
    let run = run::Run::load(options)?;
    let _lock = lock::take(&options.results)?;
    let log = LabelLog::open(&options.results.join("labels.csv"))
        .context("hand labels cannot be used; correct the file or move it away")?;
    let listener = TcpListener::bind(SocketAddr::from((Ipv4Addr::LOCALHOST, options.port)))
        .with_context(|| format!("port {} on 127.0.0.1 cannot be used; --port 0 takes a free one", options.port))?;
    let port = listener.local_addr()?.port();
    let server = tiny_http::Server::from_listener(listener, None).map_err(|e| anyhow!("no server: {e}"))?;
    let token = guard::new_token()?;
    let address = format!("http://127.0.0.1:{port}/?token={token}");
    let guard = Guard::new(port, token);
    let session = Session::new(run, log, labeller.to_owned());
    println!("{address}");
    eprintln!("breakface review: {} ends; stop with Ctrl-C, nothing is lost", session.run.ends.len());
    if options.open {
        open_browser(&address);
    }
    let server = Arc::new(server);
    std::thread::scope(|scope| {
        for _ in 0..THREADS {
            let (server, session, guard) = (server.clone(), &session, &guard);
            scope.spawn(move || {
                while let Ok(request) = server.recv() {
                    handle(request, session, guard);
                }
            });
        }
    });
    Ok(())
}

fn handle(mut request: tiny_http::Request, session: &Session, guard: &Guard) {
    let reply = head_of(&request)
        .and_then(|head| {
            // Who asks is checked before the body is read.
            guard.check_origin(&head)?;
            let body = body_of(&mut request, &head)?;
            Ok(routes::answer(session, guard, &head, &body))
        })
        .unwrap_or_else(Reply::from);
    // A browser that has gone away is no fault.
    let _ = request.respond(reply.into_response());
}

fn head_of(request: &tiny_http::Request) -> Result<Head, Refusal> {
    let headers = request
        .headers()
        .iter()
        .map(|h| (h.field.as_str().as_str().to_ascii_lowercase(), h.value.as_str().to_owned()))
        .collect();
    Head::new(request.method().as_str(), request.url(), headers)
}

fn body_of(request: &mut tiny_http::Request, head: &Head) -> Result<Vec<u8>, Refusal> {
    if head.method != "POST" {
        return Ok(Vec::new());
    }
    let too_large = || Refusal::new(413, format!("a request holds at most {} bytes", routes::MAX_BODY));
    if request.body_length().is_some_and(|n| n > routes::MAX_BODY) {
        return Err(too_large());
    }
    let mut body = Vec::new();
    let limit = routes::MAX_BODY as u64 + 1;
    let read = request.as_reader().take(limit).read_to_end(&mut body);
    read.map_err(|_| Refusal::new(400, "the request broke off"))?;
    if body.len() > routes::MAX_BODY { Err(too_large()) } else { Ok(body) }
}

/// Asks the system for a browser; the printed address does as well when there is none.
fn open_browser(address: &str) {
    let (program, arguments): (&str, &[&str]) = if cfg!(target_os = "macos") {
        ("open", &[])
    } else if cfg!(windows) {
        ("cmd", &["/C", "start", ""])
    } else {
        ("xdg-open", &[])
    };
    let mut command = std::process::Command::new(program);
    command.args(arguments).arg(address);
    command.stdin(std::process::Stdio::null()).stdout(std::process::Stdio::null()).stderr(std::process::Stdio::null());
    if command.spawn().is_err() {
        eprintln!("breakface review: no browser could be opened; open the address above by hand");
    }
}
