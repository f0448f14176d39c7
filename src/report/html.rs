//! Building HTML as text: escaping, names from tables, numbers with the value of the table beside them.
//!
//! Every text that comes from a table goes through [`escape`] or [`name`]; nothing else may put such text in the page.

use std::fmt::Write as _;

/// Escapes text for an element's content or a quoted attribute.
///
/// Control characters, and characters that turn the writing direction of what follows, are replaced by a visible mark:
/// a specimen code must not be able to rearrange the page.
pub(crate) fn escape(text: &str) -> String {
    let mut out = String::with_capacity(text.len() + 8);
    for c in text.chars() {
        match c {
            '&' => out.push_str("&amp;"),
            '<' => out.push_str("&lt;"),
            '>' => out.push_str("&gt;"),
            '"' => out.push_str("&quot;"),
            '\'' => out.push_str("&#39;"),
            '\n' | '\r' | '\t' => out.push(' '),
            c if is_hostile(c) => out.push('\u{FFFD}'),
            c => out.push(c),
        }
    }
    out
}

/// Characters that have no business in a name: controls, direction overrides, non-characters.
fn is_hostile(c: char) -> bool {
    c.is_control()
        || matches!(c, '\u{200E}' | '\u{200F}' | '\u{202A}'..='\u{202E}' | '\u{2066}'..='\u{2069}' | '\u{FEFF}')
        || (u32::from(c) & 0xFFFE) == 0xFFFE
}

/// A name from a table, set apart from the writing direction of its surroundings.
pub(crate) fn name(text: &str) -> String {
    format!("<bdi>{}</bdi>", escape(text))
}

/// A fraction 0..1 as whole percent, carrying the value of the table.
pub(crate) fn percent(value: f64) -> String {
    format!("<data value=\"{value}\">{}&#160;%</data>", whole_percent(value))
}

/// A fraction 0..1 in whole percent, as plain text without the sign.
pub(crate) fn whole_percent(value: f64) -> String {
    let rounded = (value * 100.0).round();
    // −0 would print as "-0".
    format!("{}", if rounded == 0.0 { 0.0 } else { rounded })
}

/// A number with `digits` decimals and its unit, carrying the value of the table.
pub(crate) fn number(value: f64, digits: usize, unit: &str) -> String {
    // A degree sign stands close to its number; other units have a space (SI brochure, section 5.4.3).
    let unit = match unit {
        "" | "°" => unit.to_owned(),
        _ => format!("&#160;{}", escape(unit)),
    };
    format!("<data value=\"{value}\">{}{unit}</data>", fixed(value, digits))
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
pub(crate) fn percent_interval(value: Option<f64>, low: Option<f64>, high: Option<f64>) -> String {
    let Some(value) = value else { return missing() };
    let mut out = percent(value);
    if let (Some(low), Some(high)) = (low, high) {
        let _ = write!(
            out,
            " <span class=\"range\">(<data value=\"{low}\">{}</data> to {})</span>",
            whole_percent(low),
            percent(high)
        );
    }
    out
}

/// What stands where the table holds no value.
pub(crate) fn missing() -> String {
    "<span class=\"none\">not known</span>".to_owned()
}

/// A list of terms and their values; entries without a value are left away.
pub(crate) fn facts(entries: &[(&str, Option<String>)]) -> String {
    let mut out = String::from("<dl class=\"facts\">");
    for (term, value) in entries {
        if let Some(value) = value {
            let _ = write!(out, "<div><dt>{}</dt><dd>{value}</dd></div>", escape(term));
        }
    }
    out.push_str("</dl>\n");
    out
}

/// A relative link percent-encoded piece by piece, so that no file name can break out of the attribute or the path.
pub(crate) fn href(path: &str) -> String {
    let mut out = String::with_capacity(path.len());
    for byte in path.bytes() {
        match byte {
            b'A'..=b'Z' | b'a'..=b'z' | b'0'..=b'9' | b'-' | b'_' | b'.' | b'~' | b'/' => out.push(char::from(byte)),
            _ => {
                let _ = write!(out, "%{byte:02X}");
            }
        }
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn escaping_leaves_no_way_out_of_text_or_attribute() {
        assert_eq!(escape("<b a=\"1\" c='2'>&"), "&lt;b a=&quot;1&quot; c=&#39;2&#39;&gt;&amp;");
        assert_eq!(escape("a\u{202E}b\u{0}c\nd"), "a\u{FFFD}b\u{FFFD}c d");
        assert_eq!(escape("Ångström µ 結び"), "Ångström µ 結び");
    }

    #[test]
    fn numbers_round_and_keep_the_value_of_the_table() {
        assert_eq!(percent(0.666), "<data value=\"0.666\">67&#160;%</data>");
        assert_eq!(whole_percent(-0.001), "0");
        assert_eq!(fixed(-0.04, 1), "0.0");
        assert_eq!(fixed(-12.34, 1), "\u{2212}12.3");
        assert_eq!(percent_interval(None, Some(0.1), Some(0.2)), missing());
        assert!(!percent_interval(Some(0.5), None, Some(0.6)).contains("to"));
    }

    #[test]
    fn links_are_encoded() {
        assert_eq!(href("pictures/a b#\"é.jpg"), "pictures/a%20b%23%22%C3%A9.jpg");
    }
}
