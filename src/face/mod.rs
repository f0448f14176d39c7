//! Labelled ends -> break faces: sheared fraction with an honest interval, carriers, verdicts, flags.
//!
//! Plain data in, plain data out: works from saved tables alone. The order of reading: which ends count ([`site`]), carriers
//! ([`carriers`]), how much one face's ends tell ([`effective_sample`]), the labeller's own errors ([`control`]), one face
//! ([`specimen`]).

use crate::flag::Warning;
use crate::series::Kind;
use crate::settings::FaceSettings;
use crate::table::{CarrierRow, EndRow, ImageRow, SideRow, SpecimenRow};
use std::collections::BTreeMap;

// An end as scoring needs it.
pub mod end;

pub use end::{End, Ends};

// Pictures of one place count once.
pub mod site;

// Ends of one carrier: fraction, cut plane, verdict.
pub mod carriers;

// Intra-carrier correlation of the run, effective ends of a face.
pub mod effective_sample;

// Controls: the labeller's error on this microscope.
pub mod control;

// How many ends the whole face should have.
pub mod expected;

// Median fibre diameter with its uncertainty.
pub mod diameter;

// Ends that are missed, by class.
pub mod recall;

// Length of the line over which the fibres broke.
pub mod break_zone;

// One face: raw, corrected and published fraction.
pub mod specimen;

// What to know about a face.
pub mod flags;

/// How often the model was right on ends it had not learnt from, by specimen-wise cross-validation.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct ModelFigures {
    /// Sheared ends labelled sheared.
    pub sheared_right: f64,
    /// Sheared ends labelled sheared or tensile.
    pub sheared_labelled: f64,
    /// Tensile ends labelled tensile.
    pub tensile_right: f64,
    /// Tensile ends labelled sheared or tensile.
    pub tensile_labelled: f64,
}

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

/// The pictures of one specimen and their counted ends.
#[derive(Debug, Clone, Default)]
pub struct Face<'a> {
    /// Specimen code.
    pub specimen: &'a str,
    /// Pictures, in order of the series.
    pub pictures: Vec<&'a ImageRow>,
    /// Counted ends of each picture, in the same order.
    pub ends: Vec<Vec<&'a End>>,
    /// Ends that are not counted, because a picture does not count or they are seen elsewhere.
    pub left_out: usize,
}

impl Face<'_> {
    /// Kind of the specimen: the first that is given.
    pub fn kind(&self) -> Option<Kind> {
        self.pictures.iter().find_map(|p| p.series.kind)
    }

    /// All counted ends.
    pub fn all_ends(&self) -> impl Iterator<Item = &End> {
        self.ends.iter().flatten().copied()
    }

    /// The same face, of the pictures of one side only.
    pub fn of_side(&self, side: &str) -> Self {
        let kept: Vec<usize> =
            (0..self.pictures.len()).filter(|i| self.pictures[*i].series.side.as_deref() == Some(side)).collect();
        Self {
            specimen: self.specimen,
            pictures: kept.iter().map(|i| self.pictures[*i]).collect(),
            ends: kept.iter().map(|i| self.ends[*i].clone()).collect(),
            left_out: 0,
        }
    }
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
    let faces = faces(ends, pictures);
    let dependence = effective_sample::Dependence::of_run(&faces, settings);
    let labeller = control::labeller(&faces, model, settings);
    let contradicting = flags::contradicting_scales(&faces, settings);
    let mut found = Faces { warnings: labeller.warnings.clone(), ..Faces::default() };
    for face in &faces {
        let pictures = face.pictures.iter().zip(&face.ends);
        let carriers: Vec<CarrierRow> = pictures.flat_map(|(p, e)| carriers::rows(&p.series, e, settings)).collect();
        let mut row = specimen::row(face, &carriers, &specimen::Context { dependence, labeller: &labeller, settings });
        let doubts = flags::flags(&row, face, &carriers, &contradicting, settings);
        row.flags = crate::flag::join(&doubts);
        found.sides.extend(specimen::sides(face, &specimen::Context { dependence, labeller: &labeller, settings }));
        found.specimens.push(row);
        found.carriers.extend(carriers);
    }
    found.warnings.extend(flags::warnings(&found.specimens, &contradicting));
    found.warnings.sort_by_key(|w| w.flag);
    found
}

/// Pictures and counted ends by specimen, by code.
fn faces<'a>(ends: &'a Ends, pictures: &'a [ImageRow]) -> Vec<Face<'a>> {
    let mut faces: BTreeMap<&str, Face> = BTreeMap::new();
    for picture in pictures.iter().filter(|p| p.is_done()) {
        let face = faces.entry(&picture.series.specimen).or_default();
        face.specimen = &picture.series.specimen;
        let all = ends.get(&picture.series.image).map_or(&[][..], Vec::as_slice);
        let counted: Vec<&End> = all.iter().filter(|e| e.counted && picture.series.counted).collect();
        face.left_out += all.len() - counted.len();
        if picture.series.counted {
            face.pictures.push(picture);
            face.ends.push(counted);
        }
    }
    faces.into_values().collect()
}
