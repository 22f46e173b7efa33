//! The house rules of `DEVELOPERS.md` that are worth a failure, read off the sources themselves.

use std::fs;
use std::path::{Path, PathBuf};

/// Longest file outside tests, lines. `DEVELOPERS.md` says about 500: beyond this there is a second idea in it.
const LINES_MAX: usize = 600;

/// Longest line outside tests, characters.
const COLUMNS_MAX: usize = 120;

/// What the pure core must not reach for. Spelled in two so that this list does not find itself.
const IMPURE: [&str; 9] = [
    concat!("std::", "net"),
    concat!("std::", "fs"),
    concat!("std::", "thread"),
    concat!("std::", "process"),
    concat!("std::", "env"),
    concat!("std::", "os"),
    concat!("time::", "Instant"),
    concat!("Instant::", "now"),
    concat!("System", "Time"),
];

/// What no file of the project may hold: work left undone, and places that exist on one machine only.
const UNFINISHED: [&str; 7] = [
    concat!("TO", "DO"),
    concat!("FIX", "ME"),
    concat!("to", "do!("),
    concat!("unimplem", "ented!("),
    concat!("db", "g!("),
    concat!("/wo", "rk/"),
    concat!("/ho", "me/"),
];

/// Entries of the top folder; those that begin with a dot are free.
const TOP: [&str; 13] = [
    "Cargo.lock",
    "Cargo.toml",
    "DEVELOPERS.md",
    "LICENSE-APACHE",
    "LICENSE-MIT",
    "README.md",
    "agent",
    "clippy.toml",
    "docs",
    "rustfmt.toml",
    "scripts",
    "tests",
    // Not of the project: what a build leaves.
    "target",
];

fn root() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).parent().expect("the package lies in the repository").to_owned()
}

/// Every file under these folders, with its path from the top, and its text.
fn files(folders: &[&str]) -> Vec<(String, String)> {
    let mut found = Vec::new();
    let mut open: Vec<PathBuf> = folders.iter().map(|folder| root().join(folder)).collect();
    while let Some(path) = open.pop() {
        if path.is_dir() {
            open.extend(fs::read_dir(&path).expect("readable").map(|entry| entry.expect("readable").path()));
        } else if let Ok(text) = fs::read_to_string(&path) {
            let name = path.strip_prefix(root()).expect("below the top").to_string_lossy().into_owned();
            found.push((name, text));
        }
    }
    found.sort();
    found
}

fn sources(folders: &[&str]) -> Vec<(String, String)> {
    let mut sources = files(folders);
    sources.retain(|(name, _)| name.ends_with(".rs"));
    assert!(!sources.is_empty(), "no sources in {folders:?}");
    sources
}

/// Files that hold tests only.
fn is_test(name: &str) -> bool {
    name.starts_with("tests/")
        || name.ends_with("/tests.rs")
        || name.contains("/tests/")
        || name.ends_with("/testing.rs")
}

/// What is not a comment, up to the file's own tests.
fn code(text: &str) -> impl Iterator<Item = (usize, &str)> {
    let own_tests = |line: &&str| line.starts_with("#[cfg(test)]");
    let before_tests = text.lines().take_while(move |line| !own_tests(line));
    before_tests.enumerate().map(|(number, line)| (number + 1, line)).filter(|(_, line)| !line.trim().starts_with("//"))
}

#[track_caller]
fn nothing(wrong: Vec<String>, rule: &str) {
    assert!(wrong.is_empty(), "{rule}\n  {}", wrong.join("\n  "));
}

#[test]
fn every_source_says_first_what_it_is() {
    let wrong = sources(&["agent", "tests"]).into_iter().filter(|(_, text)| !text.starts_with("//!"));
    nothing(wrong.map(|(name, _)| name).collect(), "a file opens with `//!`:");
}

#[test]
fn no_source_holds_two_ideas() {
    let long =
        sources(&["agent"]).into_iter().filter(|(name, text)| !is_test(name) && text.lines().count() > LINES_MAX);
    nothing(long.map(|(name, _)| name).collect(), "about 500 lines at most; look for the second idea:");
}

#[test]
fn unsafe_code_is_under_sys() {
    let mut wrong = Vec::new();
    for (name, text) in sources(&["agent"]) {
        if is_test(&name) || name.ends_with("/sys.rs") || name.contains("/sys/") {
            continue;
        }
        let is_unsafe = |line: &str| {
            ["{", "fn ", "impl ", "extern "].iter().any(|w| line.contains(&(concat!("uns", "afe ").to_owned() + w)))
        };
        wrong.extend(code(&text).filter(|(_, line)| is_unsafe(line)).map(|(number, _)| format!("{name}:{number}")));
    }
    nothing(wrong, "unsafe code is in files and folders called `sys`:");
}

