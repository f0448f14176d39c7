//! Labelled ends -> a new model, with honest figures.
//!
//! [`fit`] grows trees (split search by linfa-trees), [`prune`] cuts them back, [`forest`] grows many, [`cross`] judges
//! them by groups they have not seen, [`calibrate`] makes probabilities honest. Same rows in any order give the same
//! bytes. No files, no clock.

pub mod calibrate;
pub mod cross;
pub mod evaluate;
pub mod figures;
pub mod fit;
pub mod forest;
pub mod gather;
pub mod page;
pub mod prune;
mod run;
mod table;
pub mod truth;
pub mod words;

pub use run::{Kind, Learning, Options, PruneStep, SourceFigures, TrainError, Trained, train};
pub use table::{TrainingRow, TrainingTable, label_features};
