//! Every mistake is named with its line; the document holds every key.

use std::time::Duration;

use proptest::prelude::*;

use super::*;

const DOCUMENT: &str = include_str!("../../../docs/config.md");

fn error(text: &str) -> String {
    Config::parse("agent.toml", text).expect_err(text).to_string()
}

const ROUND: &str = "[[round]]\nname = 'night'\nselect = [{ spare = true }]\nschedule = '30 2 * * *'\n";

#[test]
fn little_is_needed() {
    let config = Config::parse("agent.toml", ROUND).unwrap();
    let round = &config.rounds[0];
    assert_eq!((round.profile.name.as_str(), round.catch_up, round.side_by_side), ("quick", true, false));
    assert!(config.http.listen.ip().is_loopback());
    assert!(Config::parse("agent.toml", "").unwrap().rounds.is_empty());
}

#[test]
fn each_mistake_is_named_with_its_line() {
    let table = [
        ("stroe = '/x'", ":1: unknown field `stroe`"),
        ("zone = 'UTC'\n[limits]\nruns_at_once = 0", ":3: runs_at_once `0`"),
        ("[limits]\ncpu_share = 1.5", ":2: cpu_share `1.5`"),
        ("[limits]\novertime = '5'", ":2: time `5`"),
        ("[[port]]\nselect = {}", ":2: an empty selector"),
        ("[[port]]\nselect = { name = 'q*' }\nlabel = ''", ":3: label ``"),
        ("[[port]]\nselect = { label = 'Q1' }", ":2: a port's entry is chosen by name"),
        ("[[port]]\nselect = { nam = 'q*' }", ":2: unknown field `nam`"),
        ("[http]\nlisten = '0.0.0.0:7440'", ":2: listen `0.0.0.0:7440`"),
        ("[http]\nlisten = 'quay'", ":2: listen `quay`"),
        ("[http]\nkey_file = '/k'", ":2: certificate_file and key_file"),
        ("[[announce]]\nname = 'office'", ":2: target `office` needs exactly one"),
        ("[[announce]]\nname = 'office'\ncommand = ['tell']", ":3: program `tell` is no absolute path"),
        ("[[announce]]\nname = 'office'\nwebhook = 'ftp://office'", ":3: webhook is no address"),
        ("[[announce]]\nname = 'A b'\nlog = true", ":2: name `A b`"),
        ("[[announce]]\nname = 'a'\nlog = true\n[[announce]]\nname = 'a'\nlog = true", ":5: a second target"),
    ];
    for (text, expected) in table {
        let found = error(text);
        assert!(found.contains(expected), "{text}\n{found}");
    }
    let table = [
        ("zone = 'Quay/Side'", "zone `Quay/Side`"),
        ("hours = ['22-5']", "hours `22-5`"),
        ("hours = ['02:00-02:10']\nprofile = 'soak'", "more than the longest of the allowed hours"),
        ("profile = 'quik'", "profile `quik` is not one of"),
        ("placement = 'return-port'", "placement `return-port`"),
        ("announce = ['office']", "announce `office`"),
        ("faults_to_fail = 0", "faults_to_fail `0`"),
        ("target_ber = 2.0", "target_ber 2"),
        ("jitter = '20'", "time `20`"),
        ("rate = 'fast'", "rate `fast`"),
        ("repeats = 3", "unknown field `repeats`"),
    ];
    for (line, expected) in table {
        let found = error(&format!("{ROUND}{line}"));
        assert!(found.contains(expected) && found.contains("agent.toml:5:"), "{line}\n{found}");
    }
    assert!(error(&ROUND.replace("30 2", "61 2")).contains(":4: schedule `61 2 * * *`"));
    assert!(error(&format!("{ROUND}{ROUND}")).contains(":6: a second round"));
}

#[test]
fn a_missing_file_is_named() {
    let error = Config::read(Path::new("/nonexistent/agent.toml")).unwrap_err();
    assert!(error.to_string().contains("/nonexistent/agent.toml"));
}

#[test]
fn the_documents_example_is_a_configuration() {
    let example = DOCUMENT.split("```toml\n").nth(1).and_then(|t| t.split("```").next()).expect("an example");
    let config = Config::parse("docs/config.md", example).unwrap();
    assert!(config.rounds.len() >= 2 && config.targets.len() == 3 && !config.ports.is_empty());
    assert_eq!(config.rounds[0].repeat_after, Duration::from_secs(600));
}

/// Keys of a table of the file, by what the parser says it would have expected.
fn keys(text: &str) -> Vec<String> {
    let found = error(text);
    let (_, list) = found.split_once("expected one of ").unwrap_or_else(|| panic!("{found}"));
    list.split('`').skip(1).step_by(2).map(str::to_owned).collect()
}

#[test]
fn the_document_holds_every_key_and_no_other() {
    let tables = [
        ("Top of the file", "zzz = 1"),
        ("`[limits]`", "[limits]\nzzz = 1"),
        ("`[http]`", "[http]\nzzz = 1"),
        ("`[[port]]`", "[[port]]\nselect = { name = 'a' }\nzzz = 1"),
        ("`[[round]]`", &format!("{ROUND}zzz = 1")),
        ("`[[announce]]`", "[[announce]]\nname = 'a'\nzzz = 1"),
        ("Selectors", "[[port]]\nselect = { zzz = 1 }"),
    ];
    for (heading, text) in tables {
        let section = DOCUMENT.split("\n## ").find(|s| s.starts_with(heading)).unwrap_or_else(|| panic!("{heading}"));
        let mut documented: Vec<String> = section
            .lines()
            .filter_map(|line| line.strip_prefix("| `"))
            .filter_map(|line| line.split('`').next().map(str::to_owned))
            .collect();
        let mut known = keys(text);
        if heading == "Top of the file" {
            // The tables have sections of their own.
            known.retain(|key| !["limits", "http", "port", "round", "announce"].contains(&key.as_str()));
        }
        documented.sort();
        known.sort();
        assert_eq!(documented, known, "{heading}");
    }
}

proptest! {
    #[test]
    fn no_text_makes_it_panic(text in "\\PC{0,200}") {
        let _ = Config::parse("agent.toml", &text);
    }

    #[test]
    fn no_value_makes_it_panic(key in 0usize..12, value in "\\PC{0,40}") {
        let keys = ["zone", "schedule", "jitter", "hours", "profile", "placement", "time", "rate", "repeat_after",
            "proof_lasts", "announce", "name"];
        let quoted = toml::Value::String(value).to_string();
        let quoted = if ["hours", "announce"].contains(&keys[key]) { format!("[{quoted}]") } else { quoted };
        let base: String = ROUND.lines().filter(|l| !l.starts_with(keys[key])).map(|l| format!("{l}\n")).collect();
        let _ = Config::parse("agent.toml", &format!("{base}{} = {quoted}", keys[key]));
    }
}
