//! The words of the scores: verdicts on faces, knots and carriers, and where their figures come from.

use crate::tabular::words;

words! {
    /// What the interval of a face or a knot says.
    #[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
    pub enum FaceVerdict {
        /// The whole interval says: most was sheared.
        MostlyShear = "mostly shear",
        /// The interval spans the middle.
        Mixed = "mixed",
        /// The whole interval says: most broke in tension.
        MostlyTensile = "mostly tensile",
        /// Not enough to say.
        TooFew = "too few",
    }
}

words! {
    /// What the ends of a carrier say.
    #[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
    pub enum CarrierVerdict {
        /// All but single ends sheared.
        CutThrough = "cut through",
        /// Some ends sheared, some broken in tension.
        PartlyCut = "partly cut",
        /// All but single ends broken in tension.
        BrokenInTension = "broken in tension",
        /// Too few labelled ends to say.
        TooFew = "too few",
    }
}

words! {
    /// Where the labeller's figures come from, and with them the published fraction.
    #[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
    pub enum Basis {
        /// Controls of the series.
        Controls = "controls",
        /// The model's own cross-validation.
        Model = "model",
        /// Neither: nothing is corrected.
        Raw = "raw",
    }
}

words! {
    /// Where the interval of a knot's mean comes from.
    #[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
    pub enum IntervalFrom {
        /// Student's t over the specimens.
        BetweenSpecimens = "between specimens",
        /// Resampled specimens.
        ResampledSpecimens = "resampled specimens",
        /// One specimen, and the spread between specimens of the other knots.
        OneSpecimen = "one specimen",
    }
}

words! {
    /// In which order the fibres of a specimen failed, as far as its pictures support it.
    #[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
    pub enum History {
        /// Carriers were cut in one plane; the others then took the load and broke close by.
        CutFirst = "cut first",
        /// Nothing was cut.
        Overload = "overload",
        /// The line slid while it was cut: the cuts follow each other along the line.
        CutSliding = "cut sliding",
        /// The line failed at two places along it.
        TwoPlaces = "two places",
        /// The pictures do not support an answer.
        NotKnown = "not known",
    }
}

impl History {
    /// The order of failure in words.
    pub fn phrase(self) -> &'static str {
        match self {
            Self::CutFirst => "cut first, then overloaded",
            Self::Overload => "overloaded without a cut",
            Self::CutSliding => "cut while sliding",
            Self::TwoPlaces => "broke in two places",
            Self::NotKnown => "order of failure not known",
        }
    }
}
