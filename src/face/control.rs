//! Controls -> how often the labeller is right on this microscope, with its uncertainty; alarms where a control came out wrong.

use super::effective_sample::clusters;
use super::faces::Face;
use crate::flag::{Flag, Warning};
use crate::series::Kind;
use crate::settings::FaceSettings;
use crate::stats::classifier::Rate;
use crate::stats::clustered::{Cluster, pooled};
pub use crate::table::Basis;

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

/// The labeller's error.
#[derive(Debug, Clone, PartialEq)]
pub struct Labeller {
    /// Where the figures come from.
    pub basis: Basis,
    /// Sheared ends labelled sheared, effective counts.
    pub sensitivity: Rate,
    /// Tensile ends labelled tensile, effective counts.
    pub specificity: Rate,
    /// How much lower both may be on a knot, as a standard deviation.
    pub harder_sd: f64,
    /// Specimens whose control came out wrong.
    pub failed: Vec<String>,
    /// What to know, controls that failed first.
    pub warnings: Vec<Warning>,
}

/// Share of wrong labels of a control; `None` for other specimens and without labelled ends.
pub fn wrong_share(face: &Face) -> Option<f64> {
    let kind = face.kind().filter(|k| *k != Kind::Knot)?;
    let all = face.ends.iter().map(|e| clusters(e)).fold(Cluster::new(0.0, 0.0), |sum, (grouped, rest)| {
        grouped.iter().chain([&rest]).fold(sum, |s, c| Cluster::new(s.successes + c.successes, s.size + c.size))
    });
    let sheared = (0.0 < all.size).then(|| all.successes / all.size)?;
    Some(if kind == Kind::Cut { 1.0 - sheared } else { sheared })
}

/// The labeller's error from the controls, else from the model's figures, else none.
pub fn labeller(faces: &[Face], model: Option<&ModelFigures>, settings: &FaceSettings) -> Labeller {
    let mut warnings = Vec::new();
    let mut failed = Vec::new();
    for face in faces {
        if let Some(share) = wrong_share(face).filter(|s| settings.control_wrong_share <= *s) {
            failed.push(face.specimen.to_owned());
            warnings.push(failed_warning(face, share));
        }
    }
    let (cut, pull) = (rate(faces, Kind::Cut), rate(faces, Kind::Pull));
    let enough = |r: &Option<(Rate, f64)>| r.filter(|(_, n)| settings.fewest_control_ends <= *n).map(|(r, _)| r);
    let (basis, sensitivity, specificity) = match (enough(&cut), enough(&pull), model) {
        (Some(se), Some(sp), _) => (Basis::Controls, se, sp),
        (_, _, Some(m)) => (
            Basis::Model,
            of_model(m.sheared_right, m.sheared_labelled, settings),
            of_model(m.tensile_right, m.tensile_labelled, settings),
        ),
        _ => (Basis::Raw, Rate::new(0.0, 0.0), Rate::new(0.0, 0.0)),
    };
    warnings.extend(basis_warning(basis));
    let youden = sensitivity.share().zip(specificity.share()).map(|(a, b)| a + b - 1.0);
    let usable = youden.is_some_and(|y| settings.least_youden <= y);
    if let Some(y) = youden.filter(|_| !usable) {
        let text = format!(
            "by the {}, the labeller's sensitivity and specificity add up to {:.2}, little better than chance: nothing was \
             corrected; check focus and scale of the controls",
            if basis == Basis::Controls { "controls" } else { "cross-validated error rates" },
            1.0 + y
        );
        warnings.push(Warning::new(Flag::LabellerUninformative, text));
    }
    let basis = if usable { basis } else { Basis::Raw };
    let harder_sd = if basis == Basis::Controls { settings.labeller_sd } else { settings.model_labeller_sd };
    Labeller { basis, sensitivity, specificity, harder_sd, failed, warnings }
}

/// A rate from the model's own counts: ends of one picture err together.
fn of_model(right: f64, labelled: f64, settings: &FaceSettings) -> Rate {
    let effect = settings.model_design_effect;
    Rate::new(right / effect, labelled / effect)
}

fn failed_warning(face: &Face, share: f64) -> Warning {
    let (what, wrong) =
        if face.kind() == Some(Kind::Cut) { ("scissor cut", "tensile") } else { ("straight pull", "sheared") };
    let text = format!(
        "{}: control ({what}) with {:.0} % {wrong} ends: look at focus, exposure and scale of its pictures before any figure of \
         this run is used",
        face.specimen,
        100.0 * share
    );
    Warning::new(Flag::ControlFailed, text)
}

fn basis_warning(basis: Basis) -> Option<Warning> {
    let missing = "the series has no usable scissor-cut and straight-pull controls";
    match basis {
        Basis::Controls => None,
        Basis::Model => Some(Warning::new(
            Flag::ModelFigures,
            format!("{missing}: fractions are corrected by the model's cross-validated error rates"),
        )),
        Basis::Raw => Some(Warning::new(Flag::ControlsMissing, format!("{missing}: fractions are as labelled"))),
    }
}

/// Right labels of all controls of a kind, as effective counts, and the labelled ends they came from.
///
/// Wrong labels come in company (a carrier seen from a bad side, a picture out of focus), so the counts shrink by the larger of
/// the design effects over carriers and over pictures.
fn rate(faces: &[Face], kind: Kind) -> Option<(Rate, f64)> {
    let (mut by_carrier, mut by_picture) = (Vec::new(), Vec::new());
    for ends in faces.iter().filter(|f| f.kind() == Some(kind)).flat_map(|f| &f.ends) {
        let (grouped, rest) = clusters(ends);
        let all: Vec<Cluster> = grouped.into_iter().chain([rest]).filter(|c| 0.0 < c.size).collect();
        by_picture.push(
            all.iter().fold(Cluster::new(0.0, 0.0), |s, c| Cluster::new(s.successes + c.successes, s.size + c.size)),
        );
        by_carrier.extend(all);
    }
    let n: f64 = by_picture.iter().map(|c| c.size).sum();
    if n == 0.0 {
        return None;
    }
    let sheared: f64 = by_picture.iter().map(|c| c.successes).sum();
    let right = if kind == Kind::Cut { sheared } else { n - sheared };
    let effect = [by_carrier, by_picture].iter().filter_map(|c| pooled(c)?.design_effect).fold(1.0, f64::max).min(n);
    Some((Rate::new(right / effect, n / effect), n))
}
