//! The repository keeps its own rules: order of modules, no circles between files, no logic twice, length of files, no machine
//! paths, thresholds in one place.

mod circles;
mod copies;
mod source;

use crate::driver::repository;
use std::path::PathBuf;

fn sources(folder: &str) -> Vec<(PathBuf, String)> {
    let walk = walkdir::WalkDir::new(repository(folder)).sort_by_file_name();
    walk.into_iter()
        .map(Result::unwrap)
        .filter(|e| e.path().extension().is_some_and(|x| x == "rs"))
        .map(|e| (e.path().to_owned(), std::fs::read_to_string(e.path()).unwrap()))
        .collect()
}

fn without_tests(text: &str) -> &str {
    text.split("\n#[cfg(test)]\nmod").next().unwrap_or(text)
}

/// A module uses only modules listed above it in `lib.rs`.
#[test]
fn modules_depend_upwards_only() {
    let lib = std::fs::read_to_string(repository("src/lib.rs")).unwrap();
    let order: Vec<&str> =
        lib.lines().filter_map(|l| l.strip_prefix("pub mod ")).map(|l| l.trim_end_matches(';')).collect();
    let rank = |name: &str| order.iter().position(|m| *m == name);
    let root = repository("src");
    let mut wrong = Vec::new();
    for (path, text) in sources("src") {
        let relative = path.strip_prefix(&root).unwrap();
        let module = relative.components().next().unwrap().as_os_str().to_str().unwrap().trim_end_matches(".rs");
        let Some(own) = rank(module) else { continue };
        for line in without_tests(&text).lines().filter(|l| !l.trim_start().starts_with("//")) {
            for used in line.split("crate::").skip(1) {
                let used: String = used.chars().take_while(|c| c.is_alphanumeric() || *c == '_').collect();
                if rank(&used).is_some_and(|r| own < r) {
                    wrong.push(format!("{}: {module} uses {used}, which comes later", relative.display()));
                }
            }
        }
    }
    assert!(wrong.is_empty(), "{}", wrong.join("\n"));
}

/// Files without their tests: 500 lines at most.
#[test]
fn files_stay_short() {
    let long: Vec<String> = sources("src")
        .into_iter()
        .map(|(path, text)| {
            (path.strip_prefix(repository("")).unwrap().to_owned(), without_tests(&text).lines().count())
        })
        .filter(|(_, lines)| 500 < *lines)
        .map(|(path, lines)| format!("{}: {lines} lines", path.display()))
        .collect();
    assert!(long.is_empty(), "{}", long.join("\n"));
}

#[test]
fn no_machine_paths_and_nothing_unfinished() {
    // Put together here so that this file does not hold them itself.
    let forbidden: Vec<String> = [
        ("/wo", "rk/"),
        ("/ro", "ot/"),
        ("TO", "DO"),
        ("FIX", "ME"),
        ("todo", "!("),
        ("unimplemented", "!("),
        ("allow(", "dead_code)"),
        ("#[ign", "ore"),
    ]
    .iter()
    .map(|(a, b)| format!("{a}{b}"))
    .collect();
    let mut wrong = Vec::new();
    for folder in ["src", "tests"] {
        for (path, text) in sources(folder) {
            for word in forbidden.iter().filter(|w| text.contains(w.as_str())) {
                wrong.push(format!("{}: {word}", path.display()));
            }
        }
    }
    for name in ["README.md", "DEVELOPERS.md", "CHANGELOG.md", "Cargo.toml"] {
        let text = std::fs::read_to_string(repository(name)).unwrap();
        wrong.extend(forbidden.iter().filter(|w| text.contains(w.as_str())).map(|w| format!("{name}: {w}")));
    }
    assert!(wrong.is_empty(), "{}", wrong.join("\n"));
}

/// The library prints nothing, ends nothing, and reads no environment.
#[test]
fn the_library_keeps_to_itself() {
    let mut wrong = Vec::new();
    for (path, text) in sources("src").into_iter().filter(|(p, _)| !p.starts_with(repository("src/bin"))) {
        for word in ["println!", "eprintln!", "print!(", "process::exit", "env::var", "dbg!("] {
            if without_tests(&text).lines().any(|l| !l.trim_start().starts_with("//") && l.contains(word)) {
                wrong.push(format!("{}: {word}", path.display()));
            }
        }
    }
    assert!(wrong.is_empty(), "{}", wrong.join("\n"));
}

/// Every stage that decides something takes its settings; named thresholds do not hide elsewhere.
#[test]
fn thresholds_live_in_the_settings() {
    let suspicious = ["THRESHOLD", "MIN_SCORE", "CUTOFF"];
    let mut wrong = Vec::new();
    for (path, text) in sources("src").into_iter().filter(|(p, _)| !p.to_string_lossy().contains("settings")) {
        for line in without_tests(&text).lines().filter(|l| l.trim_start().starts_with("const ")) {
            if suspicious.iter().any(|s| line.contains(s)) {
                wrong.push(format!("{}: {}", path.display(), line.trim()));
            }
        }
    }
    assert!(wrong.is_empty(), "{}", wrong.join("\n"));
}

#[test]
fn both_licences_and_the_papers_are_there() {
    for name in ["LICENSE-MIT", "LICENSE-APACHE", "README.md", "DEVELOPERS.md", "CHANGELOG.md", "fixtures/README.md"] {
        assert!(repository(name).is_file(), "{name}");
    }
}
