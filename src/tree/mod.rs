//! The decision tree that labels ends: train, prune, predict, explain, evaluate; the model file.

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
}

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
