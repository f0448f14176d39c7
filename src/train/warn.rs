//! What a person should know before a new model is used, worst first.

use super::TrainingTable;
use crate::settings::LabelSettings;
use crate::tree::CLASSES;
use crate::tree::model::{Figures, Rate};

/// Fewest ends of a label that say anything.
const FEW_ENDS: usize = 20;
/// Fewest specimens whose figures can be trusted.
const FEW_SPECIMENS: usize = 5;
/// Balanced accuracy below which a model is called poor: what people reach who name torn ends by eye (80 %, Pelton 1995),
/// and a little more.
const POOR: f64 = 0.85;

/// Warnings about a model with these figures.
pub fn warnings(table: &TrainingTable, n_specimens: usize, figures: &Figures, settings: &LabelSettings) -> Vec<String> {
    let mut out = Vec::new();
    if 0 < figures.folds && figures.balanced_accuracy.is_none() {
        out.push("POOR MODEL: on specimens it had not seen it gives no verdict at all; label more ends".to_owned());
    }
    if let Some(b) = figures.balanced_accuracy.filter(|b| *b < POOR) {
        out.push(format!(
            "POOR MODEL: on specimens it had not seen, balanced accuracy is only {b:.2} (a guess has 0.50); do not use it \
             before more ends on more specimens are labelled"
        ));
    }
    if let Some(b) = figures.families_balanced_accuracy.filter(|b| *b < POOR) {
        out.push(format!("on picture families (light, instrument) left out, balanced accuracy is only {b:.2}"));
    }
    let rates = [figures.coverage_sheared, figures.coverage_tensile];
    for (label, rate) in CLASSES.iter().zip(rates) {
        out.extend(coverage_warning(label.word(), rate, settings));
    }
    if figures.folds == 0 {
        out.push("all labels come from one specimen: nothing can be said about other specimens".to_owned());
    } else if n_specimens < FEW_SPECIMENS {
        out.push(format!("labels of few specimens ({n_specimens}): the figures are rough"));
    }
    for label in CLASSES {
        let n = table.count(label);
        if n < FEW_ENDS {
            out.push(format!("few {} ends ({n}): label more of them", label.word()));
        }
    }
    out
}

/// When more of a class goes without a verdict than the settings allow.
fn coverage_warning(label: &str, rate: Rate, settings: &LabelSettings) -> Option<String> {
    let share = rate.share().filter(|s| *s < 1.0 - settings.max_unclear)?;
    Some(format!(
        "{:.0} % of the {label} ends of unseen specimens get no verdict (setting label.max_unclear allows {:.0} %): label \
         more {label} ends",
        100.0 * (1.0 - share),
        100.0 * settings.max_unclear
    ))
}
