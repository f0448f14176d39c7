//! Why an end has no verdict: one registry of reasons, as the tables hold them.

use std::borrow::Cow;

/// Why the label of an end is `unclear`, or who gave it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Reason {
    /// The shaft is too few pixels across.
    TooFewPixels,
    /// The end is out of focus.
    OutOfFocus,
    /// Something hides the end.
    Hidden,
    /// The end hardly stands out from what is around it.
    LowContrast,
    /// The end lies at the edge of the picture or under a caption.
    AtFrameEdge,
    /// No shaft is seen behind the end.
    NoShaft,
    /// None of the model's features could be measured.
    NothingMeasured,
    /// The probability of sheared is near a half.
    CouldBeEither {
        /// Probability of sheared.
        p_sheared: f64,
    },
    /// Measured shape and appearance are both sure and contradict each other.
    Contradiction {
        /// Probability of sheared by measured shape.
        shape: f64,
        /// Probability of sheared by appearance.
        appearance: f64,
    },
    /// A person added the end.
    AddedByHand,
    /// A person says that no fibre ends here.
    NotAnEnd,
    /// A person cannot tell either.
    UnclearByHand,
}

/// Between the reasons of one end.
const BETWEEN: &str = "; ";
/// Start of the reason of an end whose probability is near a half; the probability follows.
const COULD_BE_EITHER: &str = "could be either: probability of sheared ";
/// Start of the reason of an end on which the witnesses contradict each other; the probability by shape follows.
const CONTRADICTION: &str = "shape and appearance contradict each other: probability of sheared by shape ";
/// Between the two probabilities of a contradiction.
const BY_APPEARANCE: &str = ", by appearance ";

impl Reason {
    /// Every reason that has one fixed text.
    pub const FIXED: [Self; 10] = [
        Self::TooFewPixels,
        Self::OutOfFocus,
        Self::Hidden,
        Self::LowContrast,
        Self::AtFrameEdge,
        Self::NoShaft,
        Self::NothingMeasured,
        Self::AddedByHand,
        Self::NotAnEnd,
        Self::UnclearByHand,
    ];

    /// The text in the tables.
    pub fn text(self) -> Cow<'static, str> {
        Cow::Borrowed(match self {
            Self::TooFewPixels => "too_few_pixels",
            Self::OutOfFocus => "out_of_focus",
            Self::Hidden => "hidden",
            Self::LowContrast => "low_contrast",
            Self::AtFrameEdge => "at_frame_edge",
            Self::NoShaft => "no_shaft",
            Self::NothingMeasured => "nothing could be measured",
            Self::CouldBeEither { p_sheared } => return Cow::Owned(format!("{COULD_BE_EITHER}{p_sheared:.2}")),
            Self::Contradiction { shape, appearance } => {
                return Cow::Owned(format!("{CONTRADICTION}{shape:.2}{BY_APPEARANCE}{appearance:.2}"));
            }
            Self::AddedByHand => "added by hand",
            Self::NotAnEnd => "not an end, by hand",
            Self::UnclearByHand => "unclear, by hand",
        })
    }

    /// The reason of a text.
    pub fn from_text(text: &str) -> Option<Self> {
        if let Some(p) = text.strip_prefix(COULD_BE_EITHER) {
            return p.parse().ok().map(|p_sheared| Self::CouldBeEither { p_sheared });
        }
        if let Some(both) = text.strip_prefix(CONTRADICTION) {
            let (shape, appearance) = both.split_once(BY_APPEARANCE)?;
            return Some(Self::Contradiction { shape: shape.parse().ok()?, appearance: appearance.parse().ok()? });
        }
        Self::FIXED.into_iter().find(|r| r.text() == text)
    }

    /// Reasons as one cell of a table.
    pub fn join(reasons: &[Self]) -> String {
        reasons.iter().map(|r| r.text()).collect::<Vec<_>>().join(BETWEEN)
    }

    /// The reasons of a cell; texts of other versions of the program are passed over.
    pub fn split(cell: &str) -> impl Iterator<Item = Self> {
        cell.split(BETWEEN).filter_map(Self::from_text)
    }

    /// Whether it is the probabilities alone that forbid a verdict, and not the picture.
    pub fn is_undecided(self) -> bool {
        matches!(self, Self::CouldBeEither { .. } | Self::Contradiction { .. })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn reasons_come_back_from_their_cell() {
        let either = Reason::CouldBeEither { p_sheared: 0.47 };
        let both = Reason::Contradiction { shape: 0.07, appearance: 0.93 };
        let all: Vec<Reason> = Reason::FIXED.into_iter().chain([either, both]).collect();
        assert_eq!(Reason::split(&Reason::join(&all)).collect::<Vec<_>>(), all);
        assert_eq!(either.text(), "could be either: probability of sheared 0.47");
        assert_eq!(Reason::split("").count(), 0);
    }
}
