//! Rows of ends and pictures -> break faces and knots, and their tables. Works from saved tables alone.

use crate::face::end::by_picture;
use crate::face::{self, Ends, ModelFigures};
use crate::flag::Warning;
use crate::knot;
use crate::settings::FaceSettings;
use crate::table::{
    CarrierRow, EndRow, ImageRow, KnotRow, PairRow, SideRow, SpecimenRow, TableError, TableRow, write_csv,
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
        Self::from_ends(&by_picture(ends), images, model, settings)
    }

    /// Scores break faces and knots from what scoring needs of the ends.
    pub fn from_ends(ends: &Ends, images: &[ImageRow], model: Option<&ModelFigures>, settings: &FaceSettings) -> Self {
        let faces = face::score_ends(ends, images, model, settings);
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

    /// Writes the tables of the scores into a folder.
    ///
    /// # Errors
    /// When a file cannot be written.
    pub fn write(&self, folder: &Path) -> Result<(), TableError> {
        fn table<T: TableRow>(folder: &Path, rows: &[T]) -> Result<(), TableError> {
            write_csv(&folder.join(T::csv_name()), rows)
        }
        table(folder, &self.specimens)?;
        table(folder, &self.sides)?;
        table(folder, &self.carriers)?;
        table(folder, &self.knots)?;
        table(folder, &self.pairs)
    }

    /// Writes the same tables as Parquet.
    ///
    /// # Errors
    /// When a file cannot be written.
    #[cfg(feature = "parquet")]
    pub fn write_parquet(&self, folder: &Path) -> Result<(), TableError> {
        fn table<T: TableRow>(folder: &Path, rows: &[T]) -> Result<(), TableError> {
            crate::table::write_parquet(&folder.join(T::parquet_name()), rows)
        }
        table(folder, &self.specimens)?;
        table(folder, &self.sides)?;
        table(folder, &self.carriers)?;
        table(folder, &self.knots)?;
        table(folder, &self.pairs)
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
