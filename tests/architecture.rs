//! Which room of the sources may use which, computed from the sources and held against `docs/architecture.md`.
//!
//! A room is a row of that document's tables. A module belongs to the row with the longest matching name. Test modules
//! are left out: they may reach for anything.

use std::collections::{BTreeMap, BTreeSet};
use std::fs;
use std::path::Path;

const DOCUMENT: &str = include_str!("../docs/architecture.md");

/// The two crates: the heading of their table, and the folder of their sources.
const CRATES: [(&str, &str); 2] = [("Rooms of the core", "agent/core/src"), ("Rooms of the program", "agent/src")];

/// A module's path from the root of its crate, such as `["kind", "ethernet", "probe"]`.
type Module = Vec<String>;

/// What each module of a crate uses in the same crate.
#[derive(Default)]
struct Graph {
    uses: BTreeMap<Module, BTreeSet<Module>>,
    /// Modules that are the `mod.rs` of a folder.
    folders: BTreeSet<Module>,
}

#[test]
fn no_room_uses_one_that_its_row_does_not_name() {
    let mut wrong = Vec::new();
    for (heading, folder) in CRATES {
        wrong.extend(against_the_table(&graph(folder), &table(heading)));
    }
    assert!(wrong.is_empty(), "not in the table of docs/architecture.md:\n{}", wrong.join("\n"));
}

#[test]
fn every_room_has_a_row_and_every_row_a_room() {
    for (heading, folder) in CRATES {
        let (graph, table) = (graph(folder), table(heading));
        let without: Vec<String> =
            graph.uses.keys().filter(|module| room(module, &table).is_none()).map(|m| m.join("/")).collect();
        assert!(without.is_empty(), "{heading}: no row for {}", without.join(", "));
        for (row, named) in &table {
            for name in std::iter::once(row).chain(named) {
                let path: Module = name.split('/').map(str::to_owned).collect();
                let exists = graph.uses.keys().any(|module| module.starts_with(&path));
                assert!(exists, "{heading}: `{name}` in the row of `{row}` is no module");
            }
        }
    }
}

#[test]
fn no_two_files_use_each_other_in_a_circle() {
    for (_, folder) in CRATES {
        if let Some(circle) = circle(&graph(folder)) {
            let names: Vec<String> = circle.iter().map(|module| module.join("::")).collect();
            panic!("{folder}: a circle: {}", names.join(" -> "));
        }
    }
}

#[test]
fn an_arrow_against_the_table_and_a_circle_are_found() {
    let table =
        BTreeMap::from([("low".to_owned(), BTreeSet::new()), ("high".to_owned(), BTreeSet::from(["low".to_owned()]))]);
    let mut graph = Graph::default();
    let module = |path: &str| -> Module { path.split("::").map(str::to_owned).collect() };
    for (from, to) in [("high::a", "low::b"), ("low::b", "low::c"), ("low::c", "low")] {
        graph.uses.entry(module(from)).or_default().insert(module(to));
    }
    graph.uses.insert(module("low"), BTreeSet::from([module("low::b")]));
    graph.folders.insert(module("low"));
    assert_eq!(against_the_table(&graph, &table), Vec::<String>::new());
    assert_eq!(circle(&graph), None, "a folder's own file and the files in it may use each other");

    graph.uses.get_mut(&module("low::b")).unwrap().insert(module("high::a"));
    assert_eq!(against_the_table(&graph, &table), ["low::b (room low) uses high::a (room high)"]);
    assert!(circle(&graph).is_some_and(|circle| circle.contains(&module("high::a"))));
}

#[test]
fn paths_are_read_as_the_compiler_reads_them() {
    let modules: BTreeSet<Module> = [vec!["a"], vec!["a", "b"], vec!["a", "c"], vec!["d"]]
        .map(|m| m.into_iter().map(str::to_owned).collect())
        .into();
    let text = "use crate::{a::{self, b::Thing as Other}, d};\npub(crate) use super::c::{Left, Right};\n// use \
        crate::x;\n\
                fn f() { self::g(crate::d::h(super::super::d::i())) }\n#[cfg(test)]\nmod tests {\n use crate::zzz; }\n";
    let from: Module = vec!["a".into(), "b".into()];
    let names = |m: &Module| m.join("::");
    let found: Vec<String> = used_by(&from, text, &modules).iter().map(names).collect();
    assert_eq!(found, ["a", "a::c", "d"]);
}

