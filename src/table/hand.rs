//! What a person says an end is.

use crate::tabular::words;
use crate::tree::Label;

words! {
    /// What a person says an end is.
    #[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
    pub enum HandLabel {
        /// Cut through.
        Sheared = "sheared",
        /// Broken in tension.
        Tensile = "tensile",
        /// The picture does not allow a verdict.
        Unclear = "unclear",
        /// No fibre ends here.
        NotAnEnd = "not_an_end",
    }
}

impl HandLabel {
    /// The label of an end; `None` when it is not an end.
    pub fn label(self) -> Option<Label> {
        match self {
            Self::Sheared => Some(Label::Sheared),
            Self::Tensile => Some(Label::Tensile),
            Self::Unclear => Some(Label::Unclear),
            Self::NotAnEnd => None,
        }
    }
}
