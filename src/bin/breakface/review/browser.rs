//! Opening the page in a browser without showing its token to other users of the computer.
//!
//! The command line of a browser stands in the list of processes for everybody to read. So the browser is given a file that
//! only this user can read, and the file leads it to the address with the token.

use std::io::Write;
use std::process::{Command, Stdio};
use std::time::Duration;

/// Time for a browser to start and read the file; then it goes.
const UNTIL_READ: Duration = Duration::from_secs(60);

/// Asks the system for a browser; the printed address does as well when there is none.
pub fn open(address: &str) {
    let Some(folder) = start(address) else {
        note!("breakface review: no browser could be opened; open the address above by hand");
        return;
    };
    std::thread::spawn(move || {
        std::thread::sleep(UNTIL_READ);
        drop(folder);
    });
}

/// Starts a browser on a file that leads to the page; the folder of that file.
fn start(address: &str) -> Option<tempfile::TempDir> {
    let mut builder = tempfile::Builder::new();
    builder.prefix("breakface-review-");
    // Nobody else may even list it.
    #[cfg(unix)]
    builder.permissions(std::os::unix::fs::PermissionsExt::from_mode(0o700));
    let folder = builder.tempdir().ok()?;
    let path = folder.path().join("open.html");
    let mut options = std::fs::OpenOptions::new();
    options.write(true).create_new(true);
    #[cfg(unix)]
    std::os::unix::fs::OpenOptionsExt::mode(&mut options, 0o600);
    options.open(&path).and_then(|mut file| file.write_all(leading_to(address).as_bytes())).ok()?;
    let (program, arguments): (&str, &[&str]) = if cfg!(target_os = "macos") {
        ("open", &[])
    } else if cfg!(windows) {
        ("cmd", &["/C", "start", ""])
    } else {
        ("xdg-open", &[])
    };
    let mut command = Command::new(program);
    command.args(arguments).arg(&path).stdin(Stdio::null()).stdout(Stdio::null()).stderr(Stdio::null());
    command.spawn().ok()?;
    Some(folder)
}

/// The address holds digits, letters and `:/?=.` only, nothing that HTML would read as markup.
fn leading_to(address: &str) -> String {
    format!(
        "<!doctype html><html lang=\"en\"><meta charset=\"utf-8\"><meta name=\"referrer\" content=\"no-referrer\">\
         <meta http-equiv=\"refresh\" content=\"0; url={address}\"><title>breakface review</title>\
         <p><a href=\"{address}\">Go to the review page</a></p></html>\n"
    )
}
