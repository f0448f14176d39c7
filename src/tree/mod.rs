//! The decision tree that labels ends: predict and explain; the model file.
//!
//! Features -> label, probability of sheared, and the reason where there is no verdict. Knows nothing of pictures, and
//! nothing of training, which is [`crate::train`].

pub mod file;
pub mod model;
pub mod node;
pub mod subtype;

pub use file::ModelError;
pub use model::{Model, Step};
pub use node::{Node, Side};

/// What an end is.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Label {
    /// Cut through: flat, angled, little or no cap.
    Sheared,
    /// Broken in tension: capped, drawn out or split.
    Tensile,
    /// The picture does not allow a verdict.
    Unclear,
}

/// The two classes, in the order of counts in leaves; ties go to the first.
pub const CLASSES: [Label; 2] = [Label::Sheared, Label::Tensile];

impl Label {
    /// The word in the tables.
    pub fn word(self) -> &'static str {
        match self {
            Self::Sheared => "sheared",
            Self::Tensile => "tensile",
            Self::Unclear => "unclear",
        }
    }

    /// The label from its word in the tables.
    pub fn from_word(word: &str) -> Option<Self> {
        [Self::Sheared, Self::Tensile, Self::Unclear].into_iter().find(|l| l.word().eq_ignore_ascii_case(word.trim()))
    }

    /// Position among [`CLASSES`]; `None` for `unclear`.
    pub fn class(self) -> Option<usize> {
        CLASSES.iter().position(|&l| l == self)
    }
}

/// Start of the reason of an end whose probability is near a half.
pub const COULD_BE_EITHER: &str = "could be either";

/// The answer of a model about one end.
#[derive(Debug, Clone, PartialEq)]
pub struct Verdict {
    /// The label.
    pub label: Label,
    /// Probability that the end was sheared; missing when nothing could be measured.
    pub p_sheared: Option<f64>,
    /// Why the label is `unclear`; empty otherwise.
    pub reason: String,
    /// Descriptive subtype (bulb, split, cut, flared cut, …) where it can be told.
    pub subtype: Option<&'static str>,
}
