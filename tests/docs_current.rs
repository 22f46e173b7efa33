//! Documents that are generated are those of this program, and links between documents lead somewhere.

use std::collections::BTreeMap;
use std::fs;
use std::path::{Path, PathBuf};

use crate::harness::program::Program;

fn root() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).parent().expect("the package lies in the repository").to_owned()
}

#[test]
fn the_help_in_the_documents_is_the_programs() {
    let written = fs::read_to_string(root().join("docs/cli.md")).expect("docs/cli.md");
    let said = Program::new().run("manual --markdown").stdout;
    let stale = written.lines().zip(said.lines()).position(|(written, said)| written != said);
    assert!(written == said, "docs/cli.md is stale from line {:?}: run scripts/regen-docs", stale.map(|line| line + 1));
}

/// Where a paragraph of the README names a simulated check, what is set in after it is its answer.
#[test]
fn the_answers_in_the_readme_are_the_programs() {
    let readme = fs::read_to_string(root().join("README.md")).expect("README.md");
    let paragraphs: Vec<&str> = readme.split("\n\n").collect();
    let shown = paragraphs.windows(2).filter_map(|pair| {
        let (_, rest) = pair[0].split_once("`turnback check sim:")?;
        let answer: Option<Vec<&str>> = pair[1].lines().map(|line| line.strip_prefix("    ")).collect();
        Some((rest.split_once('`')?.0, answer?.join("\n") + "\n"))
    });
    let shown: Vec<_> = shown.collect();
    assert!(shown.len() >= 2, "{shown:?}");
    let program = Program::new();
    for (rig, answer) in shown {
        assert_eq!(program.run(&format!("check sim:{rig}")).stdout, answer, "sim:{rig}");
    }
}

/// Every fault of a rig file, and every key that a fault has, stands in the documents; the example there is a rig's.
#[test]
fn the_faults_of_rig_files_are_in_the_documents() {
    use turnback_core::kind::{ethernet::sim::Rig, serial::sim::SerialRig};
    let written = fs::read_to_string(root().join("docs/rigs.md")).expect("docs/rigs.md");
    let (_, part) = written.split_once("## Faults of a rig file").expect("the section");
    let (part, _) = part.split_once("\n## ").expect("another section");
    let (ethernet, serial) = part.split_once("Kinds of fault of a serial rig").expect("both kinds");
    // What a refusal says is allowed, each in backticks.
    let known = |refused: String| {
        let (_, list) = refused.split_once("allowed: ").expect(&refused);
        list.split('`').skip(1).step_by(2).map(str::to_owned).collect::<Vec<_>>()
    };
    let fault = |line: &str| format!("[[faults]]\nplace = \"plug\"\n{line}\n");
    let (kind, key) = (fault("kind = \"no-such\""), fault("kind = \"dead\"\nno_such = 1"));
    let of_ethernet = |text: &str| known(Rig::parse(text).expect_err("refused").to_string());
    let of_serial = |text: &str| known(SerialRig::parse(text).expect_err("refused").to_string());
    let keys = (of_ethernet(&key.replace("dead", "no-receive")), of_serial(&key));
    assert!(keys.0.len() > keys.1.len() && keys.1.iter().all(|key| keys.0.contains(key)), "{keys:?}");
    for (names, part) in [(of_ethernet(&kind), ethernet), (of_serial(&kind), serial), (keys.0.clone(), ethernet)] {
        assert!(names.len() > 3, "{names:?}");
        for name in names {
            assert!(part.contains(&format!("`{name}`")), "docs/rigs.md lacks `{name}`");
        }
    }
    for name in keys.0.iter().filter(|key| !keys.1.contains(key)) {
        let says = part.lines().find(|line| line.starts_with(&format!("| `{name}` |"))).expect(name);
        assert!(says.ends_with("| not taken |"), "{says}");
    }
    let example: Vec<&str> = part.lines().filter_map(|line| line.strip_prefix("    ")).collect();
    let example = format!("{}\n[[segments]]\nlabel = \"quay-duct\"\nlength_m = 5\n", example.join("\n"));
    assert_eq!(Rig::parse(&example).map(|rig| rig.faults.len()).map_err(|error| error.to_string()), Ok(1));
}

