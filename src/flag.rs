//! Warnings and flags: one registry of short stable names, what they mean and what to do about them.
//!
//! A name is chosen once; renaming one breaks scripts that read it.

/// Something a person should know about a picture, an end, a specimen or a run.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Warning {
    /// Stable name, `snake_case`, one of [`FLAGS`].
    pub name: &'static str,
    /// One line: what, where, and what to do about it.
    pub text: String,
}

impl Warning {
    /// A warning from its name and text.
    pub fn new(name: &'static str, text: impl Into<String>) -> Self {
        Self { name, text: text.into() }
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

/// One entry of the registry.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Flag {
    /// Stable name, `snake_case`.
    pub name: &'static str,
    /// What it is about: `run`, `picture`, `specimen` or `knot`.
    pub about: &'static str,
    /// How much it matters.
    pub severity: Severity,
    /// What it means, in one sentence.
    pub meaning: &'static str,
    /// What to do about it, in one sentence.
    pub remedy: &'static str,
}

const fn flag(
    name: &'static str,
    about: &'static str,
    severity: Severity,
    meaning: &'static str,
    remedy: &'static str,
) -> Flag {
    Flag { name, about, severity, meaning, remedy }
}

/// Every flag, worst first.
pub const FLAGS: &[Flag] = &[
    flag(
        "control_failed",
        "specimen",
        Severity::Alarm,
        "A control came out wrong: a scissor cut full of tensile ends, or a straight pull full of sheared ones.",
        "Look at its pictures: focus, exposure and magnification first, then correct labels and retrain.",
    ),
    flag(
        "labeller_uninformative",
        "run",
        Severity::Alarm,
        "By its controls the labeller hardly tells sheared from tensile, so no correction is possible.",
        "Check focus and scale of the controls, then correct labels and retrain.",
    ),
    flag(
        "scale_contradicts",
        "picture",
        Severity::Alarm,
        "The fibre diameter at this scale is far from that of the other pictures of the same line.",
        "Check the scale of this picture against a stage micrometer.",
    ),
    flag(
        "mostly_shear",
        "specimen",
        Severity::Finding,
        "Most of the break was sheared, by the whole interval and not only the point.",
        "Dress the knot so that the line does not cut into itself, or choose another knot.",
    ),
    flag(
        "knot_mostly_shear",
        "knot",
        Severity::Finding,
        "Most of the break was sheared in this knot, over its specimens.",
        "Dress the knot so that the line does not cut into itself, or choose another knot.",
    ),
    flag(
        "too_few_ends",
        "specimen",
        Severity::Caution,
        "Too few labelled ends for a verdict.",
        "Take more pictures of this break face, or sharper ones.",
    ),
    flag(
        "too_few_specimens",
        "knot",
        Severity::Caution,
        "Fewer than three specimens: no test between knots.",
        "Break more specimens of this knot.",
    ),
    flag(
        "out_of_focus",
        "picture",
        Severity::Caution,
        "The picture is out of focus for its magnification.",
        "Refocus, or stack a focus series.",
    ),
    flag(
        "scale_missing",
        "picture",
        Severity::Caution,
        "No scale is known for this picture, so its lengths stay in pixels.",
        "Give um_per_px in the series table, or calibrate.",
    ),
    flag(
        "out_of_range",
        "specimen",
        Severity::Caution,
        "Many ends lie outside the range of the ends the model learnt from.",
        "Look at the labels by hand, and retrain with them.",
    ),
    flag(
        "one_carrier_dominates",
        "specimen",
        Severity::Caution,
        "One carrier supplies most of the labelled ends.",
        "Take pictures of the other carriers.",
    ),
    flag(
        "many_unclear",
        "specimen",
        Severity::Caution,
        "More ends are unclear than labelled.",
        "Spread the fibres, focus, and use a higher magnification.",
    ),
    flag(
        "diameter_implausible",
        "specimen",
        Severity::Caution,
        "The median fibre diameter is outside what fibres of such lines have.",
        "Check the scale of the pictures.",
    ),
    flag(
        "scale_bar_contradicts",
        "picture",
        Severity::Caution,
        "The burnt-in scale bar and the scale in use differ by more than 3 %.",
        "Check um_per_px, the calibration and bar_um of this picture.",
    ),
    flag(
        "scale_bar_missing",
        "picture",
        Severity::Caution,
        "The series table gives the length of a scale bar, but none is seen in the picture.",
        "Check that the picture has a bar, or give um_per_px.",
    ),
    flag(
        "calibration_unknown",
        "picture",
        Severity::Caution,
        "The named calibration cannot be used, so the scale comes from elsewhere or is missing.",
        "Put the calibration into calibrations.csv beside the series table, or correct its name.",
    ),
    flag(
        "stack_frame_left_out",
        "picture",
        Severity::Caution,
        "A frame of the focus series could not be used.",
        "Copy or take the frame again, all frames in one size.",
    ),
    flag(
        "stack_order",
        "picture",
        Severity::Caution,
        "The frames of the focus series seem to be out of order.",
        "Name the frames by their height and merge again.",
    ),
    flag(
        "stack_too_short",
        "picture",
        Severity::Caution,
        "Much of the picture is sharpest in the first or last frame of the focus series.",
        "Take frames further up or down.",
    ),
    flag(
        "stack_unfocused",
        "picture",
        Severity::Caution,
        "Part of the picture is sharp in no frame of the focus series.",
        "Take frames closer together or over a greater height.",
    ),
    flag(
        "soft",
        "picture",
        Severity::Caution,
        "The picture is soft everywhere.",
        "Focus again, or merge a focus series.",
    ),
    flag("clipped_high", "picture", Severity::Caution, "Much of the picture is lost in white.", "Expose less."),
    flag("clipped_low", "picture", Severity::Caution, "Much of the picture is lost in black.", "Expose more."),
    flag("noisy", "picture", Severity::Caution, "The picture is noisy.", "Expose longer or average frames."),
    flag(
        "jpeg_blocks",
        "picture",
        Severity::Caution,
        "Blocks of lossy compression show.",
        "Save with less compression.",
    ),
    flag("coarse", "picture", Severity::Caution, "Fibres are few pixels across.", "Use a higher magnification."),
    flag(
        "implausible_scale",
        "picture",
        Severity::Caution,
        "The file claims a scale that no microscope gives.",
        "Give um_per_px in the series table, and look at the program that wrote the file.",
    ),
    flag(
        "controls_missing",
        "run",
        Severity::Note,
        "No usable controls: fractions are corrected by the model's own figures, or not at all.",
        "Add a scissor-cut and a straight-pull specimen to the series.",
    ),
    flag(
        "loads_missing",
        "run",
        Severity::Note,
        "Peak loads are missing, so knot efficiency cannot be given.",
        "Fill in peak_load_n, for the straight pulls too.",
    ),
    flag(
        "counted_once",
        "specimen",
        Severity::Note,
        "Pictures of this specimen show the same place; its ends were counted once.",
        "Nothing, or give the site column to say which pictures belong together.",
    ),
    flag(
        "model_figures",
        "run",
        Severity::Note,
        "Without controls, fractions were corrected by the model's own cross-validated figures.",
        "Add a scissor-cut and a straight-pull specimen to the series.",
    ),
    flag(
        "first_page",
        "picture",
        Severity::Note,
        "The TIFF has several pages; only the first is used.",
        "Split the file when another page was meant.",
    ),
    flag(
        "float_picture",
        "picture",
        Severity::Note,
        "Grey values are fractions; 0 is taken as black and 1 as white.",
        "Save as 16-bit when the picture looks wrong.",
    ),
    flag(
        "transparent",
        "picture",
        Severity::Note,
        "Transparent places of the picture were taken as black.",
        "Save without transparency.",
    ),
    flag(
        "shallow_grey",
        "picture",
        Severity::Note,
        "The picture uses few of its 16 bits; its greys were stretched.",
        "Nothing, or export with the full range.",
    ),
    flag(
        "print_resolution",
        "picture",
        Severity::Note,
        "The file holds a print resolution, which is no calibration.",
        "Give um_per_px in the series table.",
    ),
    flag(
        "pixels_not_square",
        "picture",
        Severity::Note,
        "The pixels of the file are not square.",
        "Resample the picture to square pixels.",
    ),
    flag(
        "stack_unused_frames",
        "picture",
        Severity::Note,
        "Some frames of the focus series are sharpest nowhere.",
        "Nothing; they may be left out.",
    ),
];

/// The entry of a flag by its name.
pub fn find(name: &str) -> Option<&'static Flag> {
    FLAGS.iter().find(|f| f.name == name)
}

