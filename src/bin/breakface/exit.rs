//! Every exit code of the program, in one place.

use std::process::ExitCode;

/// What the exit code says. The README repeats this list and a test compares the two.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Code {
    /// 0: done.
    Done,
    /// 1: done, something was flagged, and `--fail-on-flag` was given.
    Flagged,
    /// 2: wrong usage, settings, table or model; nothing or not all was written.
    Wrong,
    /// 3: done, but some pictures could not be read (3 beats 1).
    Unread,
    /// 130: stopped by Ctrl-C; finished pictures are kept and the same command goes on from there.
    Interrupted,
}

impl Code {
    /// The number the shell sees.
    pub fn number(self) -> u8 {
        match self {
            Self::Done => 0,
            Self::Flagged => 1,
            Self::Wrong => 2,
            Self::Unread => 3,
            Self::Interrupted => 130,
        }
    }
}

impl From<Code> for ExitCode {
    fn from(code: Code) -> Self {
        Self::from(code.number())
    }
}

/// Shown at the end of `--help`.
pub const HELP: &str = "\
Exit codes: 0 done; 1 something was flagged and --fail-on-flag was given; 2 wrong usage, settings, table or model; \
3 done, but some pictures could not be read; 130 stopped by Ctrl-C.

Examples:
  breakface classify pictures -o results --um-per-px 0.48
  breakface classify pictures/series.csv -o results
  breakface review results
  breakface compare results";
