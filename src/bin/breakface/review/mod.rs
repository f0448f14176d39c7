//! The local review page: a small server on this computer only, for one results folder.
//!
//! [`http`] speaks to the browser, [`guard`] decides who may ask, [`routes`] what is answered, [`session`] holds the state (which is only the files),
//! [`image_cache`] makes pictures to look at, [`apply`] puts hand labels in place, [`retrain`] learns from them.

mod apply;
mod assets;
mod browser;
mod end_id;
mod guard;
mod http;
mod image_cache;
mod lock;
mod options;
mod reply;
mod retrain;
mod routes;
mod run;
mod session;
mod wire;

use std::net::{Ipv4Addr, SocketAddr, TcpListener};

use anyhow::{Context, anyhow};
use breakface::labels::LabelLog;
use breakface::report::counted;
use guard::Guard;
pub use options::{Mode, Options};
use session::{Session, checked_name};

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
    let token = guard::new_token()?;
    let address = format!("http://127.0.0.1:{port}/?token={token}");
    let guard = Guard::new(port, token);
    let session = Session::new(run, log, labeller.to_owned(), options.mode);
    session.check_spelling(labeller).map_err(|r| anyhow!("--labeller: {}", r.message))?;
    tell!("{address}");
    note!("breakface review: {}; stop with Ctrl-C, nothing is lost", counted(session.run.ends.len(), "end", "ends"));
    if options.open {
        browser::open(&address);
    }
    http::serve(&listener, &|head| routes::admit(&guard, head), &|request| routes::answer(&session, &guard, request));
    Ok(())
}
