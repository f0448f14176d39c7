//! Labelled ends -> break faces: sheared fraction with an honest interval, carriers, verdicts, flags.
//!
//! Plain data in, plain data out: works from saved tables alone. The order of reading: which ends count ([`site`]), carriers
//! ([`carriers`]), how much one face's ends tell ([`effective_sample`]), the labeller's own errors ([`control`]), one face
//! ([`specimen`]).

use crate::flag::Warning;
use crate::settings::FaceSettings;
use crate::table::{CarrierRow, EndRow, ImageRow, SideRow, SpecimenRow};

// An end as scoring needs it.
pub mod end;

pub use end::{End, Ends};

// The counted pictures and ends of each specimen.
mod faces;

pub use faces::Face;

// Pictures of one place count once.
pub mod site;

// Ends of one carrier: fraction, cut plane, verdict.
pub mod carriers;

// Intra-carrier correlation of the run, effective ends of a face.
pub mod effective_sample;

// Controls: the labeller's error on this microscope.
pub mod control;

pub use control::ModelFigures;

// How many ends the whole face should have.
pub mod expected;

// Median fibre diameter with its uncertainty.
pub mod diameter;

// A fraction with its interval, and its verdict.
pub mod estimate;

// Ends that are missed, by class.
pub mod recall;

// Length of the line over which the fibres broke.
pub mod break_zone;

// In which order the fibres failed.
pub mod history;

// One face: raw, corrected and published fraction.
pub mod specimen;

// What to know about a face.
pub mod flags;

/// Everything scoring finds out.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Faces {
    /// One row per specimen, by code.
    pub specimens: Vec<SpecimenRow>,
    /// One row per specimen and side.
    pub sides: Vec<SideRow>,
    /// One row per picture and carrier.
    pub carriers: Vec<CarrierRow>,
    /// What to know about the run, worst first.
    pub warnings: Vec<Warning>,
}

/// Scores every specimen from the rows of its labelled ends.
///
/// Pictures that could not be read, and `ends` of pictures that are not in `pictures`, are left out. `model` gives the labeller's own figures for runs without controls.
pub fn score_specimens(
    ends: &[EndRow],
    pictures: &[ImageRow],
    model: Option<&ModelFigures>,
    settings: &FaceSettings,
) -> Faces {
    score_ends(&end::by_picture(ends), pictures, model, settings)
}

/// As [`score_specimens`], from what scoring needs of the ends.
pub fn score_ends(ends: &Ends, pictures: &[ImageRow], model: Option<&ModelFigures>, settings: &FaceSettings) -> Faces {
    let faces = faces::faces(ends, pictures);
    let dependence = effective_sample::Dependence::of_run(&faces, settings);
    let labeller = control::labeller(&faces, model, settings);
    let recall = recall::RecallRatio::of_run(&faces, settings);
    let context = specimen::Context { dependence, labeller: &labeller, recall, settings };
    let contradicting = flags::contradicting_scales(&faces, settings);
    let mut found = Faces { warnings: labeller.warnings.clone(), ..Faces::default() };
    for face in &faces {
        let pictures = face.pictures.iter().zip(&face.ends);
        let carriers: Vec<CarrierRow> = pictures.flat_map(|(p, e)| carriers::rows(&p.series, e, settings)).collect();
        let mut row = specimen::row(face, &carriers, &context);
        let doubts = flags::flags(&row, face, &carriers, &contradicting, settings);
        row.flags = crate::flag::join(&doubts);
        found.sides.extend(specimen::sides(face, &context));
        found.specimens.push(row);
        found.carriers.extend(carriers);
    }
    found.warnings.extend(flags::warnings(&found.specimens, &contradicting));
    found.warnings.sort_by_key(|w| w.flag);
    found
}
