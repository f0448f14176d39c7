//! Text that a spreadsheet would take for a formula: made harmless in every table that is written, and read back.

/// What makes a spreadsheet run a cell: the characters that the OWASP page on CSV injection lists, with their wide forms.
const FORMULA_START: [char; 11] = ['=', '+', '-', '@', '\t', '\r', '\n', '＝', '＋', '－', '＠'];

/// Text that a spreadsheet would run as a formula gets an apostrophe in front; [`unguard_formula`] takes it away.
pub fn guard_formula(text: &str) -> String {
    if text.trim_start_matches('\'').starts_with(FORMULA_START) { format!("'{text}") } else { text.into() }
}

/// The text that [`guard_formula`] was given.
pub fn unguard_formula(field: &str) -> &str {
    match field.strip_prefix('\'') {
        Some(rest) if rest.trim_start_matches('\'').starts_with(FORMULA_START) => rest,
        _ => field,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn formulas_are_defused_and_come_back() {
        for text in ["=1+1", "+x", "-x", "@a", "'=1", "''=1", "plain", "'quoted", "", "\n=1", "\t=1", "＝1"] {
            let field = guard_formula(text);
            assert!(!field.starts_with(FORMULA_START), "{field}");
            assert_eq!(unguard_formula(&field), text);
        }
    }
}
