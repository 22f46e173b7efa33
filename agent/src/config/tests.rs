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
        ("stroe = '/x'", ":1: there is no key `stroe`"),
        ("zone = 'UTC'\n[limits]\nruns_at_once = 0", ":3: runs_at_once `0`"),
        ("[limits]\ncpu_share = 1.5", ":2: cpu_share `1.5`"),
        ("[limits]\novertime = '5'", ":2: time `5`"),
        ("[[port]]\nselect = {}", ":2: an empty selector"),
        ("[[port]]\nselect = { name = 'q*' }\nlabel = ''", ":3: label ``"),
        ("[[port]]\nselect = { label = 'Q1' }", ":2: a port's entry is chosen by name"),
        ("[[port]]\nselect = { nam = 'q*' }", ":2: there is no key `nam`"),
        ("[[port]]\nselect = { name = '/dev/ttyS*' }\nline = '9600 baud'", ":3: line format `9600 baud` is not SPEED"),
        ("[[port]]\nselect = { name = '/dev/ttyS*' }\nwiring = 'de15'", ":3: plug `de15` is not one of"),
        ("[http]\nlisten = '0.0.0.0:7440'", ":2: listen `0.0.0.0:7440`"),
        ("[http]\nlisten = 'quay'", ":2: listen `quay`"),
        ("[http]\nkey_file = '/k'", ":2: certificate_file and key_file"),
        ("[[announce]]\nname = 'office'", ":2: target `office` needs exactly one"),
        ("[[announce]]\nname = 'office'\ncommand = ['tell']", ":3: program `tell` is no absolute path"),
        ("[[announce]]\nname = 'office'\nwebhook = 'ftp://office'", ":3: webhook is no address"),
        ("[[announce]]\nname = 'A b'\nlog = true", ":2: name `A b`"),
        ("[bench]\nask = false", ":1: [bench] needs a lot"),
        ("[bench]\nrig = 'bench'", ":2: rig `bench`"),
        ("[bench]\nrig = 'sim:bench'\nplugs = ['P-1']", ":3: a simulated bench brings its own"),
        ("[bench]\nlot = ''", ":2: label ``"),
        ("[bench]\nlot = 'quay-7'\nplugs = ['P-1', 'P-2',\n'P-1']", ":4: two plugs are called `P-1`"),
        ("[bench]\nlot = 'quay-7'\nlabels = 'labels'", ":3: folder `labels` is no absolute path"),
        ("[bench]\nlot = 'quay-7'\nannounce = ['office']", ":3: announce `office`"),
        ("[bench]\nlot = 'quay-7'\nslot = 'slot-1'", ":3: there is no key `slot` here"),
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
        ("repeats = 3", "there is no key `repeats`"),
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
    let config = Config::parse("docs/config.md", example()).unwrap();
    assert!(config.rounds.len() >= 2 && config.targets.len() == 3 && !config.ports.is_empty());
    assert_eq!(config.rounds[0].repeat_after, Duration::from_secs(600));
    let bench = config.bench.unwrap();
    assert_eq!((bench.lot.as_deref(), bench.plugs.len(), bench.ask), (Some("quay-7"), 5, true));
    assert!(bench.certificates.is_none() && bench.labels.is_some() && bench.label_size == "62x29");
}

/// Keys of a table of the file, by what the parser says it would have expected.
fn keys(text: &str) -> Vec<String> {
    let found = error(text);
    let (_, list) = found.split_once("allowed: ").unwrap_or_else(|| panic!("{found}"));
    list.split('`').skip(1).step_by(2).map(str::to_owned).collect()
}

#[test]
fn the_document_holds_every_key_and_no_other() {
    let tables = [
        ("Top of the file", "zzz = 1"),
        ("`[limits]`", "[limits]\nzzz = 1"),
        ("`[http]`", "[http]\nzzz = 1"),
        ("`[fleet]`", "[fleet]\nzzz = 1"),
        ("`[bench]`", "[bench]\nzzz = 1"),
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
            known.retain(|key| {
                !["limits", "http", "port", "round", "announce", "fleet", "bench"].contains(&key.as_str())
            });
        }
        documented.sort();
        known.sort();
        assert_eq!(documented, known, "{heading}");
    }
}

/// What a file with these bytes is read as: a configuration, or an error of one line that names file and line.
fn told_well(bytes: &[u8]) -> Result<(), TestCaseError> {
    let parsed = Lines::of("agent.toml", bytes).and_then(|lines| Config::parse("agent.toml", lines.text));
    let Err(error) = parsed else { return Ok(()) };
    let text = error.to_string();
    let line = text.strip_prefix("agent.toml:").and_then(|rest| rest.split_once(": ")?.0.parse::<usize>().ok());
    let lines = bytes.iter().filter(|byte| **byte == b'\n').count() + 1;
    prop_assert!(line.is_some_and(|line| (1..=lines).contains(&line)), "{text:?} of {lines} lines");
    prop_assert!(!text.contains(char::is_control), "{text:?}");
    Ok(())
}

/// The document's example, which has every table and nearly every key.
fn example() -> &'static str {
    DOCUMENT.split("```toml\n").nth(1).and_then(|text| text.split("```").next()).expect("an example")
}

/// One change that an editor, a bad disk or a bad merge makes to a file.
#[derive(Clone, Debug)]
enum Slip {
    Byte(usize, u8),
    Insert(usize, Vec<u8>),
    Cut(usize, usize),
    RepeatLine(usize),
    SwapLines(usize, usize),
    /// The value of a line becomes this.
    Value(usize, String),
    /// Its key becomes this.
    Key(usize, String),
}

