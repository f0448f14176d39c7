//! Calibrations by name.

use super::error::ListError;
use crate::tabular::unguard_formula;
use crate::units::{Scale, ScaleSource};

/// One calibration of one objective or magnification.
#[derive(Debug, Clone, PartialEq)]
pub struct Calibration {
    /// Name by which the series table refers to it.
    pub name: String,
    /// µm per px.
    pub um_per_px: f64,
    /// Standard uncertainty, µm per px, when known.
    pub u_um_per_px: Option<f64>,
    /// Day, as written.
    pub date: String,
    /// What it was measured from, for people.
    pub source: String,
}

impl Calibration {
    /// The scale with its relative uncertainty; `None` when it is not positive and finite.
    pub fn scale(&self) -> Option<Scale> {
        let mut scale = Scale::new(self.um_per_px, ScaleSource::Calibration)?;
        scale.relative_u = self.u_um_per_px.map(|u| u / self.um_per_px);
        Some(scale)
    }
}

/// All calibrations, in table order; names are unique. Columns that are not ours are kept with their cells.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct CalibrationList {
    pub(super) rows: Vec<Calibration>,
    /// Columns of the table as found; empty = ours.
    pub(super) header: Vec<String>,
    /// Cells of the columns that are not ours, by row, in the order of `header`.
    pub(super) others: Vec<Vec<String>>,
}

impl CalibrationList {
    /// All calibrations in table order.
    pub fn rows(&self) -> &[Calibration] {
        &self.rows
    }

    /// The calibration of this name, which may be given as the table writes it.
    pub fn find(&self, name: &str) -> Option<&Calibration> {
        let name = name.trim();
        let written = unguard_formula(name);
        self.rows.iter().find(|r| r.name == name).or_else(|| self.rows.iter().find(|r| r.name == written.trim()))
    }

    /// The scale of the calibration of this name.
    ///
    /// # Errors
    /// When there is none.
    pub fn scale(&self, name: &str) -> Result<Scale, ListError> {
        let unknown = || ListError::Unknown {
            name: name.into(),
            known: self.rows.iter().map(|r| r.name.as_str()).collect::<Vec<_>>().join(", "),
        };
        self.find(name).and_then(Calibration::scale).ok_or_else(unknown)
    }

    /// Puts a calibration in, in place of the one of the same name, which is returned.
    pub fn put(&mut self, calibration: Calibration) -> Option<Calibration> {
        match self.rows.iter_mut().find(|r| r.name == calibration.name) {
            Some(row) => Some(std::mem::replace(row, calibration)),
            None => {
                self.rows.push(calibration);
                self.others.push(Vec::new());
                None
            }
        }
    }
}