/// `scripts/regen-docs` sets the variable.
#[test]
fn the_table_of_metrics_is_the_programs() {
    let path = root().join("docs/metrics.md");
    let said = turnback::metrics::document();
    if std::env::var_os("REGEN_DOCS").is_some() {
        fs::write(&path, &said).expect("docs can be written");
    }
    let written = fs::read_to_string(&path).unwrap_or_default();
    assert!(written == said, "docs/metrics.md is stale: run scripts/regen-docs");
}

#[test]
fn every_figure_is_in_the_documents() {
    let written = fs::read_to_string(root().join("docs/report-format.md")).expect("docs/report-format.md");
    for what in turnback_core::document::run::figures::defined() {
        let row = format!("| `{}` | {} | {} |\n", what.name(), what.label, what.about);
        assert!(written.contains(&row), "docs/report-format.md lacks {row}");
    }
}

#[test]
fn every_command_that_is_shown_is_in_it() {
    let written = fs::read_to_string(root().join("docs/cli.md")).expect("docs/cli.md");
    let help = Program::new().run("--help").stdout;
    let commands = help.lines().skip_while(|line| *line != "Commands:").skip(1).take_while(|line| !line.is_empty());
    // Lines set in further go on with what is said of a command.
    let names: Vec<&str> = commands
        .filter(|line| !line.starts_with("   "))
        .filter_map(|line| line.split_whitespace().next())
        .filter(|n| *n != "help")
        .collect();
    assert!(names.contains(&"check"), "{help}");
    for name in names {
        assert!(written.contains(&format!("\n## turnback {name}\n")), "{name}");
    }
}

/// `[text](target)` of every document, without those that lead out of the repository.
#[test]
fn links_between_documents_lead_somewhere() {
    let docs = fs::read_dir(root().join("docs")).expect("docs").map(|entry| entry.expect("readable").path());
    let documents = docs.chain(["README.md", "DEVELOPERS.md"].map(|name| root().join(name)));
    let mut links = 0;
    for document in documents.filter(|path| path.extension().is_some_and(|e| e == "md")) {
        let text = fs::read_to_string(&document).expect("readable");
        for target in text.split("](").skip(1).filter_map(|rest| rest.split(')').next()) {
            let file = target.split('#').next().unwrap_or_default();
            if file.is_empty() || target.contains("://") {
                continue;
            }
            links += 1;
            let there = document.parent().expect("a folder").join(file);
            assert!(there.exists(), "{}: {target}", document.display());
        }
    }
    assert!(links > 5);
}

/// The values that no document was at hand to check: as many rows for a file as the file has marks.
#[test]
fn every_value_from_memory_has_its_row() {
    // Spelled in two so that this test does not find itself.
    let mark = concat!("from ", "memory");
    let mut marks = BTreeMap::new();
    for (name, text) in sources(&root().join("agent")) {
        // A comment may break the line within the mark.
        let words: Vec<&str> = text.split_whitespace().filter(|word| !["//", "///", "//!"].contains(word)).collect();
        let count = words.join(" ").to_lowercase().matches(mark).count();
        if count > 0 {
            marks.insert(name, count);
        }
    }
    let page = fs::read_to_string(root().join("docs/from-memory.md")).expect("docs/from-memory.md");
    let mut rows = BTreeMap::new();
    for row in page.lines().filter(|line| line.starts_with("| ")).skip(1) {
        let [_, value, file, document, _] = row.split('|').collect::<Vec<_>>()[..] else {
            panic!("three columns: {row}")
        };
        assert!(!value.trim().is_empty() && !document.trim().is_empty(), "{row}");
        *rows.entry(file.trim().trim_matches('`').to_owned()).or_insert(0) += 1;
    }
    assert_eq!(marks, rows, "marks in the sources against rows of docs/from-memory.md");
}

/// Rust sources below a folder: path from there, and text.
fn sources(folder: &Path) -> Vec<(String, String)> {
    let mut found = Vec::new();
    let mut folders = vec![folder.to_owned()];
    while let Some(next) = folders.pop() {
        for path in fs::read_dir(next).expect("a folder").map(|entry| entry.expect("readable").path()) {
            if path.is_dir() {
                folders.push(path);
            } else if path.extension().is_some_and(|extension| extension == "rs") {
                let name = path.strip_prefix(folder).expect("below").to_string_lossy().into_owned();
                found.push((name, fs::read_to_string(&path).expect("text")));
            }
        }
    }
    found
}
