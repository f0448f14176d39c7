//! Work that is no longer wanted: whoever waits for it sets a flag, and what takes long looks at it.

use std::sync::atomic::{AtomicBool, Ordering};

/// Whether work under way is still wanted; the default is always wanted.
#[derive(Debug, Clone, Copy, Default)]
pub(crate) struct Cancel<'a>(Option<&'a AtomicBool>);

/// Work was broken off because nobody wants it any more.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
#[error("it was stopped before it was finished")]
pub(crate) struct Cancelled;

impl<'a> Cancel<'a> {
    /// Work that is wanted until the flag is set.
    pub(crate) fn by(flag: &'a AtomicBool) -> Self {
        Self(Some(flag))
    }

    /// Whether the work is no longer wanted.
    pub(crate) fn is_asked(self) -> bool {
        self.0.is_some_and(|flag| flag.load(Ordering::Relaxed))
    }

    /// To be asked between steps of what takes long.
    ///
    /// # Errors
    /// When the work is no longer wanted.
    pub(crate) fn check(self) -> Result<(), Cancelled> {
        if self.is_asked() { Err(Cancelled) } else { Ok(()) }
    }
}
