//! The command line through its real binary.

use std::process::Command;

/// The program under test.
pub fn breakface() -> Command {
    Command::new(env!("CARGO_BIN_EXE_breakface"))
}

#[test]
fn help_and_version_are_there() {
    for flag in ["--help", "--version"] {
        let output = breakface().arg(flag).output().unwrap();
        assert!(output.status.success());
        assert!(String::from_utf8_lossy(&output.stdout).contains("breakface"));
    }
}
