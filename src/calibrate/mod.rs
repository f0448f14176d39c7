//! Scale from a stage micrometer, a burnt-in scale bar or a known fibre, and the lab's table of calibrations.
//!
//! In: a picture and a length that the user states. Out: µm per px with its standard uncertainty, or the reason why not.
//! A length is never guessed: no caption is read.

mod anisotropy;
mod bar;
mod fibre;
mod list;
mod propagate;
mod residuals;
mod ruling;

pub use crate::micrograph::{NoBar, ScaleBar, TakenFor, choose_scale_bar, find_scale_bar, scale_bar_at};
pub use anisotropy::{Anisotropy, DirectedPitch, anisotropy};
pub use bar::contradiction;
pub use fibre::{PictureDiameter, Plausibility, fibre_diameter_um, judge_diameters, stand_in_scale};
pub use list::{Calibration, CalibrationList, ListError};
pub use propagate::diameter_um;
pub use residuals::residual_plot;
pub use ruling::{LineResidual, RulingError, RulingFit, fit_rulings};
