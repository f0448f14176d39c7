//! Values as markup: names from tables, numbers and fractions that carry the value of the table, lists of facts.

use maud::{Markup, html};

/// A name from a table, set apart from the writing direction of its surroundings.
pub(crate) fn name(text: &str) -> Markup {
    html! { bdi { (text) } }
}

/// A fraction 0..1 as whole percent, carrying the value of the table.
pub(crate) fn percent(value: f64) -> Markup {
    html! { data value=(value) { (whole_percent(value)) "\u{a0}%" } }
}

/// A fraction 0..1 in whole percent, as plain text without the sign.
pub(crate) fn whole_percent(value: f64) -> String {
    let rounded = (value * 100.0).round();
    // −0 would print as "-0".
    format!("{}", if rounded == 0.0 { 0.0 } else { rounded })
}

/// A number with `digits` decimals and its unit, carrying the value of the table.
pub(crate) fn number(value: f64, digits: usize, unit: &str) -> Markup {
    // A degree sign stands close to its number; other units have a space (SI brochure, section 5.4.3).
    let space = if matches!(unit, "" | "°") { "" } else { "\u{a0}" };
    html! { data value=(value) { (fixed(value, digits)) (space) (unit) } }
}

/// A count, carrying the value of the table.
pub(crate) fn count(n: impl std::fmt::Display) -> Markup {
    html! { data value=(n) { (n) } }
}

/// A number with `digits` decimals and a proper minus sign, as plain text.
pub(crate) fn fixed(value: f64, digits: usize) -> String {
    let text = format!("{value:.digits$}");
    match text.strip_prefix('-') {
        Some(rest) if rest.chars().all(|c| matches!(c, '0' | '.')) => rest.to_owned(),
        Some(rest) => format!("\u{2212}{rest}"),
        None => text,
    }
}

/// A fraction with its interval, "67 % (52 to 79 %)"; parts that are missing are left away.
pub(crate) fn percent_interval(value: Option<f64>, low: Option<f64>, high: Option<f64>) -> Markup {
    let Some(value) = value else { return missing() };
    html! {
        (percent(value))
        @if let (Some(low), Some(high)) = (low, high) {
            " " span.range { "(" (percent_range(low, high)) ")" }
        }
    }
}

/// "52 to 79 %".
pub(crate) fn percent_range(low: f64, high: f64) -> Markup {
    html! { data value=(low) { (whole_percent(low)) } " to " (percent(high)) }
}

/// What stands where the table holds no value.
pub(crate) fn missing() -> Markup {
    html! { span.none { "not known" } }
}

/// A stable name as words: `out_of_focus` -> "out of focus".
pub(crate) fn spelled(name: &str) -> String {
    name.replace('_', " ")
}

/// A list of terms and their values; entries without a value are left away.
pub(crate) fn facts(entries: &[(&str, Option<Markup>)]) -> Markup {
    html! {
        dl.facts {
            @for (term, value) in entries {
                @if let Some(value) = value { div { dt { (term) } dd { (value) } } }
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn numbers_round_and_keep_the_value_of_the_table() {
        assert_eq!(percent(0.666).into_string(), "<data value=\"0.666\">67\u{a0}%</data>");
        assert_eq!(whole_percent(-0.001), "0");
        assert_eq!(fixed(-0.04, 1), "0.0");
        assert_eq!(fixed(-12.34, 1), "\u{2212}12.3");
        assert_eq!(percent_interval(None, Some(0.1), Some(0.2)).into_string(), missing().into_string());
        assert!(!percent_interval(Some(0.5), None, Some(0.6)).into_string().contains("to"));
        assert_eq!(number(2.5, 1, "µm").into_string(), "<data value=\"2.5\">2.5\u{a0}µm</data>");
    }
}
