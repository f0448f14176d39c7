//! What shape and appearance say of an end, in words. Strings out; no layout beyond lines.

use crate::flag::Reason;
use crate::measure::FeatureRow;
use crate::page::values::spelled;
use crate::table::format_number;
use crate::tree::witness::{NETWORK_FEATURE, probability};
use crate::tree::{Label, Model, Side, Step};

/// One question and its answer in words.
pub fn step_line(step: &Step) -> String {
    let unit = match step.feature.unit {
        "1" => String::new(),
        unit => format!(" {unit}"),
    };
    let threshold = format_number(step.threshold);
    let answer = match (step.value, step.side) {
        (None, side) => format!("not measured: taken as {}", side_words(side)),
        (Some(v), Side::Low) => format!("{}{unit}, at or below {threshold}{}", format_number(v), share_words(step)),
        (Some(v), Side::High) => format!("{}{unit}, above {threshold}{}", format_number(v), share_words(step)),
    };
    format!(
        "{}: {answer} (training ends here: {} sheared, {} tensile)",
        step.feature.name,
        whole(step.counts.0),
        whole(step.counts.1)
    )
}

/// How much of the end goes this way, when it lies so near the threshold that it goes both ways.
fn share_words(step: &Step) -> String {
    const NEARLY_ALL: f64 = 0.995;
    if NEARLY_ALL <= step.share {
        String::new()
    } else {
        format!("; close to it: counts for this way by {:.0} %", 100.0 * step.share)
    }
}

fn side_words(side: Side) -> &'static str {
    match side {
        Side::Low => "low",
        Side::High => "high",
    }
}

/// Weighted counts for people: whole numbers stay whole.
pub fn whole(count: f64) -> String {
    format_number((count * 10.0).round() / 10.0)
}

/// Everything about the verdict on one end, line by line.
pub fn explain(model: &Model, row: &FeatureRow, not_gradable: &[Reason]) -> Vec<String> {
    let mut lines: Vec<String> =
        model.path(row).iter().enumerate().map(|(i, step)| format!("{}. {}", i + 1, step_line(step))).collect();
    if lines.is_empty() {
        lines.push("The tree asks nothing.".to_owned());
    }
    let (sheared, tensile) = model.leaf_counts(row);
    lines.push(format!("Here the tree saw {} sheared and {} tensile ends.", whole(sheared), whole(tensile)));
    if !model.forest.is_empty() {
        lines.push(format!("By shape {} trees vote; the path is that of the single tree.", model.forest.len()));
    }
    lines.extend(testimony_lines(model, row));
    let verdict = model.predict(row, not_gradable);
    lines.push(match verdict.label {
        Label::Unclear => format!("Label: unclear ({}).", spelled(&Reason::join(&verdict.reasons))),
        label => format!("Label: {}{}.", label.word(), verdict.subtype.map(|s| format!(", {s}")).unwrap_or_default()),
    });
    let outside = model.out_of_range(row);
    if !outside.is_empty() {
        lines.push(format!("Outside the range of the training ends: {}.", outside.join(", ")));
    }
    lines
}

/// Both witnesses, each by itself and together.
fn testimony_lines(model: &Model, row: &FeatureRow) -> [String; 3] {
    let heard = model.hear(row);
    let number = |p: Option<f64>| p.map_or("not known".to_owned(), |p| format!("{p:.3}"));
    let raw = row.get(NETWORK_FEATURE).map(|p| format!(" (the network's own figure: {p:.3})")).unwrap_or_default();
    let band = model.unclear;
    [
        format!("By measured shape, probability of sheared: {}.", number(heard.shape)),
        format!("By appearance, probability of sheared: {}{raw}.", number(heard.appearance)),
        format!(
            "Probability of sheared, both together: {} (unclear from {:.2} to {:.2}, and where both are sure of {:.2} or \
             more and contradict each other).",
            number(heard.p_sheared),
            band.low,
            band.high,
            probability(model.witnesses.decided)
        ),
    ]
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_path_says_values_thresholds_and_gaps() {
        let model = Model::bundled().unwrap();
        let lines = explain(&model, &FeatureRow::default(), &[]);
        assert!(lines.iter().any(|l| l.contains("Label: unclear (nothing could be measured)")), "{lines:?}");
        let mut row = FeatureRow::default();
        for feature in &model.features {
            row.set(feature.feature.name, feature.range.map(|r| r.1 + 1.0).or(Some(1.0)));
        }
        let lines = explain(&model, &row, &[Reason::OutOfFocus]);
        assert!(lines.iter().any(|l| l.contains("Label: unclear (out of focus)")), "{lines:?}");
    }
}
