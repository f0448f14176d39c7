//! What came out, in sentences: for the first screen of the page and for a terminal.

use super::answer_load;
use super::phrasing::{self, counted};
use super::sentence::Sentence;
use super::view_model::{Knot, ViewModel};
use crate::results::Results;
use crate::settings::ReportSettings;
use crate::table::PairRow;

/// The answer of a run in plain sentences, one a line of the terminal and of JSON: the same as on the page.
pub fn answer(results: &Results, settings: &ReportSettings) -> Vec<String> {
    headline(&ViewModel::new(results), settings).iter().map(Sentence::plain).collect()
}

/// The answer in a few sentences: for each line which knot holds, its least and most sheared knot, then which differences hold.
pub(crate) fn headline(view: &ViewModel<'_>, settings: &ReportSettings) -> Vec<Sentence> {
    let mut said = Vec::new();
    for of_line in view.knots.chunk_by(|a, b| a.line == b.line) {
        said.push(answer_load::sentence(view, of_line));
        let ranked: Vec<&Knot<'_>> = of_line.iter().filter(|k| k.rank.is_some()).collect();
        let sentence = match ranked.as_slice() {
            [least, .., most] => extremes(view, least, most),
            _ => unranked(view, of_line),
        };
        said.push(sentence);
    }
    if view.knots.is_empty() {
        said.push(Sentence::default().text("No specimen has the name of a knot, so there is nothing to rank."));
    }
    if view.knots.iter().any(|k| k.rank.is_some()) {
        said.push(differences(view, settings.clear_p));
    }
    said.retain(|s| !s.is_empty());
    said
}

/// What stands above the knots of one line.
pub(crate) fn knots_heading(line: Option<&str>, ranked: bool) -> Sentence {
    let knots = Sentence::default().text("Knots");
    let of_line = match line {
        Some(line) => knots.text(" in ").name(line),
        None => knots,
    };
    if ranked { of_line.text(", from least to most sheared") } else { of_line }
}

/// The least and the most sheared knot of one line.
fn extremes(view: &ViewModel<'_>, least: &Knot<'_>, most: &Knot<'_>) -> Sentence {
    let scope = match least.line.filter(|_| view.several_lines()) {
        Some(line) => Sentence::default().text("Of the knots in ").name(line).text(", least"),
        None => Sentence::default().text("Least"),
    };
    scope
        .text(" sheared: ")
        .then(knot_figure(view, least))
        .text(". Most sheared: ")
        .then(knot_figure(view, most))
        .text(".")
}

/// The knots of a line of which fewer than two have a verdict: there is no order to tell.
fn unranked(view: &ViewModel<'_>, knots: &[Knot<'_>]) -> Sentence {
    let scored: Vec<&Knot<'_>> = knots.iter().filter(|k| k.fraction().is_some()).collect();
    match scored.as_slice() {
        [] => Sentence::default().text("No end of ").then(names(view, knots)).text(" could be labelled."),
        [one] => knot_figure(view, one).text(" sheared."),
        _ => Sentence::default()
            .then(names(view, knots))
            .text(" have too few ends or specimens for a verdict each, so they are in no order."),
    }
}

fn names(view: &ViewModel<'_>, knots: &[Knot<'_>]) -> Sentence {
    let mut said = Sentence::default();
    for (i, knot) in knots.iter().enumerate() {
        let between = if i == 0 {
            ""
        } else if i + 1 == knots.len() {
            " and "
        } else {
            ", "
        };
        said = said.text(between).subject(&view.knot_name(knot));
    }
    said
}

/// "Palomar, 25 % (0 to 52 %)".
fn knot_figure(view: &ViewModel<'_>, knot: &Knot<'_>) -> Sentence {
    let said = Sentence::default().subject(&view.knot_name(knot)).text(", ");
    match knot.fraction() {
        Some(fraction) => said.fraction(fraction, knot.interval()),
        None => said.text("not known"),
    }
}

/// Which differences between knots hold.
fn differences(view: &ViewModel<'_>, limit: f64) -> Sentence {
    let tested: Vec<&PairRow> = view.results.pairs.iter().filter(|p| p.p_adjusted.is_some()).collect();
    let clear = tested.iter().filter(|p| p.p_adjusted.is_some_and(|v| v < limit)).count();
    let few = tested.iter().all(|p| p.n_a.min(p.n_b) <= 3);
    let said = match tested.as_slice() {
        [] => {
            return Sentence::default().text(
                "No two knots have the three specimens each that a test needs, so read the order as a first impression.",
            );
        }
        [pair] => Sentence::default()
            .text(if clear == 1 { "The difference is clear" } else { "The difference is not clear" })
            .text(" (adjusted p = ")
            .number(pair.p_adjusted.unwrap_or(1.0), 3)
            .text(")."),
        _ => Sentence::default()
            .text(if clear == 0 { "None".to_owned() } else { phrasing::thousands(clear) })
            .text(format!(" of {}", counted(tested.len(), "tested pair of knots", "tested pairs of knots")))
            .text(format!(" {} clearly", if clear == 1 { "differs" } else { "differ" }))
            .text(format!(" (adjusted p below {}).", crate::page::values::fixed(limit, 2))),
    };
    if clear == 0 && few {
        // Exact two-sided permutation test: 2 / C(6, 3) = 0.1, 2 / C(8, 4) = 0.03.
        said.text(" With three specimens a side no test can fall below p = 0.1; with four it can reach 0.03.")
    } else {
        said
    }
}
