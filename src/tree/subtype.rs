//! Words for the form of an end: description beside the label, never the label itself.
//!
//! Forms follow the published classification of fibre fracture (Hearle, Lomas and Cooke 1998; design notes on forms of
//! ends). The network's figures for the forms of the end's label decide where there are any; otherwise measured shape does.
//! All limits are in [`SubtypeSettings`].

use super::Label;
use crate::measure::FeatureRow;
use crate::settings::SubtypeSettings;

/// One form of ends.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Form {
    /// The word in the tables.
    pub word: &'static str,
    /// The label that it belongs to.
    pub label: Label,
    /// Feature that holds the network's figure for it; empty when measured shape alone tells it.
    pub network: &'static str,
    /// Its word in truth files.
    pub truth: &'static str,
}

const fn form(label: Label, word: &'static str, network: &'static str, truth: &'static str) -> Form {
    Form { word, label, network, truth }
}

/// Every form that [`subtype`] can tell.
pub const FORMS: &[Form] = &[
    form(Label::Tensile, "cap", "form_p_cap", "bulb"),
    form(Label::Tensile, "weak cap", "form_p_weak_cap", "weak_bulb"),
    form(Label::Tensile, "taper", "form_p_taper", "taper"),
    form(Label::Tensile, "drawn tail", "form_p_drawn_tail", "drawn_tail"),
    form(Label::Tensile, "split", "form_p_split", "split"),
    form(Label::Tensile, "brush", "form_p_brush", "brush"),
    form(Label::Sheared, "clean", "form_p_clean", "clean_cut"),
    form(Label::Sheared, "oblique", "", ""),
    form(Label::Sheared, "end-on", "form_p_end_on", "end_on_cut"),
    form(Label::Sheared, "flared", "form_p_flared", "flared_cut"),
    form(Label::Sheared, "torn", "form_p_torn", "torn_cut"),
    form(Label::Sheared, "crushed", "form_p_crushed", "crushed_cut"),
    form(Label::Sheared, "fused", "form_p_fused", "fused_cut"),
];

/// The form of an end with this label; `None` where it cannot be told.
pub fn subtype(label: Label, features: &FeatureRow, rules: &SubtypeSettings) -> Option<&'static str> {
    let told = by_network(label, features, rules);
    match label {
        Label::Tensile => told.or_else(|| tensile(features, rules)),
        Label::Sheared => told.or_else(|| sheared(features, rules)).map(|word| slanted(word, features, rules)),
        Label::Unclear => None,
    }
}

/// The likeliest form of this label, when the network gives it the set share of all forms of the label.
fn by_network(label: Label, features: &FeatureRow, rules: &SubtypeSettings) -> Option<&'static str> {
    let figure = |f: &Form| FeatureRow::index(f.network).and_then(|_| features.get(f.network)).map(|p| (f.word, p));
    let told: Vec<(&str, f64)> = FORMS.iter().filter(|f| f.label == label).filter_map(figure).collect();
    let sum: f64 = told.iter().map(|t| t.1).sum();
    let best = told.into_iter().max_by(|a, b| a.1.total_cmp(&b.1))?;
    (rules.form_share * sum <= best.1 && 0.0 < sum).then_some(best.0)
}

fn tensile(features: &FeatureRow, rules: &SubtypeSettings) -> Option<&'static str> {
    let at_least = |name: &str, limit: f64| features.get(name).is_some_and(|v| limit <= v);
    if at_least("divided_length", rules.divided_length) {
        return Some(if at_least("strand_count", rules.brush_strands) { "brush" } else { "split" });
    }
    if at_least("tail_length", rules.tail_length) {
        return Some("drawn tail");
    }
    let bulb = features.get("bulb_ratio")?;
    if bulb >= rules.bulb_ratio {
        return Some("cap");
    }
    if bulb >= rules.weak_bulb_ratio {
        return Some("weak cap");
    }
    if bulb < rules.taper_ratio {
        return Some("taper");
    }
    at_least("flatness", rules.split).then_some("split")
}

fn sheared(features: &FeatureRow, rules: &SubtypeSettings) -> Option<&'static str> {
    let at_least = |name: &str, limit: f64| features.get(name).is_some_and(|v| limit <= v);
    // A face that looks at the camera has no straight edge to measure.
    if features.get("cut_angle_deg").is_none() {
        return at_least("flatness", rules.flat).then_some("end-on");
    }
    if at_least("step_height", rules.step_height) {
        return Some("torn");
    }
    Some(if at_least("bulb_ratio", rules.flare_ratio) { "flared" } else { "clean" })
}

/// A clean cut at a large angle is an oblique one.
fn slanted(word: &'static str, features: &FeatureRow, rules: &SubtypeSettings) -> &'static str {
    let steep = features.get("cut_angle_deg").is_some_and(|a| rules.oblique_deg <= a.abs());
    if word == "clean" && steep { "oblique" } else { word }
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
            (Label::Tensile, vec![("bulb_ratio", 1.3)], Some("cap")),
            (Label::Tensile, vec![("bulb_ratio", 1.29)], Some("weak cap")),
            (Label::Tensile, vec![("bulb_ratio", 0.6)], Some("taper")),
            (Label::Tensile, vec![("bulb_ratio", 1.0), ("flatness", 0.2)], Some("split")),
            (Label::Tensile, vec![("bulb_ratio", 1.0), ("flatness", 0.02)], None),
            (Label::Sheared, vec![("bulb_ratio", 1.0), ("cut_angle_deg", -5.0)], Some("clean")),
            (Label::Sheared, vec![("bulb_ratio", 1.0), ("cut_angle_deg", -35.0)], Some("oblique")),
            (Label::Sheared, vec![("bulb_ratio", 1.4), ("cut_angle_deg", 5.0)], Some("flared")),
            (Label::Sheared, vec![("flatness", 0.3)], Some("end-on")),
            (Label::Sheared, vec![], None),
            (Label::Unclear, vec![("bulb_ratio", 2.0)], None),
        ] {
            let word = subtype(label, &row(&values), &rules);
            assert_eq!(word, expected, "{label:?} {values:?}");
            assert!(word.is_none_or(|w| FORMS.iter().any(|f| f.word == w && f.label == label)));
        }
    }
}