impl Slip {
    fn any() -> impl Strategy<Value = Self> {
        let at = any::<usize>;
        let value = prop_oneof![
            "\\PC{0,20}",
            "'\\PC{0,20}'",
            "\"[ -~]{0,20}\"",
            "-?[0-9]{1,20}",
            "[0-9]{1,4}\\.[0-9]e-?[0-9]{1,4}",
            "'[0-9]{1,20}(ms|s|m|h|d)?'",
            "\\['[0-9]{2}:[0-9]{2}-[0-9]{2}:[0-9]{2}'\\]",
            "'([*0-9,/-]{1,6} ){4,5}[*0-9,/-]{1,6}'",
            "\\[(\\{ (name|bus|spare) = ('[*?a-z]{0,5}'|true) \\},? ?){0,3}\\]",
            Just("true".to_owned()),
            Just("{}".to_owned()),
        ];
        prop_oneof![
            (at(), any::<u8>()).prop_map(|(n, byte)| Self::Byte(n, byte)),
            (at(), prop::collection::vec(any::<u8>(), 1..8)).prop_map(|(n, bytes)| Self::Insert(n, bytes)),
            (at(), 1usize..40).prop_map(|(n, length)| Self::Cut(n, length)),
            at().prop_map(Self::RepeatLine),
            (at(), at()).prop_map(|(a, b)| Self::SwapLines(a, b)),
            (at(), value).prop_map(|(n, value)| Self::Value(n, value)),
            (at(), "[a-z_.\"]{0,12}").prop_map(|(n, key)| Self::Key(n, key)),
        ]
    }

    fn make(self, bytes: &mut Vec<u8>) {
        let place = |n: usize| n % (bytes.len() + 1);
        match self {
            Self::Byte(n, byte) => {
                if let Some(at) = n.checked_rem(bytes.len()) {
                    bytes[at] = byte;
                }
            }
            Self::Insert(n, more) => {
                let at = place(n);
                bytes.splice(at..at, more);
            }
            Self::Cut(n, length) => {
                let from = place(n);
                bytes.drain(from..bytes.len().min(from + length));
            }
            by_line => {
                let mut lines: Vec<Vec<u8>> = bytes.split(|byte| *byte == b'\n').map(<[u8]>::to_vec).collect();
                let count = lines.len();
                let halves =
                    |line: &[u8]| line.iter().position(|byte| *byte == b'=').map(|at| line.split_at(at).0.to_vec());
                match by_line {
                    Self::RepeatLine(n) => lines.insert(n % count, lines[n % count].clone()),
                    Self::SwapLines(a, b) => lines.swap(a % count, b % count),
                    Self::Value(n, value) => {
                        if let Some(key) = halves(&lines[n % count]) {
                            lines[n % count] = [key, b"= ".to_vec(), value.into_bytes()].concat();
                        }
                    }
                    Self::Key(n, key) => {
                        let line = &mut lines[n % count];
                        if let Some(old) = halves(line) {
                            line.splice(..old.len(), key.into_bytes());
                        }
                    }
                    Self::Byte(..) | Self::Insert(..) | Self::Cut(..) => {}
                }
                *bytes = lines.join(&b'\n');
            }
        }
    }
}

#[test]
fn what_is_no_text_is_named_with_its_line() {
    let folder = tempfile::tempdir().unwrap();
    let file = folder.path().join("agent.toml");
    std::fs::write(&file, b"zone = 'UTC'\n# quay \xff\n").unwrap();
    let error = Config::read(&file).unwrap_err().to_string();
    assert_eq!(error, format!("{}:2: this line holds what is not UTF-8 text", file.display()));
}

#[test]
fn a_quoted_value_cannot_break_the_line_of_its_error() {
    let found = error("[http]\nlisten = \"quay\\nerror: all is lost\\u001B[31m\"");
    assert!(found.contains(r"quay\nerror: all is lost\u{1b}[31m"), "{found}");
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 400, failure_persistence: None, ..ProptestConfig::default() })]

    #[test]
    fn any_bytes_are_read_or_named_with_their_line(bytes in prop::collection::vec(any::<u8>(), 0..300)) {
        told_well(&bytes)?;
    }

    #[test]
    fn any_text_is_read_or_named_with_its_line(text in "(\\PC|\n|=|\\[|\\]|'){0,200}") {
        told_well(text.as_bytes())?;
    }

    #[test]
    fn a_good_file_with_slips_is_read_or_named_with_its_line(slips in prop::collection::vec(Slip::any(), 1..5)) {
        let mut bytes = example().as_bytes().to_vec();
        slips.into_iter().for_each(|slip| slip.make(&mut bytes));
        told_well(&bytes)?;
    }

    #[test]
    fn any_value_is_taken_or_named_with_its_line(key in 0usize..12, value in "\\PC{0,40}") {
        let keys = ["zone", "schedule", "jitter", "hours", "profile", "placement", "time", "rate", "repeat_after",
            "proof_lasts", "announce", "name"];
        let quoted = toml::Value::String(value).to_string();
        let quoted = if ["hours", "announce"].contains(&keys[key]) { format!("[{quoted}]") } else { quoted };
        let base: String = ROUND.lines().filter(|l| !l.starts_with(keys[key])).map(|l| format!("{l}\n")).collect();
        told_well(format!("{base}{} = {quoted}", keys[key]).as_bytes())?;
    }
}
