//! Runs the real program in a fresh folder and looks at what it says and leaves.

use std::path::{Path, PathBuf};
use std::process::{Command, Output};

/// A fresh folder to run the program in.
pub struct Bench {
    folder: tempfile::TempDir,
}

/// What a run said.
pub struct Said {
    /// Exit code; `None` when a signal ended it.
    pub code: Option<i32>,
    /// Standard output.
    pub out: String,
    /// Standard error.
    pub err: String,
}

impl Bench {
    pub fn new() -> Self {
        Self { folder: tempfile::tempdir().unwrap() }
    }

    pub fn path(&self, name: &str) -> PathBuf {
        self.folder.path().join(name)
    }

    /// Writes a file, with its folders.
    pub fn write(&self, name: &str, bytes: impl AsRef<[u8]>) -> PathBuf {
        let path = self.path(name);
        std::fs::create_dir_all(path.parent().unwrap()).unwrap();
        std::fs::write(&path, bytes).unwrap();
        path
    }

    /// Copies a fixture.
    pub fn copy(&self, from: &str, to: &str) -> PathBuf {
        self.write(to, std::fs::read(fixture(from)).unwrap())
    }

    pub fn read(&self, name: &str) -> String {
        std::fs::read_to_string(self.path(name)).unwrap()
    }

    pub fn bytes(&self, name: &str) -> Vec<u8> {
        std::fs::read(self.path(name)).unwrap()
    }

    /// The program, in this folder.
    pub fn command(&self) -> Command {
        self.command_of(env!("CARGO_BIN_EXE_breakface"))
    }

    /// Another program, in this folder.
    pub fn command_of(&self, program: &str) -> Command {
        let mut command = Command::new(program);
        command.current_dir(self.folder.path());
        command
    }

    /// Runs the program with these arguments.
    pub fn run(&self, args: &[&str]) -> Said {
        said(&self.command().args(args).output().unwrap())
    }

    /// The rows of a table as header and records.
    pub fn table(&self, name: &str) -> (Vec<String>, Vec<Vec<String>>) {
        let mut reader = csv::Reader::from_path(self.path(name)).unwrap();
        let header = reader.headers().unwrap().iter().map(str::to_owned).collect();
        let rows = reader.records().map(|r| r.unwrap().iter().map(str::to_owned).collect()).collect();
        (header, rows)
    }

    /// One column of a table.
    pub fn column(&self, name: &str, column: &str) -> Vec<String> {
        let (header, rows) = self.table(name);
        let index = header.iter().position(|h| h == column).unwrap_or_else(|| panic!("no column {column} in {name}"));
        rows.into_iter().map(|mut row| row.swap_remove(index)).collect()
    }
}

/// Output as text.
pub fn said(output: &Output) -> Said {
    Said {
        code: output.status.code(),
        out: String::from_utf8_lossy(&output.stdout).into_owned(),
        err: String::from_utf8_lossy(&output.stderr).into_owned(),
    }
}

/// A file of the repository.
pub fn repository(name: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join(name)
}

/// A fixture.
pub fn fixture(name: &str) -> PathBuf {
    repository("fixtures").join(name)
}
