//! Warnings and flags: one registry ([`Flag`]) of short stable names, what they mean and what to do about them; and why an
//! end has no verdict ([`Reason`]).
//!
//! A name is chosen once; renaming one breaks scripts that read it.

mod reason;

pub use reason::Reason;

/// Something a person should know about a picture, an end, a specimen or a run.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Warning {
    /// Which.
    pub flag: Flag,
    /// One line: what, where, and what to do about it.
    pub text: String,
}

impl Warning {
    /// A warning from its flag and text.
    pub fn new(flag: Flag, text: impl Into<String>) -> Self {
        Self { flag, text: text.into() }
    }
}

/// How much a flag matters. The order is the order of listing: worst first.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Severity {
    /// The figures cannot be trusted until this is sorted out.
    Alarm,
    /// A result that calls for action.
    Finding,
    /// Read the figures with care.
    Caution,
    /// Worth knowing.
    Note,
}

impl Severity {
    /// The word in the tables.
    pub fn word(self) -> &'static str {
        match self {
            Self::Alarm => "alarm",
            Self::Finding => "finding",
            Self::Caution => "caution",
            Self::Note => "note",
        }
    }
}

/// What a flag is about.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum About {
    /// A run as a whole.
    Run,
    /// One picture.
    Picture,
    /// One specimen.
    Specimen,
    /// One knot in one line.
    Knot,
}

impl About {
    /// The word for people.
    pub fn word(self) -> &'static str {
        match self {
            Self::Run => "run",
            Self::Picture => "picture",
            Self::Specimen => "specimen",
            Self::Knot => "knot",
        }
    }
}

