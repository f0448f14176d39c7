//! `review.csv`: the figures of the model and the figures with hand labels in place, side by side.

use crate::page::values::percent_interval;
use maud::{Markup, html};
use std::path::Path;

/// Both figures of one specimen or knot.
#[derive(Debug, Clone, Default, PartialEq)]
struct Both {
    of: String,
    name: String,
    n_hand: Option<u64>,
    model: [Option<f64>; 3],
    reviewed: [Option<f64>; 3],
}

/// All of `review.csv`; empty when nobody has reviewed the run.
#[derive(Debug, Clone, Default, PartialEq)]
pub(crate) struct Reviewed(Vec<Both>);

impl Reviewed {
    /// Reads the table of a results folder. It only adds to what other tables say, so one that is missing or damaged is passed over.
    pub fn read(folder: &Path) -> Self {
        crate::files::read_regular(&folder.join("review.csv")).map(|bytes| Self::parse(&bytes)).unwrap_or_default()
    }

    fn parse(bytes: &[u8]) -> Self {
        let mut reader = csv::Reader::from_reader(bytes);
        let Ok(header) = reader.headers().cloned() else { return Self::default() };
        let row = |record: csv::StringRecord| {
            let field = |column: &str| {
                header.iter().position(|h| h == column).and_then(|i| record.get(i)).unwrap_or_default().to_owned()
            };
            let three = |whose: &str| {
                ["fraction", "low", "high"]
                    .map(|part| field(&format!("sheared_{part}_{whose}")).parse().ok().filter(|v: &f64| v.is_finite()))
            };
            Both {
                of: field("of"),
                name: field("name"),
                n_hand: field("n_hand_labels").parse().ok(),
                model: three("model"),
                reviewed: three("reviewed"),
            }
        };
        Self(reader.records().filter_map(Result::ok).map(row).collect())
    }

    /// Both figures of a specimen.
    pub fn of_specimen(&self, code: &str) -> Markup {
        self.find("specimen", code)
    }

    /// Both figures of a knot.
    pub fn of_knot(&self, knot: &str, line: Option<&str>) -> Markup {
        let name: Vec<&str> = [Some(knot), line].into_iter().flatten().collect();
        self.find("knot", &name.join(", "))
    }

    fn find(&self, of: &str, name: &str) -> Markup {
        let Some(both) = self.0.iter().find(|b| b.of == of && b.name == name && b.n_hand != Some(0)) else {
            return html! {};
        };
        let shown = |[value, low, high]: [Option<f64>; 3]| percent_interval(value, low, high);
        html! {
            p.small {
                "Sheared as labelled by the model: " (shown(both.model)) "; after review"
                @if let Some(n) = both.n_hand { " (" (n) " ends looked at by hand)" }
                ": " (shown(both.reviewed)) "."
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn both_figures_are_told() {
        let table = b"of,name,n_hand_labels,sheared_fraction_model,sheared_low_model,sheared_high_model,sheared_fraction_reviewed,sheared_low_reviewed,sheared_high_reviewed\r\n\
            specimen,a,3,0.5,0.4,0.6,0.55,0.45,0.65\r\nspecimen,b,0,0.5,0.4,0.6,0.5,0.4,0.6\r\nknot,\"FG, x\",,0.5,,,0.6,,\r\n";
        let reviewed = Reviewed::parse(table);
        let told = reviewed.of_specimen("a").into_string();
        assert!(told.contains("3 ends") && told.contains("value=\"0.55\"") && told.contains("value=\"0.4\""));
        assert_eq!(reviewed.of_specimen("b").into_string(), "");
        assert!(reviewed.of_knot("FG", Some("x")).into_string().contains("value=\"0.6\""));
        assert_eq!(Reviewed::parse(b"\xff\xfe").of_specimen("a").into_string(), "");
    }
}
