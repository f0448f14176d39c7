//! The form of an end as the regression network reads it from the straightened strip: answer of the network -> features.
//!
//! Twelve figures for what kind of end it is, and readings that describe it: strands, tail, neck, flares, step. Each is told where
//! the network thinks that the end has a form that has it, so they are part of what the end looks like: they describe it, and
//! no label rests on them.

use super::registry::FeatureRow;
use crate::network::regression::FORM_LOGITS;

/// Features that hold the figure for each form, all forms summing to 1; part of the network.
pub(crate) const FORM_FEATURES: [&str; 12] = [
    "form_p_cap",
    "form_p_weak_cap",
    "form_p_taper",
    "form_p_drawn_tail",
    "form_p_split",
    "form_p_brush",
    "form_p_clean",
    "form_p_end_on",
    "form_p_flared",
    "form_p_torn",
    "form_p_crushed",
    "form_p_fused",
];

/// Where the readings stand in the answer, each followed, eight places on, by the logarithm of its mean absolute error.
const READINGS: usize = FORM_LOGITS.end;
/// How many there are.
const READING_COUNT: usize = 8;
/// The network's share of the forms that have a reading above which it is told: it learnt the reading from such ends alone.
const HAS_IT: f64 = 0.5;
/// A reading: its feature, whether the network reads its logarithm, and the forms that have it (places among [`FORM_FEATURES`]).
type Reading = (&'static str, bool, std::ops::Range<usize>);
/// In the order in which the network gives them.
const READING_FEATURES: [Reading; READING_COUNT] = [
    ("strand_count", true, DIVIDED),
    ("divided_length", false, DIVIDED),
    ("tail_width", true, TAIL),
    ("tail_length", false, TAIL),
    ("neck_width", true, CAPS),
    ("flare_left", false, CUTS),
    ("flare_right", false, CUTS),
    ("step_height", false, TORN),
];
const CAPS: std::ops::Range<usize> = 0..2;
const TAIL: std::ops::Range<usize> = 3..4;
const DIVIDED: std::ops::Range<usize> = 4..6;
const CUTS: std::ops::Range<usize> = 6..12;
const TORN: std::ops::Range<usize> = 9..10;
/// Logarithm of the mean absolute error above which a reading says nothing: the network was not shown such ends.
const UNKNOWN: f64 = 1.0;

/// Sets the features of the form from the network's answer for one strip.
pub(super) fn set(features: &mut FeatureRow, answer: &[f32]) {
    let n = |k: usize| answer.get(k).map(|v| f64::from(*v)).filter(|v| v.is_finite());
    let logits: Option<Vec<f64>> = FORM_LOGITS.map(n).collect();
    let errors = READINGS + READING_COUNT;
    let (Some(logits), Some(_)) = (logits, n(errors + READING_COUNT - 1)) else { return };
    let most = logits.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    let sum: f64 = logits.iter().map(|l| (l - most).exp()).sum();
    let shares: Vec<f64> = logits.iter().map(|l| (l - most).exp() / sum).collect();
    for (name, share) in FORM_FEATURES.iter().zip(&shares) {
        features.set(name, Some(*share));
    }
    for (k, (name, logarithm, forms)) in READING_FEATURES.into_iter().enumerate() {
        let known = HAS_IT <= shares[forms].iter().sum() && n(errors + k).is_some_and(|e| e <= UNKNOWN);
        let value = n(READINGS + k).filter(|_| known).map(|v| if logarithm { v.exp() } else { v.max(0.0) });
        features.set(name, value);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn forms_sum_to_one_and_readings_are_told_of_forms_that_have_them() {
        let mut answer = vec![0.0_f32; 43];
        answer[19] = 33.0_f32.ln(); // split: three times as likely as all others together
        (answer[27], answer[28], answer[29]) = (3.0_f32.ln(), 2.5, 0.4);
        let mut row = FeatureRow::default();
        set(&mut row, &answer);
        let sum: f64 = FORM_FEATURES.iter().filter_map(|name| row.get(name)).sum();
        assert!((sum - 1.0).abs() < 1e-9);
        assert!((row.get("form_p_split").unwrap() - 0.75).abs() < 1e-6);
        assert!((row.get("strand_count").unwrap() - 3.0).abs() < 1e-6);
        assert_eq!(row.get("divided_length"), Some(2.5));
        assert_eq!((row.get("tail_width"), row.get("flare_left")), (None, None));
        answer[36] = 3.0; // how long it is divided was never taught
        set(&mut row, &answer);
        assert_eq!(row.get("divided_length"), None);
    }

    #[test]
    fn a_network_without_forms_sets_nothing() {
        let mut row = FeatureRow::default();
        set(&mut row, &[0.5; 15]);
        assert_eq!(row, FeatureRow::default());
    }
}
