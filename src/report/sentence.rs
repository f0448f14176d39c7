//! Sentences with names and figures in them, said once: as markup on the page, as plain text in a terminal.

use crate::page::values::{fixed, name, number, percent, percent_range, whole_percent};
use maud::{Markup, Render, html};

/// A part of a sentence.
#[derive(Debug, Clone, PartialEq)]
enum Part {
    Text(String),
    /// A name from a table.
    Name(String),
    /// The same, set off as what the sentence is about.
    Subject(String),
    /// A fraction 0..1 with its interval.
    Fraction(f64, Option<(f64, f64)>),
    /// A number with so many decimals.
    Number(f64, usize),
}

/// A sentence, or several that belong together.
#[derive(Debug, Clone, Default, PartialEq)]
pub(crate) struct Sentence(Vec<Part>);

impl Sentence {
    /// Goes on with plain text.
    pub fn text(self, text: impl Into<String>) -> Self {
        self.with(Part::Text(text.into()))
    }

    /// Goes on with a name from a table.
    pub fn name(self, name: &str) -> Self {
        self.with(Part::Name(name.to_owned()))
    }

    /// Goes on with the name of what the sentence is about.
    pub fn subject(self, name: &str) -> Self {
        self.with(Part::Subject(name.to_owned()))
    }

    /// Goes on with a fraction 0..1 and its interval.
    pub fn fraction(self, value: f64, interval: Option<(f64, f64)>) -> Self {
        self.with(Part::Fraction(value, interval))
    }

    /// Goes on with a number.
    pub fn number(self, value: f64, digits: usize) -> Self {
        self.with(Part::Number(value, digits))
    }

    /// Goes on with another sentence.
    pub fn then(mut self, mut other: Self) -> Self {
        self.0.append(&mut other.0);
        self
    }

    /// Whether nothing was said.
    pub fn is_empty(&self) -> bool {
        self.0.is_empty()
    }

    fn with(mut self, part: Part) -> Self {
        self.0.push(part);
        self
    }

    /// The sentence as plain text.
    pub fn plain(&self) -> String {
        let part = |part: &Part| match part {
            Part::Text(text) | Part::Name(text) | Part::Subject(text) => text.clone(),
            Part::Fraction(value, None) => format!("{} %", whole_percent(*value)),
            Part::Fraction(value, Some((low, high))) => {
                format!("{} % ({} to {} %)", whole_percent(*value), whole_percent(*low), whole_percent(*high))
            }
            Part::Number(value, digits) => fixed(*value, *digits),
        };
        self.0.iter().map(part).collect()
    }
}

impl Render for Sentence {
    fn render(&self) -> Markup {
        html! {
            @for part in &self.0 {
                @match part {
                    Part::Text(text) => (text),
                    Part::Name(text) => (name(text)),
                    Part::Subject(text) => strong { (name(text)) },
                    Part::Fraction(value, None) => (percent(*value)),
                    Part::Fraction(value, Some((low, high))) => {
                        (percent(*value)) " " span.range { "(" (percent_range(*low, *high)) ")" }
                    }
                    Part::Number(value, digits) => (number(*value, *digits, "")),
                }
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn page_and_terminal_say_the_same() {
        let said = Sentence::default()
            .subject("a<b")
            .text(": ")
            .fraction(0.251, Some((0.1, 0.4)))
            .text(", p = ")
            .number(0.1, 3);
        assert_eq!(said.plain(), "a<b: 25 % (10 to 40 %), p = 0.100");
        let page = said.render().into_string();
        assert!(page.contains("<strong><bdi>a&lt;b</bdi></strong>") && page.contains("<data value=\"0.251\">"));
    }
}
