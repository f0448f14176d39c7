//! Which knot of a line holds, said from loads and cuts together.

use super::sentence::Sentence;
use super::view_model::{Knot, ViewModel};
use crate::table::PairRow;

/// How much more the first of two knots held than the second.
struct Gain {
    value: f64,
    interval: Option<(f64, f64)>,
    /// No difference.
    none: f64,
}

impl Gain {
    fn is_clear(&self) -> Option<bool> {
        self.interval.map(|(low, high)| self.none < low || high < self.none)
    }
}

/// The strongest and the weakest knot of a line against each other; empty where fewer than two have loads.
pub(super) fn sentence(view: &ViewModel<'_>, of_line: &[Knot<'_>]) -> Sentence {
    let load = |k: &Knot<'_>| k.row.and_then(|r| r.mean_load_n);
    let mut loaded: Vec<&Knot<'_>> = of_line.iter().filter(|k| load(k).is_some()).collect();
    loaded.sort_by(|a, b| load(b).unwrap_or(0.0).total_cmp(&load(a).unwrap_or(0.0)).then_with(|| a.name.cmp(b.name)));
    let [strong, .., weak] = loaded.as_slice() else { return Sentence::default() };
    let Some((pair, turned)) = pair(view, strong, weak) else { return Sentence::default() };
    let Some(gain) = held(view, (strong, weak), pair, turned) else { return Sentence::default() };
    let said = match loaded.len() {
        2 => gain,
        n => Sentence::default().text(format!("Strongest and weakest of {n} knots: ")).then(gain),
    };
    said.then(cut(strong, weak, pair)).text(".")
}

/// The row that compares two knots, and whether it has them the other way round.
fn pair<'a>(view: &'a ViewModel<'_>, a: &Knot<'_>, b: &Knot<'_>) -> Option<(&'a PairRow, bool)> {
    let of = |p: &PairRow, x: &Knot<'_>, y: &Knot<'_>| {
        p.line.as_deref() == x.line && p.knot_a == x.name && p.knot_b == y.name
    };
    view.results.pairs.iter().find_map(|p| match (of(p, a, b), of(p, b, a)) {
        (true, _) => Some((p, false)),
        (_, true) => Some((p, true)),
        _ => None,
    })
}

/// "Palomar held 24 points more of the straight strength than Uni (95 % interval 10 to 38)".
fn held(
    view: &ViewModel<'_>,
    (strong, weak): (&Knot<'_>, &Knot<'_>),
    pair: &PairRow,
    turned: bool,
) -> Option<Sentence> {
    let ends = |low: Option<f64>, high: Option<f64>| low.zip(high);
    let (points, digits, gain) = match (pair.efficiency_difference, pair.load_ratio) {
        (Some(d), _) => {
            let range = ends(pair.efficiency_difference_low, pair.efficiency_difference_high);
            let sign = if turned { -100.0 } else { 100.0 };
            let range =
                range.map(|(low, high)| if turned { (sign * high, sign * low) } else { (sign * low, sign * high) });
            (true, 0, Gain { value: sign * d, interval: range, none: 0.0 })
        }
        (None, Some(r)) if 0.0 < r => {
            let range = ends(pair.load_ratio_low, pair.load_ratio_high).filter(|(low, _)| 0.0 < *low);
            let range = if turned { range.map(|(low, high)| (1.0 / high, 1.0 / low)) } else { range };
            (false, 2, Gain { value: if turned { 1.0 / r } else { r }, interval: range, none: 1.0 })
        }
        _ => return None,
    };
    let first = Sentence::default().subject(&view.knot_name(strong));
    let said = if points {
        first.text(" held ").number(gain.value, digits).text(" points more of the straight strength than ")
    } else {
        first.text(" broke at ").number(gain.value, digits).text(" times the load of ")
    };
    let said = said.subject(&view.knot_name(weak));
    let said = match gain.interval {
        Some((low, high)) => {
            said.text(" (95\u{a0}% interval ").number(low, digits).text(" to ").number(high, digits).text(")")
        }
        None => said.text(" (too few loads for an interval)"),
    };
    Some(if gain.is_clear() == Some(false) { said.text(", which is not clear") } else { said })
}

/// ", and was cut less (22 % against 80 % sheared)".
fn cut(strong: &Knot<'_>, weak: &Knot<'_>, pair: &PairRow) -> Sentence {
    let Some((a, b)) = strong.fraction().zip(weak.fraction()) else { return Sentence::default() };
    // Told as whole percents, so compared as such.
    let words = match ((100.0 * a).round() - (100.0 * b).round()).total_cmp(&0.0) {
        std::cmp::Ordering::Less => ", and was cut less (",
        std::cmp::Ordering::Greater => ", although it was cut more (",
        std::cmp::Ordering::Equal => ", and was cut as much (",
    };
    let said = Sentence::default().text(words).fraction(a, None).text(" against ").fraction(b, None).text(" sheared");
    let tested = match pair.p_adjusted {
        Some(p) => said.text("; adjusted p = ").number(p, 3),
        None => said,
    };
    tested.text(")")
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::results::Results;
    use crate::table::KnotRow;

    fn knot(name: &str, load: f64, fraction: f64) -> KnotRow {
        KnotRow {
            knot: name.into(),
            mean_load_n: Some(load),
            sheared_fraction: Some(fraction),
            n_specimens: 4,
            ..KnotRow::default()
        }
    }

    fn said(results: &Results) -> String {
        let view = ViewModel::new(results);
        sentence(&view, &view.knots).plain()
    }

    #[test]
    fn loads_and_cuts_are_said_together() {
        let mut results = Results {
            knots: vec![knot("Improved clinch", 150.0, 0.8), knot("Palomar", 210.0, 0.22)],
            pairs: vec![PairRow {
                knot_a: "Improved clinch".into(),
                knot_b: "Palomar".into(),
                efficiency_difference: Some(-0.24),
                efficiency_difference_low: Some(-0.38),
                efficiency_difference_high: Some(-0.10),
                p_adjusted: Some(0.0286),
                load_ratio: Some(0.714),
                load_ratio_low: Some(0.6),
                load_ratio_high: Some(0.8),
                ..PairRow::default()
            }],
            ..Results::default()
        };
        assert_eq!(
            said(&results),
            "Palomar held 24 points more of the straight strength than Improved clinch (95\u{a0}% interval 10 to 38), and was cut less \
             (22\u{a0}% against 80\u{a0}% sheared; adjusted p = 0.029)."
                .replace("22\u{a0}%", "22 %")
                .replace("80\u{a0}%", "80 %")
        );
        let pair = &mut results.pairs[0];
        (pair.efficiency_difference, pair.p_adjusted, pair.load_ratio_high) = (None, None, Some(1.05));
        results.knots[1].sheared_fraction = Some(0.9);
        assert_eq!(
            said(&results),
            "Palomar broke at 1.40 times the load of Improved clinch (95\u{a0}% interval 0.95 to 1.67), which is not clear, \
             although it was cut more (90 % against 80 % sheared)."
        );
    }

    #[test]
    fn nothing_is_said_without_two_knots_with_loads() {
        let mut one = knot("Palomar", 210.0, 0.2);
        let results = Results { knots: vec![one.clone()], ..Results::default() };
        assert_eq!(said(&results), "");
        one.mean_load_n = None;
        let results = Results { knots: vec![one, knot("Uni", 100.0, 0.1)], ..Results::default() };
        assert_eq!(said(&results), "");
    }
}