/// Joins flag names, worst first and each once, as the tables hold them. Unknown names come last.
pub fn join(names: &[&str]) -> String {
    let mut order: Vec<(usize, &str)> =
        names.iter().map(|n| (FLAGS.iter().position(|f| f.name == *n).unwrap_or(FLAGS.len()), *n)).collect();
    order.sort_unstable();
    order.dedup();
    order.into_iter().map(|(_, n)| n).collect::<Vec<_>>().join(";")
}

/// The names of a joined field.
pub fn split(joined: &str) -> impl Iterator<Item = &str> {
    joined.split(';').map(str::trim).filter(|n| !n.is_empty())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn names_are_unique_and_worst_come_first() {
        for (i, f) in FLAGS.iter().enumerate() {
            assert!(FLAGS[..i].iter().all(|g| g.name != f.name), "{} twice", f.name);
            assert!(FLAGS[..i].iter().all(|g| g.severity <= f.severity), "{} out of order", f.name);
            assert!(["run", "picture", "specimen", "knot"].contains(&f.about));
            assert!(f.name.chars().all(|c| c.is_ascii_lowercase() || c == '_'));
            assert!(f.meaning.ends_with('.') && f.remedy.ends_with('.'));
        }
    }

    #[test]
    fn joining_sorts_and_drops_repeats() {
        let joined = join(&["too_few_ends", "control_failed", "too_few_ends"]);
        assert_eq!(joined, "control_failed;too_few_ends");
        assert_eq!(split(&joined).collect::<Vec<_>>(), ["control_failed", "too_few_ends"]);
        assert_eq!(split("").count(), 0);
    }
}
