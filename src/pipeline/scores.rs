//! Rows of ends and pictures -> break faces and knots, and their tables. Works from saved tables alone.

use crate::face::end::by_picture;
use crate::face::{self, Ends, ModelFigures, Picture};
use crate::flag::Warning;
use crate::knot;
use crate::series::SeriesRow;
use crate::settings::FaceSettings;
use crate::table::{
    CarrierRow, EndRow, ImageRow, KnotRow, PairRow, SideRow, SpecimenRow, Status, TableError, split_warnings, write_csv,
};
use crate::tree::Model;
use std::path::Path;

/// All scores of a run.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Scores {
    /// One row per specimen.
    pub specimens: Vec<SpecimenRow>,
    /// One row per specimen and side.
    pub sides: Vec<SideRow>,
    /// One row per picture and carrier.
    pub carriers: Vec<CarrierRow>,
    /// One row per knot.
    pub knots: Vec<KnotRow>,
    /// One row per pair of knots.
    pub pairs: Vec<PairRow>,
    /// What to know about the run.
    pub warnings: Vec<Warning>,
}

impl Scores {
    /// Scores break faces and knots from labelled ends.
    pub fn from_rows(
        ends: &[EndRow],
        images: &[ImageRow],
        model: Option<&ModelFigures>,
        settings: &FaceSettings,
    ) -> Self {
        let pictures: Vec<Picture> = images.iter().filter(|i| i.status == Status::Done).map(picture_of).collect();
        Self::from_ends(&by_picture(ends), &pictures, model, settings)
    }

    /// Scores break faces and knots from what scoring needs of the ends.
    pub fn from_ends(ends: &Ends, pictures: &[Picture], model: Option<&ModelFigures>, settings: &FaceSettings) -> Self {
        let faces = face::score_ends(ends, pictures, model, settings);
        let comparison = knot::compare(&faces.specimens, settings);
        let mut warnings = faces.warnings;
        warnings.extend(comparison.warnings);
        Self {
            specimens: faces.specimens,
            sides: faces.sides,
            carriers: faces.carriers,
            knots: comparison.knots,
            pairs: comparison.pairs,
            warnings,
        }
    }

    /// Writes `specimens.csv`, `sides.csv`, `carriers.csv`, `knots.csv` and `pairs.csv` into a folder.
    ///
    /// # Errors
    /// When a file cannot be written.
    pub fn write(&self, folder: &Path) -> Result<(), TableError> {
        write_csv(&folder.join("specimens.csv"), &self.specimens)?;
        write_csv(&folder.join("sides.csv"), &self.sides)?;
        write_csv(&folder.join("carriers.csv"), &self.carriers)?;
        write_csv(&folder.join("knots.csv"), &self.knots)?;
        write_csv(&folder.join("pairs.csv"), &self.pairs)
    }
}

impl Scores {
    /// Writes the same tables as Parquet.
    ///
    /// # Errors
    /// When a file cannot be written.
    #[cfg(feature = "parquet")]
    pub fn write_parquet(&self, folder: &Path) -> Result<(), TableError> {
        use crate::table::write_parquet;
        write_parquet(&folder.join("specimens.parquet"), &self.specimens)?;
        write_parquet(&folder.join("sides.parquet"), &self.sides)?;
        write_parquet(&folder.join("carriers.parquet"), &self.carriers)?;
        write_parquet(&folder.join("knots.parquet"), &self.knots)?;
        write_parquet(&folder.join("pairs.parquet"), &self.pairs)
    }
}

/// What scoring needs to know of a picture that could be read.
pub(super) fn picture_of(image: &ImageRow) -> Picture {
    let size_px = (image.width_px, image.height_px);
    picture(image.series.clone(), image.um_per_px, image.u_um_per_px, size_px, &image.warnings)
}

/// The same from its single values.
pub(super) fn picture(
    series: SeriesRow,
    um_per_px: Option<f64>,
    u_um_per_px: Option<f64>,
    size_px: (Option<u64>, Option<u64>),
    warnings: &str,
) -> Picture {
    let pixels = |v: Option<u64>| v.map_or(0, |v| u32::try_from(v).unwrap_or(u32::MAX));
    Picture {
        series,
        um_per_px,
        scale_relative_u: u_um_per_px.zip(um_per_px).map(|(u, s)| u / s),
        width_px: pixels(size_px.0),
        height_px: pixels(size_px.1),
        flags: split_warnings(warnings).map(|(name, _)| name.to_owned()).collect(),
    }
}

/// How often a model was right in its own cross-validation; `None` when it was not cross-validated.
pub fn model_figures(model: &Model) -> Option<ModelFigures> {
    let figures = &model.figures;
    (0 < figures.sensitivity.of && 0 < figures.specificity.of).then_some(ModelFigures {
        sheared_right: figures.sensitivity.right as f64,
        sheared_labelled: figures.sensitivity.of as f64,
        tensile_right: figures.specificity.right as f64,
        tensile_labelled: figures.specificity.of as f64,
    })
}