/// Arrows between rooms that the table does not allow.
fn against_the_table(graph: &Graph, table: &BTreeMap<String, BTreeSet<String>>) -> Vec<String> {
    let mut wrong = Vec::new();
    for (module, used) in &graph.uses {
        let Some(from) = room(module, table) else { continue };
        for other in used {
            let Some(to) = room(other, table) else { continue };
            if from != to && !table[from].contains(to) {
                wrong.push(format!("{} (room {from}) uses {} (room {to})", module.join("::"), other.join("::")));
            }
        }
    }
    wrong
}

/// The row of a module: the longest name that its path begins with.
fn room<'a>(module: &Module, table: &'a BTreeMap<String, BTreeSet<String>>) -> Option<&'a String> {
    (1..=module.len()).rev().find_map(|length| table.get_key_value(&module[..length].join("/")).map(|(name, _)| name))
}

/// A circle of files, if there is one. A folder's own file and the plain files directly in it count as one: a module
/// may use what its parent defines, and the parent lists its modules.
fn circle(graph: &Graph) -> Option<Vec<Module>> {
    let plain_child = |parent: &Module, child: &Module| {
        graph.folders.contains(parent)
            && !graph.folders.contains(child)
            && child.len() == parent.len() + 1
            && child.starts_with(parent)
    };
    let mut left: BTreeMap<&Module, BTreeSet<&Module>> = graph
        .uses
        .iter()
        .map(|(from, used)| (from, used.iter().filter(|to| !plain_child(from, to) && !plain_child(to, from)).collect()))
        .collect();
    // What uses nothing that is left is in no circle.
    loop {
        let free: Vec<&Module> = left
            .iter()
            .filter(|(_, used)| !used.iter().any(|to| left.contains_key(*to)))
            .map(|(from, _)| *from)
            .collect();
        if free.is_empty() {
            break;
        }
        free.iter().for_each(|module| drop(left.remove(*module)));
    }
    let mut at = *left.keys().next()?;
    let mut way = Vec::new();
    while !way.contains(&at) {
        way.push(at);
        at = left[at].iter().find(|to| left.contains_key(**to)).copied()?;
    }
    let begin = way.iter().position(|module| *module == at)?;
    Some(way[begin..].iter().chain([&at]).map(|module| (*module).clone()).collect())
}

/// The table under a heading: a room, and the rooms it may use.
fn table(heading: &str) -> BTreeMap<String, BTreeSet<String>> {
    let after = DOCUMENT.split(&format!("## {heading}\n")).nth(1).expect("the heading is there");
    let section = after.split("\n## ").next().unwrap_or(after);
    let rows = section.lines().filter(|line| line.starts_with("| `"));
    let table: BTreeMap<_, _> = rows
        .map(|row| {
            let cells: Vec<&str> = row.trim_matches('|').split('|').collect();
            let names = |cell: &str| -> Vec<String> { cell.split('`').skip(1).step_by(2).map(str::to_owned).collect() };
            (names(cells[0]).remove(0), names(cells[1]).into_iter().collect())
        })
        .collect();
    assert!(table.len() > 5, "{heading}: a table with rows");
    table
}

fn graph(folder: &str) -> Graph {
    let root = Path::new(env!("CARGO_MANIFEST_DIR")).parent().expect("the package lies in the repository").join(folder);
    let mut texts = BTreeMap::new();
    let mut graph = Graph::default();
    let mut open = vec![root.clone()];
    while let Some(path) = open.pop() {
        if path.is_dir() {
            // The programs in `bin` are crates of their own.
            if path != root.join("bin") {
                open.extend(fs::read_dir(&path).expect("readable").map(|entry| entry.expect("readable").path()));
            }
        } else if path.extension().is_some_and(|extension| extension == "rs") {
            let (module, is_folder) = module_of(&root, &path);
            if is_folder {
                graph.folders.insert(module.clone());
            }
            texts.insert(module, fs::read_to_string(&path).expect("readable"));
        }
    }
    let only_in_tests: BTreeSet<Module> = texts.iter().flat_map(|(module, text)| test_modules(module, text)).collect();
    texts.retain(|module, _| !only_in_tests.iter().any(|test| module.starts_with(test)));
    // The crate's root lists everything, and nothing is meant by that.
    texts.remove(&Module::new());
    texts.remove(&vec!["main".to_owned()]);
    let modules: BTreeSet<Module> = texts.keys().cloned().collect();
    assert!(modules.len() > 50, "{folder}: sources");
    graph.uses = texts.iter().map(|(module, text)| (module.clone(), used_by(module, text, &modules))).collect();
    graph
}

