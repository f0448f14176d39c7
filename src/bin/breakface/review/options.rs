//! What the command line asks of a review.

use std::path::PathBuf;

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
    /// Whether the page hides what others say, or is there to decide between labellers.
    pub mode: Mode,
    /// Folder of the pictures, when it has moved.
    pub pictures: Option<PathBuf>,
    /// The model of the run, when it is not the bundled one.
    pub model: Option<PathBuf>,
}

/// What a page shows of others, and what its decisions mean.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum Mode {
    /// The model's answers are shown; decisions are labels.
    #[default]
    Open,
    /// What the model and others say of an end is hidden until this labeller has decided.
    Blind,
    /// Ends on which labellers differ, with what each says; decisions count instead of theirs.
    Adjudicate,
}

impl Mode {
    /// The word for the page.
    pub fn word(self) -> &'static str {
        match self {
            Self::Open => "open",
            Self::Blind => "blind",
            Self::Adjudicate => "adjudicate",
        }
    }
}
