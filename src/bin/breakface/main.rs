//! The command-line program: arguments in, tables and pages out, one exit code.

#[macro_use]
mod say;

mod args;
mod cmd;
mod exit;
mod model_files;
mod progress;
mod review;
mod specimen_from;

use clap::Parser;
use std::process::ExitCode;

fn main() -> ExitCode {
    let cli = args::Cli::parse();
    match args::run(cli) {
        Ok(code) => code.into(),
        Err(error) if is_broken_pipe(&error) => ExitCode::SUCCESS,
        Err(error) => {
            note!("breakface: {error:#}");
            exit::Code::Wrong.into()
        }
    }
}

/// A reader that has seen enough (`| head`) is no fault.
fn is_broken_pipe(error: &anyhow::Error) -> bool {
    error
        .chain()
        .any(|cause| cause.downcast_ref::<std::io::Error>().is_some_and(|e| e.kind() == std::io::ErrorKind::BrokenPipe))
}
