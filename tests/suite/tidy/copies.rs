//! No logic twice: no two places in `src` share twelve or more lines of the same shape.
//!
//! A line's shape is what is left of it when every name, text and number is a blank: keywords, punctuation, and nothing else.
//! Lines that say what there is (fields and variants, items of a list, imports, documentation, lone brackets) have no part
//! in it: two declarations may look alike, two pieces of logic may not. Nor has a list that repeats itself, of whose lines
//! half or more look like another one.

use super::source::{Source, crates};
use proc_macro2::{Delimiter, TokenTree};
use std::collections::{BTreeMap, BTreeSet, HashMap};

/// Lines from which a copy counts.
const LINES: usize = 12;

/// A line of code: its number in the file and its shape.
struct Line {
    number: usize,
    shape: String,
}

#[test]
fn no_logic_is_written_twice() {
    let copies = copies(&crates().into_iter().flatten().collect::<Vec<_>>());
    assert!(copies.is_empty(), "{} copies:\n{}", copies.len(), copies.join("\n"));
}

/// A function copied with other names, and a list whose lines are alike.
#[test]
fn a_copy_under_other_names_is_found_and_a_list_is_none() {
    let body = |f: &str, x: &str, n: u32| {
        format!(
            "fn {f}({x}: &[f64]) -> Option<f64> {{\n    let mut sum = 0.0;\n    let first = {x}.first()?;\n    \
             for (i, v) in {x}.iter().enumerate() {{\n        if i % {n} == 0 {{\n            sum += v * first;\n        \
             }} else {{\n            sum -= v;\n        }}\n        while {n} < i {{\n            sum /= 2.0;\n            \
             break;\n        }}\n    }}\n    let mean = sum / {x}.len() as f64;\n    match mean {{\n        \
             m if m < 0.0 => None,\n        m => Some(m.sqrt()),\n    }}\n}}\n"
        )
    };
    let file = |text: &str| Source::of(std::path::Path::new("lib.rs"), text);
    let text = format!("{}// Between them.\n{}", body("first", "xs", 2), body("second", "values", 7));
    assert_eq!(copies(&[file(&text)]), ["  lib.rs:1-18 ~ lib.rs:22-39"]);
    let list: String = (0..40).map(|i| format!("    push(\"{i}\", {i});\n")).collect();
    assert!(copies(&[file(&format!("fn f() {{\n{list}}}"))]).is_empty());
}

/// Every pair of places that share enough lines, the longest run of each.
fn copies(files: &[Source]) -> Vec<String> {
    let lines: Vec<Vec<Line>> = files.iter().map(|file| logic(&file.tokens)).collect();
    let mut windows: HashMap<Vec<&str>, Vec<(usize, usize)>> = HashMap::new();
    for (file, of) in lines.iter().enumerate() {
        for (start, window) in of.windows(LINES).enumerate() {
            let shapes: Vec<&str> = window.iter().map(|l| l.shape.as_str()).collect();
            if LINES / 2 < shapes.iter().collect::<BTreeSet<_>>().len() {
                windows.entry(shapes).or_default().push((file, start));
            }
        }
    }
    // Where a run of one pair of places begins: the line before is not shared too.
    let mut starts = BTreeMap::new();
    for places in windows.values() {
        for (i, &a) in places.iter().enumerate() {
            for &b in &places[i + 1..] {
                let (a, b) = (a.min(b), a.max(b));
                let apart = a.0 != b.0 || a.1 + LINES <= b.1;
                let before = 0 < a.1 && 0 < b.1 && lines[a.0][a.1 - 1].shape == lines[b.0][b.1 - 1].shape;
                if apart && !before {
                    starts.insert((a, b), run(&lines[a.0][a.1..], &lines[b.0][b.1..]));
                }
            }
        }
    }
    let place = |(file, start): (usize, usize), n: usize| {
        let of = &lines[file];
        format!("{}:{}-{}", files[file].path.display(), of[start].number, of[start + n - 1].number)
    };
    starts.into_iter().map(|((a, b), n)| format!("  {} ~ {}", place(a, n), place(b, n))).collect()
}

/// How many lines two places share.
fn run(a: &[Line], b: &[Line]) -> usize {
    a.iter().zip(b).take_while(|(a, b)| a.shape == b.shape).count()
}

/// The lines of logic.
fn logic(tokens: &[TokenTree]) -> Vec<Line> {
    let mut shapes: BTreeMap<usize, String> = BTreeMap::new();
    shape(tokens, &mut shapes);
    let lines = shapes.into_iter().map(|(number, shape)| Line { number, shape });
    lines.filter(|line| !is_declaration(&line.shape)).collect()
}

/// Adds the shapes of tokens to those of their lines.
fn shape(tokens: &[TokenTree], to: &mut BTreeMap<usize, String>) {
    let mut rest = tokens.iter();
    while let Some(token) = rest.next() {
        let start = token.span().start().line;
        match token {
            TokenTree::Ident(word) if *word == "use" => {
                rest.by_ref().find(|t| super::source::is_punct(t, ';'));
            }
            TokenTree::Ident(word) => {
                let word = word.to_string();
                let blank = if KEYWORDS.contains(&word.as_str()) { format!(" {word} ") } else { "_".to_owned() };
                to.entry(start).or_default().push_str(&blank);
            }
            TokenTree::Punct(mark) => to.entry(start).or_default().push(mark.as_char()),
            TokenTree::Literal(_) => to.entry(start).or_default().push('_'),
            TokenTree::Group(group) => {
                let (open, close) = match group.delimiter() {
                    Delimiter::Parenthesis => ("(", ")"),
                    Delimiter::Brace => ("{", "}"),
                    Delimiter::Bracket => ("[", "]"),
                    Delimiter::None => ("", ""),
                };
                to.entry(start).or_default().push_str(open);
                shape(&group.stream().into_iter().collect::<Vec<_>>(), to);
                to.entry(group.span_close().end().line).or_default().push_str(close);
            }
        }
    }
}

/// Whether a line is a bracket, a field, a variant or an item of a list.
fn is_declaration(shape: &str) -> bool {
    let words = shape.trim().trim_start_matches("pub ").trim();
    let is_item = words.strip_suffix(',').is_some_and(|item| !item.contains(['(', '{', '.', '&', '|', '?', '!', '=']));
    let is_head = ["enum", "struct", "impl", "mod", "const", "static", "type"].iter().any(|w| words.starts_with(w));
    !words.contains('_') || is_item || is_head
}

const KEYWORDS: [&str; 28] = [
    "as", "break", "const", "continue", "dyn", "else", "enum", "fn", "for", "if", "impl", "in", "let", "loop", "match",
    "mod", "move", "mut", "pub", "ref", "return", "self", "Self", "static", "struct", "type", "where", "while",
];
