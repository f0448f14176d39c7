//! No circle between files: a file uses what it names in code, and no file uses itself by way of others.
//!
//! The rule: a file uses the file that *declares* what it names, by `use` anywhere in it or by a path in its code. Declaring a
//! child (`mod child;`) and handing its names on (`pub use child::Name;`) is no use, and whoever takes such a name uses the
//! child. So a parent may re-export its children, and a child may use what its parent itself declares, but not when the
//! parent's own code uses that child. Every file of `src` counts, private modules too; tests do not.

use super::source::{Source, crates, is_punct};
use proc_macro2::{Group, TokenTree};
use std::collections::{BTreeMap, BTreeSet};

type Path = Vec<String>;

/// A name that a file brings in, and whether it only hands it on.
struct Import {
    name: String,
    path: Path,
    is_public: bool,
}

/// What a file says of others.
#[derive(Default)]
struct Said {
    imports: Vec<Import>,
    /// Paths in code.
    paths: Vec<Path>,
    /// Names in code that are no part of a longer path.
    names: BTreeSet<String>,
    children: BTreeSet<String>,
}

#[test]
fn no_circles_between_files() {
    let mut circles = Vec::new();
    for files in crates() {
        let uses = Uses::of(&files);
        circles.extend(uses.circles().into_iter().map(|circle| {
            let step =
                |(a, b): &(usize, usize)| format!("  {} -> {}", files[*a].path.display(), files[*b].path.display());
            circle.iter().map(step).collect::<Vec<_>>().join("\n")
        }));
    }
    assert!(circles.is_empty(), "{} circles:\n{}", circles.len(), circles.join("\n\n"));
}

/// A small crate: its parent re-exports, two children use each other in a roundabout way.
#[test]
fn a_circle_is_found_whatever_way_it_takes() {
    let crate_of = |parent: &str, a: &str, b: &str| {
        let files = [("lib.rs", parent), ("a.rs", a), ("b.rs", b)];
        let files = files.map(|(path, text)| Source::of(std::path::Path::new(path), text));
        Uses::of(&files).circles()
    };
    let lib = "pub mod a; mod b; pub use b::{B, inner::Deep as Other}; pub struct Own;";
    let none = Vec::<Vec<(usize, usize)>>::new();
    // A re-export is no use, and what the parent itself declares is there for its children.
    assert_eq!(crate_of(lib, "use crate::{B, Own}; fn f(_: B, _: Own) {}", "use super::Own; pub struct B(Own);"), none);
    // By way of the re-export, within a function, within a macro.
    for way in ["use crate::a::A; ", "fn g() { use super::a::A; }", "fn g() { vec![super::a::A::new()]; }"] {
        assert_eq!(crate_of(lib, "pub struct A(crate::B);", way), [[(1, 2), (2, 1)]], "{way}");
    }
    // A parent whose own code uses a child that uses it.
    let parent = format!("{lib} fn of(_: B) {{}}");
    assert_eq!(crate_of(&parent, "", "use super::Own; pub struct B(Own);"), [[(0, 2), (2, 0)]]);
    // What is there for tests only does not count.
    assert_eq!(crate_of(&parent, "", "pub struct B; #[cfg(test)] mod tests { use crate::Own; }"), none);
}

/// Which file uses which.
struct Uses(Vec<BTreeSet<usize>>);

impl Uses {
    fn of(files: &[Source]) -> Self {
        let said: Vec<Said> = files.iter().map(|file| said(&file.tokens)).collect();
        let tree =
            Tree { files, said: &said, at: files.iter().enumerate().map(|(i, f)| (f.module.clone(), i)).collect() };
        Self((0..files.len()).map(|i| tree.used_by(i)).collect())
    }

    /// Everything that can be reached from a file.
    fn reached(&self, from: usize) -> BTreeSet<usize> {
        let (mut seen, mut open) = (BTreeSet::new(), vec![from]);
        while let Some(file) = open.pop() {
            open.extend(self.0[file].iter().filter(|next| seen.insert(**next)));
        }
        seen
    }

    /// The steps of every knot of circles.
    fn circles(&self) -> Vec<Vec<(usize, usize)>> {
        let reached: Vec<BTreeSet<usize>> = (0..self.0.len()).map(|i| self.reached(i)).collect();
        let together = |a: usize, b: usize| reached[a].contains(&b) && reached[b].contains(&a);
        let firsts = (0..self.0.len()).filter(|i| reached[*i].contains(i) && (0..*i).all(|j| !together(*i, j)));
        firsts
            .map(|first| {
                let members: Vec<usize> = (0..self.0.len()).filter(|i| together(first, *i)).collect();
                let steps = |a: &usize| self.0[*a].iter().map(|b| (*a, *b)).collect::<Vec<_>>();
                members.iter().flat_map(steps).filter(|(_, b)| members.contains(b)).collect()
            })
            .collect()
    }
}

/// The modules of a crate.
struct Tree<'a> {
    files: &'a [Source],
    said: &'a [Said],
    at: BTreeMap<Path, usize>,
}

