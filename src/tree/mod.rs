//! What labels ends: a decision tree on measured shape beside a network's impression; the model file.
//!
//! Features -> label, probability of sheared, and the reason where there is no verdict. Knows nothing of pictures, and
//! nothing of training, which is [`crate::train`].

use crate::flag::Reason;
use crate::tabular::words;

mod error;
pub mod file;
mod file_nodes;
pub mod model;
pub mod node;
pub mod shape;
pub mod subtype;
pub mod witness;

pub use error::{MODEL_FORMAT, ModelError};
pub use model::{Model, Step};
pub use node::{Node, Side};

words! {
    /// What an end is.
    #[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Default)]
    pub enum Label {
        /// Cut through: flat, angled, little or no cap.
        Sheared = "sheared",
        /// Broken in tension: capped, drawn out or split.
        Tensile = "tensile",
        /// The picture does not allow a verdict.
        #[default]
        Unclear = "unclear",
    }
}

/// The two classes, in the order of counts in leaves; ties go to the first.
pub const CLASSES: [Label; 2] = [Label::Sheared, Label::Tensile];

impl Label {
    /// Position among [`CLASSES`]; `None` for `unclear`.
    pub fn class(self) -> Option<usize> {
        CLASSES.iter().position(|&l| l == self)
    }
}

/// The answer of a model about one end.
#[derive(Debug, Clone, PartialEq)]
pub struct Verdict {
    /// The label.
    pub label: Label,
    /// Probability that the end was sheared; missing when nothing could be measured.
    pub p_sheared: Option<f64>,
    /// The same by measured shape alone.
    pub shape_p_sheared: Option<f64>,
    /// The same by the network's impression alone.
    pub appearance_p_sheared: Option<f64>,
    /// Why the label is `unclear`; empty otherwise.
    pub reasons: Vec<Reason>,
    /// Descriptive subtype (bulb, split, cut, flared cut, …) where it can be told.
    pub subtype: Option<&'static str>,
}