/// Declares the flags. Each entry: its meaning (the doc comment), variant, stable name, what it is about, severity, remedy.
macro_rules! flags {
    ($($(#[doc = $meaning:literal])+ $variant:ident: $name:literal, $about:ident, $severity:ident, $remedy:literal;)+) => {
        /// Every flag, worst first. The order is the order of listing.
        #[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
        pub enum Flag { $($(#[doc = $meaning])+ $variant,)+ }

        impl Flag {
            /// Every flag, worst first.
            pub const ALL: &'static [Self] = &[$(Self::$variant),+];

            /// Stable name, `snake_case`.
            pub fn name(self) -> &'static str {
                match self { $(Self::$variant => $name,)+ }
            }

            /// What it is about.
            pub fn about(self) -> About {
                match self { $(Self::$variant => About::$about,)+ }
            }

            /// How much it matters.
            pub fn severity(self) -> Severity {
                match self { $(Self::$variant => Severity::$severity,)+ }
            }

            /// What it means, in one sentence.
            pub fn meaning(self) -> &'static str {
                match self { $(Self::$variant => concat!($($meaning),+).trim_ascii(),)+ }
            }

            /// What to do about it, in one sentence.
            pub fn remedy(self) -> &'static str {
                match self { $(Self::$variant => $remedy,)+ }
            }
        }
    };
}

flags! {
    /// A control came out wrong: a scissor cut full of tensile ends, or a straight pull full of sheared ones.
    ControlFailed: "control_failed", Specimen, Alarm, "Look at its pictures: focus, exposure and magnification first, then correct labels and retrain.";
    /// On the controls, labels hardly tell sheared from tensile, so no correction is possible.
    LabellerUninformative: "labeller_uninformative", Run, Alarm, "Check focus and scale of the controls, then correct labels and retrain.";
    /// The fibre diameter at this scale is far from that of the other pictures of the same line.
    ScaleContradicts: "scale_contradicts", Picture, Alarm, "Check the scale of this picture against a stage micrometer.";
    /// No fibre of a plausible size fits the scale of the picture, so nearly nothing was found in it.
    ScaleUnfit: "scale_unfit", Picture, Alarm, "Correct um_per_px of this picture; ten times off is a misplaced decimal point.";
    /// Most of the break was sheared: the whole interval says so, not only the estimate.
    MostlyShear: "mostly_shear", Specimen, Finding, "Dress the knot so that the line does not cut into itself, or choose another knot.";
    /// Most of the break was sheared in this knot: the whole interval over its specimens says so.
    KnotMostlyShear: "knot_mostly_shear", Knot, Finding, "Dress the knot so that the line does not cut into itself, or choose another knot.";
    /// Too few labelled ends for a verdict.
    TooFewEnds: "too_few_ends", Specimen, Caution, "Take more pictures of this break face, or sharper ones.";
    /// Fewer than three specimens: no test between knots.
    TooFewSpecimens: "too_few_specimens", Knot, Caution, "Break more specimens of this knot.";
    /// The picture is out of focus for its magnification.
    OutOfFocus: "out_of_focus", Picture, Caution, "Refocus, or stack a focus series.";
    /// No scale is known for this picture, so its lengths stay in pixels.
    ScaleMissing: "scale_missing", Picture, Caution, "Give um_per_px in the series table, or calibrate.";
    /// Many ends lie outside the range of the ends the model learnt from.
    OutOfRange: "out_of_range", Specimen, Caution, "Look at the labels by hand, and retrain with them.";
    /// One carrier supplies most of the labelled ends.
    OneCarrierDominates: "one_carrier_dominates", Specimen, Caution, "Take pictures of the other carriers.";
    /// More ends are unclear than labelled.
    ManyUnclear: "many_unclear", Specimen, Caution, "Spread the fibres, focus, and use a higher magnification.";
    /// The median fibre diameter is outside what fibres of such lines have.
    DiameterImplausible: "diameter_implausible", Specimen, Caution, "Check the scale of the pictures.";
    /// The burnt-in scale bar and the scale in use differ by more than 3 %.
    ScaleBarContradicts: "scale_bar_contradicts", Picture, Caution, "Check um_per_px, the calibration and bar_um of this picture.";
    /// The series table gives the length of a scale bar, but none is seen in the picture, or it is not certain which stroke is it.
    ScaleBarMissing: "scale_bar_missing", Picture, Caution, "Check that the picture has a bar; measure it with `calibrate bar --at`, or give um_per_px.";
    /// The named calibration cannot be used, so the scale comes from elsewhere or is missing.
    CalibrationUnknown: "calibration_unknown", Picture, Caution, "Put the calibration into calibrations.csv beside the series table, or correct its name.";
    /// A frame of the focus series could not be used.
    StackFrameLeftOut: "stack_frame_left_out", Picture, Caution, "Copy or take the frame again, all frames in one size.";
    /// The frames of the focus series seem to be out of order.
    StackOrder: "stack_order", Picture, Caution, "Name the frames by their height and merge again.";
    /// Much of the picture is sharpest in the first or last frame of the focus series.
    StackTooShort: "stack_too_short", Picture, Caution, "Take frames further up or down.";
    /// Part of the picture is sharp in no frame of the focus series.
    StackUnfocused: "stack_unfocused", Picture, Caution, "Take frames closer together or over a greater height.";
    /// No edge of the picture is sharp.
    Soft: "soft", Picture, Caution, "Focus again, or merge a focus series.";
    /// Much of the picture is lost in white.
    ClippedHigh: "clipped_high", Picture, Caution, "Expose less.";
    /// Much of the picture is lost in black.
    ClippedLow: "clipped_low", Picture, Caution, "Expose more.";
    /// The picture is noisy.
    Noisy: "noisy", Picture, Caution, "Expose longer or average frames.";
    /// Blocks of lossy compression show.
    JpegBlocks: "jpeg_blocks", Picture, Caution, "Save with less compression.";
    /// Fibres are few pixels across.
    Coarse: "coarse", Picture, Caution, "Use a higher magnification.";
    /// The file claims a scale that no microscope gives.
    ImplausibleScale: "implausible_scale", Picture, Caution, "Give um_per_px in the series table, and look at the program that wrote the file.";
    /// No usable controls: fractions are corrected by the model's cross-validated error rates, or not at all.
    ControlsMissing: "controls_missing", Run, Note, "Add a scissor-cut and a straight-pull specimen to the series.";
    /// Peak loads are missing, so knot efficiency cannot be given.
    LoadsMissing: "loads_missing", Run, Note, "Fill in peak_load_n, for the straight pulls too.";
    /// A peak load is far from the others of its knot or of the straight pulls.
    LoadSuspicious: "load_suspicious", Run, Note, "Check the entry, and how the specimen broke.";
    /// Pictures of this specimen show the same place; its ends were counted once.
    CountedOnce: "counted_once", Specimen, Note, "Nothing, or give the site column to say which pictures belong together.";
    /// The same picture was given more than once; it counts once.
    SamePicture: "same_picture", Picture, Note, "Nothing, or take the copy out of the series.";
    /// Without controls, fractions were corrected by the model's cross-validated error rates.
    ModelFigures: "model_figures", Run, Note, "Add a scissor-cut and a straight-pull specimen to the series.";
    /// The file has several pages or frames; only the first is used.
    FirstPage: "first_page", Picture, Note, "Split the file when another page was meant.";
    /// Grey values are fractions; 0 is taken as black and 1 as white.
    FloatPicture: "float_picture", Picture, Note, "Save as 16-bit when the picture looks wrong.";
    /// Transparent places of the picture were taken as black.
    Transparent: "transparent", Picture, Note, "Save without transparency.";
    /// The picture uses few of its 16 bits; its greys were stretched.
    ShallowGrey: "shallow_grey", Picture, Note, "Nothing, or export with the full range.";
    /// The file holds a print resolution, which is no calibration.
    PrintResolution: "print_resolution", Picture, Note, "Give um_per_px in the series table.";
    /// The pixels of the file are not square.
    PixelsNotSquare: "pixels_not_square", Picture, Note, "Resample the picture to square pixels.";
    /// Some frames of the focus series are sharpest nowhere.
    StackUnusedFrames: "stack_unused_frames", Picture, Note, "Nothing; they may be left out.";
}

impl Flag {
    /// The flag of a name.
    pub fn from_name(name: &str) -> Option<Self> {
        Self::ALL.iter().copied().find(|f| f.name() == name)
    }
}

/// Joins the names of flags, worst first and each once, as the tables hold them.
pub fn join(flags: &[Flag]) -> String {
    let mut flags = flags.to_vec();
    flags.sort_unstable();
    flags.dedup();
    flags.into_iter().map(Flag::name).collect::<Vec<_>>().join(";")
}

/// The names of a joined field, those of other versions of the program included.
pub fn split(joined: &str) -> impl Iterator<Item = &str> {
    joined.split(';').map(str::trim).filter(|n| !n.is_empty())
}

/// The flags of a joined field; names that this version does not know are passed over.
pub fn known(joined: &str) -> impl Iterator<Item = Flag> {
    split(joined).filter_map(Flag::from_name)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn names_are_unique_and_worst_come_first() {
        for (i, f) in Flag::ALL.iter().enumerate() {
            assert!(Flag::ALL[..i].iter().all(|g| g.name() != f.name()), "{} twice", f.name());
            assert!(Flag::ALL[..i].iter().all(|g| g.severity() <= f.severity()), "{} out of order", f.name());
            assert!(f.name().chars().all(|c| c.is_ascii_lowercase() || c == '_'));
            assert!(f.meaning().ends_with('.') && f.remedy().ends_with('.'));
            assert_eq!(Flag::from_name(f.name()), Some(*f));
        }
    }

    #[test]
    fn joining_sorts_and_drops_repeats() {
        let joined = join(&[Flag::TooFewEnds, Flag::ControlFailed, Flag::TooFewEnds]);
        assert_eq!(joined, "control_failed;too_few_ends");
        assert_eq!(known(&joined).collect::<Vec<_>>(), [Flag::ControlFailed, Flag::TooFewEnds]);
        assert_eq!(split("a;b").collect::<Vec<_>>(), ["a", "b"]);
        assert_eq!(split("").count(), 0);
    }
}
