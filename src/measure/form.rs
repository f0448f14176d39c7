//! The form of an end as the regression network reads it from the straightened strip: answer of the network -> features.
//!
//! Twelve figures for what kind of end it is, and eight readings that describe divided, drawn, flared and torn ends. A
//! network that does not give them leaves all of them missing.

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
/// Features of the readings, and whether the network gives their natural logarithm; part of the network.
const READING_FEATURES: [(&str, bool); 8] = [
    ("strand_count", true),
    ("divided_length", false),
    ("tail_width", true),
    ("tail_length", false),
    ("neck_width", true),
    ("flare_left", false),
    ("flare_right", false),
    ("step_height", false),
];
/// Logarithm of the mean absolute error above which a reading says nothing: the network was not shown such ends.
const UNKNOWN: f64 = 1.0;

/// Sets the features of the form from the network's answer for one strip.
pub(super) fn set(features: &mut FeatureRow, answer: &[f32]) {
    let n = |k: usize| answer.get(k).map(|v| f64::from(*v)).filter(|v| v.is_finite());
    let logits: Option<Vec<f64>> = FORM_LOGITS.map(n).collect();
    let errors = READINGS + READING_FEATURES.len();
    let (Some(logits), Some(_)) = (logits, n(errors + READING_FEATURES.len() - 1)) else { return };
    let most = logits.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    let sum: f64 = logits.iter().map(|l| (l - most).exp()).sum();
    for (name, logit) in FORM_FEATURES.iter().zip(&logits) {
        features.set(name, Some((logit - most).exp() / sum));
    }
    for (k, (name, is_log)) in READING_FEATURES.iter().enumerate() {
        let known = n(errors + k).is_some_and(|e| e <= UNKNOWN);
        let value = n(READINGS + k).filter(|_| known);
        features.set(name, value.map(|v| if *is_log { v.exp() } else { v.max(0.0) }));
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn forms_sum_to_one_and_unknown_readings_are_missing() {
        let mut answer = vec![0.0_f32; 43];
        answer[18] = 3.0_f32.ln(); // three times as likely as each of the other eleven
        (answer[27], answer[28], answer[31]) = (4.0_f32.ln(), 2.5, 0.7_f32.ln());
        answer[39] = 3.0; // the neck was never taught
        let mut row = FeatureRow::default();
        set(&mut row, &answer);
        let sum: f64 = FORM_FEATURES.iter().filter_map(|name| row.get(name)).sum();
        assert!((sum - 1.0).abs() < 1e-9);
        assert!((row.get("form_p_drawn_tail").unwrap() - 3.0 / 14.0).abs() < 1e-6);
        assert!((row.get("strand_count").unwrap() - 4.0).abs() < 1e-5);
        assert_eq!(
            (row.get("divided_length"), row.get("neck_width"), row.get("step_height")),
            (Some(2.5), None, Some(0.0))
        );
    }

    #[test]
    fn a_network_without_forms_sets_nothing() {
        let mut row = FeatureRow::default();
        set(&mut row, &[0.5; 15]);
        assert_eq!(row, FeatureRow::default());
    }
}
