//! Labelled ends -> a new model, with honest figures.
//!
//! [`fit`] grows trees (split search by linfa-trees), [`prune`] cuts them back, [`forest`] grows many, [`cross`] judges
//! them by groups they have not seen, [`choose`] decides how far they are cut back and how soft they are, [`calibrate`]
//! makes each witness honest, [`judge`] hears both, [`band`] says where there is no verdict. Same rows in any order give
//! the same bytes. No files, no clock.

pub mod band;
pub mod calibrate;
pub mod choose;
pub mod confusion;
pub mod cross;
pub mod describe_tree;
pub mod evaluate;
pub mod figures;
pub mod fit;
pub mod forest;
pub mod gather;
pub mod ground_truth;
pub mod judge;
pub mod page;
pub mod prune;
mod run;
mod splits;
mod table;
mod warn;

pub use choose::PruneStep;
pub use judge::PartFigures;
pub use run::{Learning, Options, TrainError, Trained, train};
pub use splits::Kind;
pub use table::{TrainingRow, TrainingTable, digest_of, label_features};
