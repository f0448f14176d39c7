//! Figures of a model from what it said of ends that it had not seen.

use super::calibrate::{Seen, calibration_error};
use super::confusion::Confusion;
use super::fit::Rows;
use super::judge::{Repeat, confusions};
use crate::table::tidy;
use crate::tree::model::Figures;
use crate::tree::{CLASSES, Label};

/// Figures of a model from what it said of specimens and of families left out.
pub fn model_figures(rows: &Rows, by_specimen: &[Repeat], by_family: Option<&Repeat>) -> Figures {
    let tidied = |v: Option<f64>| v.map(tidy);
    let families = by_family.map(|f| Confusion::mean(&confusions(rows, std::slice::from_ref(f))));
    let left_out = Figures {
        families_balanced_accuracy: families.and_then(|f| tidied(f.balanced_accuracy())),
        families_coverage: families.and_then(|f| tidied(f.coverage())),
        ..Figures::default()
    };
    if by_specimen.is_empty() {
        return left_out;
    }
    let mean = Confusion::mean(&confusions(rows, by_specimen));
    let seen: Vec<Seen> = by_specimen.iter().flat_map(|r| r.seen.iter().copied()).collect();
    let contradictions: usize = by_specimen.iter().map(|r| r.contradict.iter().filter(|c| **c).count()).sum();
    Figures {
        repeats: by_specimen.len() as u32,
        sensitivity: mean.sensitivity(),
        specificity: mean.specificity(),
        n_unclear: mean.n_unclear(),
        n_contradictions: (contradictions as f64 / by_specimen.len() as f64).round() as u64,
        coverage_sheared: mean.coverage_sheared(),
        coverage_tensile: mean.coverage_tensile(),
        balanced_accuracy: tidied(mean.balanced_accuracy()),
        kappa: tidied(mean.kappa()),
        calibration_error: tidied(calibration_error(&seen)),
        ..left_out
    }
}

/// Balanced accuracy of the appearance alone with a verdict on every end that has one.
pub fn appearance_without_unclear(rows: &Rows, appearance: &[Option<f64>]) -> Option<f64> {
    let mut table = Confusion::default();
    for (row, p) in appearance.iter().enumerate().filter_map(|(row, p)| p.map(|p| (row, p))) {
        table.add(CLASSES[rows.classes[row]], if 0.5 <= p { Label::Sheared } else { Label::Tensile });
    }
    table.balanced_accuracy().map(tidy)
}

/// Balanced accuracy with a verdict on every end, mean over repeats.
pub fn without_unclear(rows: &Rows, repeats: &[Vec<f64>]) -> Option<f64> {
    let one = |p: &Vec<f64>| {
        let mut table = Confusion::default();
        for (row, &p) in p.iter().enumerate() {
            table.add(CLASSES[rows.classes[row]], if 0.5 <= p { Label::Sheared } else { Label::Tensile });
        }
        table.balanced_accuracy()
    };
    let values: Vec<f64> = repeats.iter().filter_map(one).collect();
    (!values.is_empty()).then(|| tidy(values.iter().sum::<f64>() / values.len() as f64))
}