/// They panic where nobody reads any more, in the middle of a run whose settings are changed.
#[test]
fn nothing_prints_but_through_tell() {
    let mut wrong = Vec::new();
    for (name, text) in sources(&["agent/src"]) {
        // The software plug is a program of its own.
        if is_test(&name) || name.contains("/bin/") {
            continue;
        }
        let prints = |line: &str| [concat!("print", "!("), concat!("print", "ln!(")].iter().any(|w| line.contains(w));
        wrong.extend(code(&text).filter(|(_, line)| prints(line)).map(|(number, _)| format!("{name}:{number}")));
    }
    nothing(wrong, "output goes through `tell`:");
}

#[test]
fn every_unsafe_block_says_why_it_is_sound() {
    let mut wrong = Vec::new();
    for (name, text) in sources(&["agent", "tests"]) {
        let lines: Vec<&str> = text.lines().collect();
        for (number, line) in lines.iter().enumerate() {
            let is_block = line.contains(concat!("uns", "afe {")) || line.contains(concat!("uns", "afe impl "));
            if is_block && !line.trim().starts_with("//") {
                let said = lines[number.saturating_sub(12)..number].iter().any(|line| line.contains("SAFETY:"));
                if !said {
                    wrong.push(format!("{name}:{}", number + 1));
                }
            }
        }
    }
    nothing(wrong, "a `SAFETY:` comment stands over it:");
}

#[test]
fn the_core_touches_nothing_of_the_world() {
    let mut wrong = Vec::new();
    for (name, text) in sources(&["agent/core/src"]) {
        if is_test(&name) {
            continue;
        }
        for (number, line) in code(&text) {
            wrong.extend(IMPURE.iter().filter(|w| line.contains(**w)).map(|w| format!("{name}:{number}: {w}")));
        }
    }
    nothing(wrong, "time, bytes and randomness are arguments in `agent/core`:");
}

#[test]
fn ports_know_nothing_of_the_engine() {
    let uses = |folder: &str, module: &str| {
        let found = sources(&[folder]).into_iter().filter(|(name, text)| {
            !is_test(name) && code(text).any(|(_, line)| line.contains(&format!("crate::{module}")))
        });
        found.map(|(name, _)| name).collect::<Vec<_>>()
    };
    for module in ["engine", "cli", "output"] {
        nothing(uses("agent/src/ports", module), "see \"Which module may use which\" in docs/architecture.md:");
        nothing(uses("agent/src/guard", module), "see \"Which module may use which\" in docs/architecture.md:");
    }
    nothing(uses("agent/src/engine", "cli"), "see \"Which module may use which\" in docs/architecture.md:");
}

#[test]
fn nothing_is_left_unfinished() {
    let mut wrong = Vec::new();
    for (name, text) in files(&["agent", "tests", "scripts", "docs", "README.md", "DEVELOPERS.md"]) {
        for (number, line) in text.lines().enumerate() {
            wrong.extend(
                UNFINISHED.iter().filter(|w| line.contains(**w)).map(|w| format!("{name}:{}: {w}", number + 1)),
            );
        }
    }
    nothing(wrong, "finish it, or leave it out:");
}

#[test]
fn every_test_file_is_run() {
    let main = fs::read_to_string(root().join("tests/main.rs")).expect("readable");
    let wrong = fs::read_dir(root().join("tests"))
        .expect("readable")
        .filter_map(|entry| {
            entry.expect("readable").file_name().into_string().ok()?.strip_suffix(".rs").map(str::to_owned)
        })
        .filter(|module| module != "main" && !main.contains(&format!("mod {module};")));
    nothing(wrong.collect(), "a module of tests/main.rs:");
}

#[test]
fn the_top_folder_holds_what_it_should() {
    let names = fs::read_dir(root()).expect("readable").map(|entry| entry.expect("readable").file_name());
    let wrong =
        names.filter_map(|name| name.into_string().ok()).filter(|n| !n.starts_with('.') && !TOP.contains(&n.as_str()));
    nothing(wrong.collect(), "has a place of its own in one of the folders:");
}

#[test]
fn no_line_is_too_long_to_read() {
    let wrong = sources(&["agent"]).into_iter().filter(|(name, _)| !is_test(name)).flat_map(|(name, text)| {
        let long = |line: &&str| line.chars().count() > COLUMNS_MAX;
        let numbers: Vec<usize> =
            text.lines().enumerate().filter(|(_, line)| long(line)).map(|(number, _)| number + 1).collect();
        numbers.into_iter().map(move |number| format!("{name}:{number}"))
    });
    nothing(wrong.collect(), "lines of at most 120 columns:");
}
