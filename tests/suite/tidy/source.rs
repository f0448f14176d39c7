//! Source files as tokens, without comments, tests and attributes.

use crate::driver::repository;
use proc_macro2::{Delimiter, Group, TokenStream, TokenTree};
use std::path::{Path, PathBuf};

/// One file of a crate.
pub struct Source {
    /// Its path from the repository's root.
    pub path: PathBuf,
    /// Its place in the tree of modules; empty for the root of the crate.
    pub module: Vec<String>,
    /// What it says.
    pub tokens: Vec<TokenTree>,
}

/// The library, the program and the forward pass: the folder of each and the files in it that are not its own.
const CRATES: [(&str, Option<&str>); 3] =
    [("src", Some("src/bin")), ("src/bin/breakface", None), ("forward/src", None)];

/// The files of each crate of the package.
pub fn crates() -> [Vec<Source>; 3] {
    CRATES.map(|(root, without)| {
        let files = walkdir::WalkDir::new(repository(root)).sort_by_file_name().into_iter().map(Result::unwrap);
        let is_ours = |path: &Path| {
            path.extension().is_some_and(|x| x == "rs")
                && without.is_none_or(|w| !path.starts_with(repository(w)))
                && !path.components().any(|c| matches!(c.as_os_str().to_str(), Some("tests" | "tests.rs")))
        };
        let inside = |path: &Path| path.strip_prefix(repository(root)).unwrap().to_owned();
        let files = files.map(walkdir::DirEntry::into_path).filter(|p| is_ours(&inside(p)) && is_ours(p));
        files.map(|path| Source::read(&path, &inside(&path))).collect()
    })
}

impl Source {
    fn read(path: &Path, inside: &Path) -> Self {
        let text = std::fs::read_to_string(path).unwrap();
        Self { path: path.strip_prefix(repository("")).unwrap().to_owned(), ..Self::of(inside, &text) }
    }

    /// A file of a crate, its path from the crate's folder.
    pub fn of(path: &Path, text: &str) -> Self {
        let tokens: TokenStream = text.parse().unwrap_or_else(|e| panic!("{}: {e}", path.display()));
        let names = path.with_extension("");
        let mut module: Vec<String> = names.iter().map(|name| name.to_str().unwrap().to_owned()).collect();
        module.pop_if(|last| matches!(last.as_str(), "mod" | "lib" | "main"));
        Self { path: path.to_owned(), module, tokens: bare(tokens) }
    }
}

/// Tokens without attributes, and without what is there for tests only.
fn bare(tokens: TokenStream) -> Vec<TokenTree> {
    let mut kept = Vec::new();
    let mut rest = tokens.into_iter().peekable();
    let mut for_tests = false;
    while let Some(token) = rest.next() {
        if is_punct(&token, '#') {
            let inner = rest.next_if(|t| is_punct(t, '!')).is_some();
            if let Some(TokenTree::Group(attribute)) = rest.next_if(|t| is_group(t, Delimiter::Bracket)) {
                for_tests |= attribute.stream().to_string().replace(' ', "") == "cfg(test)";
                continue;
            }
            assert!(!inner, "a stray #!");
        }
        // An item ends with its braces or with a semicolon.
        let ends = is_punct(&token, ';') || is_group(&token, Delimiter::Brace);
        if !for_tests {
            kept.push(match token {
                TokenTree::Group(group) => TokenTree::Group(inner(&group)),
                token => token,
            });
        }
        for_tests &= !ends;
    }
    kept
}

fn inner(group: &Group) -> Group {
    let mut new = Group::new(group.delimiter(), bare(group.stream()).into_iter().collect());
    new.set_span(group.span());
    new
}

pub fn is_punct(token: &TokenTree, character: char) -> bool {
    matches!(token, TokenTree::Punct(p) if p.as_char() == character)
}

fn is_group(token: &TokenTree, delimiter: Delimiter) -> bool {
    matches!(token, TokenTree::Group(g) if g.delimiter() == delimiter)
}
