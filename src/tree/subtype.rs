//! Words for what an end looks like: description beside the label, never the label itself.
//!
//! Label and features -> one word, or none where it cannot be told. All limits are in [`SubtypeSettings`].

use super::Label;
use crate::measure::FeatureRow;
use crate::settings::SubtypeSettings;

/// Every word that [`subtype`] can give.
pub const SUBTYPES: &[&str] =
    &["bulb", "weak bulb", "taper", "split", "cut", "oblique cut", "flared cut", "end-on cut"];

/// What the end looks like, for its label; `None` where the features do not tell.
pub fn subtype(label: Label, features: &FeatureRow, rules: &SubtypeSettings) -> Option<&'static str> {
    match label {
        Label::Tensile => tensile(features, rules),
        Label::Sheared => sheared(features, rules),
        Label::Unclear => None,
    }
}

fn tensile(features: &FeatureRow, rules: &SubtypeSettings) -> Option<&'static str> {
    let bulb = features.get("bulb_ratio")?;
    if bulb >= rules.bulb_ratio {
        return Some("bulb");
    }
    if bulb >= rules.weak_bulb_ratio {
        return Some("weak bulb");
    }
    if bulb < rules.taper_ratio {
        return Some("taper");
    }
    features.get("flatness").filter(|&f| rules.split <= f).map(|_| "split")
}

fn sheared(features: &FeatureRow, rules: &SubtypeSettings) -> Option<&'static str> {
    // A face that looks at the camera has no straight edge to measure.
    if features.get("cut_angle_deg").is_none() {
        return features.get("flatness").filter(|&f| rules.flat < f).map(|_| "end-on cut");
    }
    if features.get("bulb_ratio").is_some_and(|b| rules.flare_ratio <= b) {
        return Some("flared cut");
    }
    let angle = features.get("cut_angle_deg")?.abs();
    Some(if rules.oblique_deg <= angle { "oblique cut" } else { "cut" })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn row(values: &[(&str, f64)]) -> FeatureRow {
        let mut row = FeatureRow::default();
        for (name, value) in values {
            row.set(name, Some(*value));
        }
        row
    }

    #[test]
    fn words_follow_the_documented_limits() {
        let rules = SubtypeSettings::default();
        for (label, values, expected) in [
            (Label::Tensile, vec![("bulb_ratio", 1.3)], Some("bulb")),
            (Label::Tensile, vec![("bulb_ratio", 1.29)], Some("weak bulb")),
            (Label::Tensile, vec![("bulb_ratio", 0.6)], Some("taper")),
            (Label::Tensile, vec![("bulb_ratio", 1.0), ("flatness", 0.2)], Some("split")),
            (Label::Tensile, vec![("bulb_ratio", 1.0), ("flatness", 0.02)], None),
            (Label::Sheared, vec![("bulb_ratio", 1.0), ("cut_angle_deg", -5.0)], Some("cut")),
            (Label::Sheared, vec![("bulb_ratio", 1.0), ("cut_angle_deg", -35.0)], Some("oblique cut")),
            (Label::Sheared, vec![("bulb_ratio", 1.4), ("cut_angle_deg", 5.0)], Some("flared cut")),
            (Label::Sheared, vec![("flatness", 0.3)], Some("end-on cut")),
            (Label::Sheared, vec![], None),
            (Label::Unclear, vec![("bulb_ratio", 2.0)], None),
        ] {
            let word = subtype(label, &row(&values), &rules);
            assert_eq!(word, expected, "{label:?} {values:?}");
            assert!(word.is_none_or(|w| SUBTYPES.contains(&w)));
        }
    }
}
