//! Text that a spreadsheet would take for a formula: made harmless in every table that is written, and read back.

/// What makes a spreadsheet run a cell: the characters that the OWASP page on CSV injection lists, with their wide forms.
const FORMULA_START: [char; 11] = ['=', '+', '-', '@', '\t', '\r', '\n', '＝', '＋', '－', '＠'];
/// Where a spreadsheet with other settings begins a new cell, whatever the quotes say: it may split at each of these.
const CELL_ENDS: [char; 4] = [';', '\t', '\r', '\n'];

/// Text that a spreadsheet would run as a formula gets an apostrophe in front, at its start and wherever a spreadsheet that
/// splits at semicolons, tabs or lines would start a cell; [`unguard_formula`] takes them away.
pub fn guard_formula(text: &str) -> String {
    let mut out = String::with_capacity(text.len());
    for (at, c) in text.char_indices() {
        if starts_cell(text, at) && is_formula(&text[at..]) {
            out.push('\'');
        }
        out.push(c);
    }
    out
}

/// The text that [`guard_formula`] was given.
pub fn unguard_formula(field: &str) -> String {
    let mut out = String::with_capacity(field.len());
    for (at, c) in field.char_indices() {
        if !(c == '\'' && starts_cell(field, at) && is_formula(&field[at + 1..])) {
            out.push(c);
        }
    }
    out
}

fn starts_cell(text: &str, at: usize) -> bool {
    text[..at].chars().next_back().is_none_or(|c| CELL_ENDS.contains(&c))
}

/// Whether a cell would run, behind apostrophes that may be its own, and behind quotes: a spreadsheet that splits within a
/// quoted field takes two of them at the start of a cell for nothing.
fn is_formula(cell: &str) -> bool {
    cell.trim_start_matches(['\'', '"']).starts_with(FORMULA_START)
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn formulas_are_defused_and_come_back() {
        for text in [
            "a;\"=1+1;b",
            "=1+1",
            "+x",
            "-x",
            "@a",
            "'=1",
            "''=1",
            "plain",
            "'quoted",
            "",
            "\n=1",
            "\t=1",
            "＝1",
            "a;=1+1",
            "a;'=1",
        ] {
            let field = guard_formula(text);
            for cell in field.split([';', '\t']) {
                assert!(!cell.trim_start_matches('"').starts_with(['=', '+', '-', '@', '＝']), "{field}");
            }
            assert_eq!(unguard_formula(&field), text);
        }
        assert_eq!(guard_formula("a;=1+1"), "a;'=1+1");
        assert_eq!(guard_formula("clean cut; a-b"), "clean cut; a-b");
    }

    proptest! {
        #[test]
        fn any_text_comes_back(text in "[a='\"+;\\-\t\r\n@ ]{0,12}") {
            prop_assert_eq!(unguard_formula(&guard_formula(&text)), text);
        }
    }
}
