//! How a run is done, and what it tells while it goes on.

use crate::table::ImageRow;
use std::path::Path;
use std::sync::atomic::AtomicBool;

/// How a run is done; nothing here changes a result.
#[derive(Debug, Clone, Copy)]
pub struct RunOptions<'a> {
    /// Folder for the results.
    pub out: &'a Path,
    /// Take a folder with other files in it, and do every picture again.
    pub force: bool,
    /// Write over results that hold pictures which this run does not have.
    pub replace: bool,
    /// Pictures worked on at the same time; 0 = one per processor.
    pub threads: usize,
    /// Draw overlays.
    pub overlays: bool,
    /// Write the tables as Parquet too (when the library was built with it).
    pub parquet: bool,
    /// Set from outside to stop: pictures under work are broken off and left to the next run.
    pub stop: &'a AtomicBool,
}

/// What happens during a run, as it happens; pictures finish in any order.
#[derive(Debug, Clone, PartialEq)]
#[non_exhaustive]
pub enum Event {
    /// Something to know about the folder of the results, in one line.
    Note {
        /// The line.
        text: String,
    },
    /// The list of pictures is known.
    Started {
        /// Pictures to work on.
        pictures: usize,
    },
    /// A picture is done.
    Done {
        /// Its row.
        image: Box<ImageRow>,
        /// Whether its result was there from an earlier run.
        kept: bool,
    },
    /// A picture could not be read.
    Failed {
        /// Picture.
        image: String,
        /// Why.
        error: String,
    },
}
