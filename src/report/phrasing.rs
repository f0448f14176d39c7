//! Words for fractions, counts, verdicts and flags, each said in one way everywhere.

use crate::flag::Flag;
pub(crate) use crate::page::values::spelled;
use crate::table::{Basis, FaceVerdict};

/// Shares of a whole that have a name, with that name.
const SHARES: [(f64, &str); 13] = [
    (0.0, "hardly any"),
    (0.1, "about a tenth"),
    (0.2, "about a fifth"),
    (0.25, "about a quarter"),
    (1.0 / 3.0, "about a third"),
    (0.4, "about two fifths"),
    (0.5, "about half"),
    (0.6, "about three fifths"),
    (2.0 / 3.0, "about two thirds"),
    (0.75, "about three quarters"),
    (0.8, "about four fifths"),
    (0.9, "about nine tenths"),
    (1.0, "nearly all"),
];

/// The nearest share with a name, "about two thirds"; exactly none and all are called so.
pub(crate) fn share(fraction: f64) -> &'static str {
    if fraction <= 0.0 {
        return "none";
    }
    if fraction >= 1.0 {
        return "all";
    }
    SHARES.iter().min_by(|a, b| (a.0 - fraction).abs().total_cmp(&(b.0 - fraction).abs())).map_or("", |&(_, word)| word)
}

/// A count with its noun: "1 specimen", "3 specimens", with a thin space between thousands.
pub fn counted(n: usize, one: &str, many: &str) -> String {
    format!("{} {}", thousands(n), if n == 1 { one } else { many })
}

/// A count with a thin space between thousands.
pub(crate) fn thousands(n: usize) -> String {
    let digits = n.to_string();
    let mut out = String::with_capacity(digits.len() + 6);
    for (i, c) in digits.chars().enumerate() {
        if i > 0 && (digits.len() - i).is_multiple_of(3) {
            out.push('\u{202F}');
        }
        out.push(c);
    }
    out
}

/// A verdict in words, as the tables have it.
pub(crate) fn verdict_words(verdict: FaceVerdict) -> &'static str {
    match verdict {
        FaceVerdict::MostlyShear => "mostly shear",
        FaceVerdict::Mixed => "mixed",
        FaceVerdict::MostlyTensile => "mostly tensile",
        FaceVerdict::TooFew => "too few ends for a verdict",
    }
}

/// A flag of the tables in words, the same as those of verdicts; what it is about stands beside it.
pub(crate) fn flag(name: &str) -> String {
    match Flag::from_name(name) {
        Some(Flag::MostlyShear | Flag::KnotMostlyShear) => verdict_words(FaceVerdict::MostlyShear).to_owned(),
        _ => spelled(name),
    }
}

/// First letter as a capital.
pub(crate) fn capital(text: &str) -> String {
    let mut chars = text.chars();
    chars.next().map_or_else(String::new, |c| c.to_uppercase().chain(chars).collect())
}

/// What a published fraction is made from.
pub(crate) fn basis(basis: Basis) -> &'static str {
    match basis {
        Basis::Controls => "corrected by the controls of this series",
        Basis::Model => "corrected by the model's cross-validated error rates",
        Basis::Raw => "as labelled, not corrected",
    }
}

/// One sentence about the break of a knot or a specimen, from its published fraction and its verdict.
pub(crate) fn sentence(fraction: Option<f64>, verdict: Option<FaceVerdict>) -> String {
    let Some(fraction) = fraction else {
        let said = verdict.map_or("No end could be labelled, so nothing can be said", verdict_words);
        return format!("{}.", capital(said));
    };
    let cut = match share(fraction) {
        "none" => "none of the labelled ends are sheared".to_owned(),
        s => format!("{s} of the labelled ends are sheared"),
    };
    let then = verdict.map_or_else(String::new, |v| format!("; {}", verdict_words(v)));
    format!("{}{then}.", capital(&cut))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn shares_are_the_nearest_named_one() {
        assert_eq!(share(0.66), "about two thirds");
        assert_eq!(share(0.02), "hardly any");
        assert_eq!((share(0.0), share(1.0)), ("none", "all"));
        assert_eq!(share(0.23), "about a quarter");
    }

    #[test]
    fn sentences_say_share_and_verdict() {
        assert_eq!(
            sentence(Some(0.67), Some(FaceVerdict::MostlyShear)),
            "About two thirds of the labelled ends are sheared; mostly shear."
        );
        assert_eq!(sentence(Some(0.0), None), "None of the labelled ends are sheared.");
        assert_eq!(sentence(None, Some(FaceVerdict::TooFew)), "Too few ends for a verdict.");
    }

    #[test]
    fn flags_and_verdicts_use_one_word() {
        assert_eq!(flag("knot_mostly_shear"), "mostly shear");
        assert_eq!(flag("mostly_shear"), verdict_words(FaceVerdict::MostlyShear));
        assert_eq!(flag("out_of_focus"), "out of focus");
    }

    #[test]
    fn counts_read_well() {
        assert_eq!(counted(1, "end", "ends"), "1 end");
        assert_eq!(counted(12_345, "end", "ends"), "12\u{202F}345 ends");
        assert_eq!(thousands(999), "999");
    }
}