fn module_of(root: &Path, path: &Path) -> (Module, bool) {
    let mut module: Module = path
        .with_extension("")
        .strip_prefix(root)
        .expect("below the root")
        .iter()
        .map(|part| part.to_string_lossy().into_owned())
        .collect();
    let is_folder = module.last().is_some_and(|name| name == "mod");
    if is_folder || module == ["lib"] {
        module.pop();
    }
    (module, is_folder)
}

/// Modules that are declared for tests only.
fn test_modules(module: &Module, text: &str) -> Vec<Module> {
    let declared = text.split("#[cfg(test)]").skip(1).filter_map(|after| {
        let line = after.trim_start().lines().next()?;
        let name = line.split("mod ").nth(1)?.strip_suffix(';')?;
        Some([module.as_slice(), &[name.to_owned()]].concat())
    });
    declared.collect()
}

/// Modules that a text uses, by `use` or by path.
fn used_by(module: &Module, text: &str, modules: &BTreeSet<Module>) -> BTreeSet<Module> {
    let code: String = text
        .split("#[cfg(test)]\nmod tests {")
        .next()
        .unwrap_or_default()
        .lines()
        .filter(|line| !line.trim_start().starts_with("//"))
        .map(|line| format!("{line}\n"))
        .collect();
    let mut paths = Vec::new();
    let mut rest = String::new();
    let mut at = code.as_str();
    while let Some((before, after)) = next_use(at) {
        rest.push_str(before);
        let (tree, behind) = after.split_once(';').expect("a use ends");
        expand(tree, &[], &mut paths);
        at = behind;
    }
    rest.push_str(at);
    for start in ["crate::", "super::", "self::"] {
        for (position, _) in rest.match_indices(start) {
            let behind_word =
                rest[..position].ends_with(|c: char| c.is_alphanumeric() || c == '_' || c == ':' || c == '$');
            if !behind_word {
                let end = rest[position..].find(|c: char| !(c.is_alphanumeric() || c == '_' || c == ':'));
                let path = &rest[position..end.map_or(rest.len(), |end| position + end)];
                paths.push(path.split("::").filter(|part| !part.is_empty()).map(str::to_owned).collect());
            }
        }
    }
    let found = paths.iter().filter_map(|path| resolve(module, path, modules));
    found.filter(|used| used != module).collect()
}

/// The text before the next `use`, and the text behind the word.
fn next_use(text: &str) -> Option<(&str, &str)> {
    let begins = |position: usize| {
        let line = text[..position].rsplit('\n').next().unwrap_or_default().trim();
        line.is_empty() || (line.starts_with("pub") && !line.contains(' '))
    };
    let position = text.match_indices("use ").map(|(position, _)| position).find(|position| begins(*position))?;
    Some((&text[..position], &text[position + "use ".len()..]))
}

/// Every path of a tree such as `a::{b, c::{self, d as e}}`.
fn expand(tree: &str, before: &[String], paths: &mut Vec<Vec<String>>) {
    let mut depth = 0;
    let parts = tree.split(|c: char| {
        depth += i32::from(c == '{') - i32::from(c == '}');
        c == ',' && depth == 0
    });
    for part in parts.map(str::trim).filter(|part| !part.is_empty()) {
        let (head, group) = part.split_once('{').map_or((part, None), |(head, group)| (head, Some(group)));
        let words = head.split(" as ").next().unwrap_or_default().split("::").map(str::trim);
        let path: Vec<String> =
            before.iter().cloned().chain(words.filter(|word| !word.is_empty()).map(str::to_owned)).collect();
        match group {
            Some(group) => expand(group.trim_end().trim_end_matches('}'), &path, paths),
            None => paths.push(path),
        }
    }
}

/// The module that a path leads to, if it is one of this crate.
fn resolve(module: &Module, path: &[String], modules: &BTreeSet<Module>) -> Option<Module> {
    let mut absolute = module.clone();
    let mut rest = path;
    match rest.first()?.as_str() {
        "crate" => {
            absolute.clear();
            rest = &rest[1..];
        }
        "self" | "super" => {
            while let Some(first @ ("self" | "super")) = rest.first().map(String::as_str) {
                if first == "super" {
                    absolute.pop();
                }
                rest = &rest[1..];
            }
        }
        name => {
            let child: Module = [module.as_slice(), &[name.to_owned()]].concat();
            modules.contains(&child).then_some(())?;
        }
    }
    absolute.extend(rest.iter().cloned());
    (1..=absolute.len()).rev().map(|length| absolute[..length].to_vec()).find(|prefix| modules.contains(prefix))
}
