//! Warnings and flags: a short stable name and one line for people.

/// Something a person should know about a picture, an end, a specimen or a run.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Warning {
    /// Stable name, `snake_case`.
    pub name: &'static str,
    /// One line: what, where, and what to do about it.
    pub text: String,
}

impl Warning {
    /// A warning from its name and text.
    pub fn new(name: &'static str, text: impl Into<String>) -> Self {
        Self { name, text: text.into() }
    }
}
