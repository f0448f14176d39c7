//! Plain sentences about fractions, counts and flags.

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

/// "1 specimen", "3 specimens".
pub(crate) fn counted(n: usize, one: &str, many: &str) -> String {
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

/// A stable name as words: `mostly_shear` -> "mostly shear".
pub(crate) fn spelled(name: &str) -> String {
    name.replace('_', " ")
}

/// First letter as a capital.
pub(crate) fn capital(text: &str) -> String {
    let mut chars = text.chars();
    chars.next().map_or_else(String::new, |c| c.to_uppercase().chain(chars).collect())
}

/// One sentence about the break of a knot or a specimen, from its published fraction and its verdict.
pub(crate) fn sentence(fraction: Option<f64>, verdict: Option<&str>) -> String {
    let verdict = verdict.map(spelled);
    match (fraction, verdict) {
        (None, None) => "No end could be graded, so nothing can be said.".to_owned(),
        (None, Some(v)) => format!("{}.", capital(&v)),
        (Some(f), v) => {
            let cut = match share(f) {
                "none" => "none of the graded fibres were cut".to_owned(),
                s => format!("{s} of the graded fibres were cut before the break"),
            };
            v.map_or_else(|| format!("{}.", capital(&cut)), |v| format!("{}; {v}.", capital(&cut)))
        }
    }
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
            sentence(Some(0.67), Some("mostly_shear")),
            "About two thirds of the graded fibres were cut before the break; mostly shear."
        );
        assert_eq!(sentence(Some(0.0), None), "None of the graded fibres were cut.");
        assert_eq!(sentence(None, Some("too few")), "Too few.");
    }

    #[test]
    fn counts_read_well() {
        assert_eq!(counted(1, "end", "ends"), "1 end");
        assert_eq!(counted(12_345, "end", "ends"), "12\u{202F}345 ends");
        assert_eq!(thousands(999), "999");
    }
}
