//! One picture and one series: order, parallelism, outcomes, events.
//!
//! Pictures -> rows: read, find, measure, group, label ([`classify_micrograph`]). Series -> tables: every picture in
//! parallel, each one's result kept on disk as soon as it is there ([`run`]), then break faces and knots ([`Scores`]).
//! On several machines: each takes its part of the list ([`Inputs::shard`]), and [`merge`] joins their tables.

mod cache;
mod contradictions;
mod error;
mod finish;
mod folder;
mod hand;
mod inputs;
mod jobs;
mod merge;
mod options;
mod path_text;
mod picture;
mod pictures;
mod repeats;
mod replace;
mod row;
mod run;
mod scale_fit;
mod scores;
mod shard;
mod sites;
mod source;
mod stale;
mod tables;

pub use error::RunError;
pub use finish::Outcome;
pub use folder::BEFORE_REVIEW;
pub use hand::{
    Applied, BothFractions, Fraction, LABELS_FILE, apply_hand_labels, has_hand_labels, model_ends, rows_digest,
};
pub use inputs::{gather, pictures_in};
pub use jobs::{Inputs, PictureJob};
pub use merge::{MergeError, MergeOptions, merge};
pub use options::{Event, RunOptions};
pub use picture::{Classified, classify_candidates, classify_micrograph};
pub use run::run;
pub use scores::{Scores, model_figures};
pub use shard::{Part, Shard};

use crate::detect::Detector;
use crate::settings::Settings;
use crate::tree::Model;

/// What every picture of a run is worked on with.
pub struct Tools {
    /// Finds candidate ends.
    pub detector: Detector,
    /// Labels measured ends.
    pub model: Model,
    /// Every threshold.
    pub settings: Settings,
    /// One scale for all pictures whose table row has none, µm per px.
    pub um_per_px: Option<f64>,
}
