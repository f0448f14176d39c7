//! The form of an end as the regression network reads it from the straightened strip: answer of the network -> features.
//!
//! Twelve figures for what kind of end it is, and readings that describe flared ends. A
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
/// How many there are.
const READING_COUNT: usize = 8;
/// Features of the readings and their places among them. The other six (strands, divided length, tail, neck, step) are the same
/// for every end in the bundled network, since most ends have none of these and it was taught to hit the middle: they say nothing,
/// so their features stay missing.
const READING_FEATURES: [(&str, usize); 2] = [("flare_left", 5), ("flare_right", 6)];
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
    for (name, logit) in FORM_FEATURES.iter().zip(&logits) {
        features.set(name, Some((logit - most).exp() / sum));
    }
    for (name, k) in READING_FEATURES {
        let known = n(errors + k).is_some_and(|e| e <= UNKNOWN);
        features.set(name, n(READINGS + k).filter(|_| known).map(|v| v.max(0.0)));
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn forms_sum_to_one_and_unknown_readings_are_missing() {
        let mut answer = vec![0.0_f32; 43];
        answer[18] = 3.0_f32.ln(); // three times as likely as each of the other eleven
        (answer[32], answer[33]) = (0.4, 0.3);
        answer[41] = 3.0; // how far it flares to the right was never taught
        let mut row = FeatureRow::default();
        set(&mut row, &answer);
        let sum: f64 = FORM_FEATURES.iter().filter_map(|name| row.get(name)).sum();
        assert!((sum - 1.0).abs() < 1e-9);
        assert!((row.get("form_p_drawn_tail").unwrap() - 3.0 / 14.0).abs() < 1e-6);
        assert!((row.get("flare_left").unwrap() - 0.4).abs() < 1e-6);
        assert_eq!((row.get("flare_right"), row.get("strand_count")), (None, None));
    }

    #[test]
    fn a_network_without_forms_sets_nothing() {
        let mut row = FeatureRow::default();
        set(&mut row, &[0.5; 15]);
        assert_eq!(row, FeatureRow::default());
    }
}