impl Tree<'_> {
    fn used_by(&self, file: usize) -> BTreeSet<usize> {
        let said = &self.said[file];
        let handed_on = |i: &Import| i.is_public && !said.names.contains(&i.name);
        let imports = said.imports.iter().filter(|i| !handed_on(i)).map(|i| &i.path);
        let found = imports.chain(&said.paths).filter_map(|path| self.declares(file, path, 0));
        found.filter(|used| *used != file).collect()
    }

    /// The file that declares what a path in a file names; `None` for a module itself, a name of its own, or of another crate.
    fn declares(&self, file: usize, path: &[String], depth: usize) -> Option<usize> {
        assert!(depth < 32, "{path:?} in {}", self.files[file].path.display());
        let own = &self.files[file].module;
        let (first, rest) = path.split_first()?;
        let start = match first.as_str() {
            "crate" => Vec::new(),
            "self" => own.clone(),
            "super" => own[..own.len().checked_sub(1)?].to_vec(),
            name if self.said[file].children.contains(name) => [own.as_slice(), &[name.to_owned()]].concat(),
            name => {
                let import = self.said[file].imports.iter().find(|i| i.name == name && i.path[0] != name)?;
                return self.declares(file, &[import.path.as_slice(), rest].concat(), depth + 1);
            }
        };
        self.declared_in(start, rest, depth)
    }

    fn declared_in(&self, mut module: Path, mut rest: &[String], depth: usize) -> Option<usize> {
        while let Some((next, after)) = rest.split_first() {
            if next == "super" {
                module.pop()?;
            } else {
                module.push(next.clone());
                if !self.at.contains_key(&module) {
                    module.pop();
                    break;
                }
            }
            rest = after;
        }
        let file = *self.at.get(&module)?;
        let name = rest.first()?;
        match self.said[file].imports.iter().find(|i| i.name == *name) {
            Some(import) if import.path.len() != 1 => self.declares(file, &import.path, depth + 1),
            _ => Some(file),
        }
    }
}

fn said(tokens: &[TokenTree]) -> Said {
    let mut said = Said::default();
    walk(tokens, &mut said);
    said
}

fn walk(tokens: &[TokenTree], said: &mut Said) {
    let mut at = 0;
    while at < tokens.len() {
        at += match &tokens[at] {
            TokenTree::Group(group) => {
                walk(&inner(group), said);
                1
            }
            TokenTree::Ident(word) if *word == "use" => {
                let length = tokens[at..].iter().position(|t| is_punct(t, ';')).unwrap_or(tokens.len() - at);
                let is_public = 0 < at && is_visibility(&tokens[..at]);
                imports(&tokens[at + 1..at + length], &[], is_public, &mut said.imports);
                length
            }
            TokenTree::Ident(word) if *word == "mod" => {
                if let (Some(TokenTree::Ident(name)), Some(end)) = (tokens.get(at + 1), tokens.get(at + 2))
                    && is_punct(end, ';')
                {
                    said.children.insert(name.to_string());
                }
                2
            }
            TokenTree::Ident(_) => {
                let path = path(&tokens[at..]);
                let length = 3 * path.len() - 2;
                let is_field = 0 < at && is_punct(&tokens[at - 1], '.') && !(1 < at && is_punct(&tokens[at - 2], '.'));
                if !is_field {
                    said.names.insert(path[0].clone());
                    said.paths.push(path);
                }
                length
            }
            _ => 1,
        };
    }
}

/// Whether tokens end with `pub` or `pub(...)`.
fn is_visibility(before: &[TokenTree]) -> bool {
    let is_pub = |t: &TokenTree| matches!(t, TokenTree::Ident(word) if *word == "pub");
    match before {
        [.., word] if is_pub(word) => true,
        [.., word, TokenTree::Group(_)] => is_pub(word),
        _ => false,
    }
}

/// The path `a::b::c` that tokens begin with.
fn path(tokens: &[TokenTree]) -> Path {
    let mut path = Vec::new();
    let mut rest = tokens;
    while let [TokenTree::Ident(word), after @ ..] = rest {
        path.push(word.to_string());
        match after {
            [a, b, next @ ..]
                if is_punct(a, ':') && is_punct(b, ':') && matches!(next.first(), Some(TokenTree::Ident(_))) =>
            {
                rest = next;
            }
            _ => break,
        }
    }
    path
}

/// The names that a tree of `use` brings in.
fn imports(tokens: &[TokenTree], prefix: &[String], is_public: bool, to: &mut Vec<Import>) {
    for part in tokens.split(|t| is_punct(t, ',')).filter(|p| !p.is_empty()) {
        let mut whole = prefix.to_vec();
        whole.extend(path(part));
        match part {
            [.., TokenTree::Group(group)] => imports(&inner(group), &whole, is_public, to),
            [.., TokenTree::Punct(_)] => {}
            [.., TokenTree::Ident(last)] => {
                if whole.last().is_some_and(|l| l == "self") {
                    whole.pop();
                }
                let renamed = *last != "self" && whole.last().is_some_and(|l| *last != l);
                let name = if renamed { Some(last.to_string()) } else { whole.last().cloned() };
                to.extend(name.map(|name| Import { name, path: whole, is_public }));
            }
            _ => {}
        }
    }
}

fn inner(group: &Group) -> Vec<TokenTree> {
    group.stream().into_iter().collect()
}
