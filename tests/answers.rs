//! What a person at a terminal gets: the answer first, in few lines, as wide as the terminal.

use serde_json::Value;
use turnback::show::{
    lines::columns,
    text::{ANSWER_LINES_MAX, answer, details},
};
use turnback_core::{document::Document, kind::rig};

use crate::harness::program::Program;

fn names() -> impl Iterator<Item = &'static str> {
    rig::builtin_names().map(|(name, _)| name)
}

#[test]
fn every_answer_fits_in_ten_lines_of_any_terminal() {
    let program = Program::new();
    for name in names() {
        let json = program.check(&format!("sim:{name} --seed 3 --for 200ms --no-record")).stdout;
        let Ok(Document::Run(report)) = Document::read(&json) else { panic!("{name}: {json}") };
        for width in [60, 80, 120] {
            let answer = answer(&report, width);
            assert!(answer.lines().count() <= ANSWER_LINES_MAX, "{name} at {width}:\n{answer}");
            for line in answer.lines().chain(details(&report, width).lines()) {
                assert!(columns(line) <= width, "{name} at {width}: {line}");
            }
        }
    }
}

#[test]
fn a_pass_takes_ten_lines_in_all() {
    for arguments in ["check sim:good", "check sim:serial-good --profile quick", "check sim:good --profile standard"] {
        let done = Program::new().run(&format!("{arguments} --seed 3 --no-record"));
        assert!(done.stdout.starts_with("PASS\n"), "{done:?}");
        let lines = done.stdout.lines().count() + done.stderr.lines().count();
        assert!(lines <= 10, "{lines} lines: {}{}", done.stderr, done.stdout);
        assert!(!done.stdout.contains("caution"), "{}", done.stdout);
    }
}

/// Pairs 1 and 4 carry nothing at 100 Mb/s (IEEE Std 802.3 25, from memory), and pair 4 of this rig is open.
#[test]
fn a_pass_at_100_mbps_claims_no_more_than_two_pairs() {
    let text = Program::new().run("check sim:open-pair --seed 3 --no-record").stdout;
    assert!(text.starts_with("PASS at 100 Mb/s: pairs 2 and 3 only\n"), "{text}");
    assert!(text.contains("Pairs 1 and 4") && text.contains("--return-port"), "{text}");
    let page = Program::new();
    let run = page.state().join("run.json");
    std::fs::write(&run, page.check("sim:open-pair --seed 3").stdout).unwrap();
    let page = page.run(&format!("report {}", run.display())).stdout;
    assert!(page.contains("<h1>PASS at 100 Mb/s: pairs 2 and 3 only</h1>"), "{page}");
}

#[test]
fn a_text_for_a_ticket_says_what_was_tested_on_which_machine() {
    let program = Program::new();
    let report = program.check("sim:good --seed 3").report();
    assert!(report["duration_s"].as_f64().is_some_and(|s| s > 3.0 && s < 10.0), "{}", report["duration_s"]);
    let text = program.run("report last --text").stdout;
    let machine = report["machine"].as_str().unwrap();
    for part in [machine, "1000 Mb/s on all four pairs", "profile quick", "took 4 s", "PASS\n"] {
        assert!(text.contains(part), "{part} in {text}");
    }
}

#[test]
fn the_name_of_a_file_decides_its_form() {
    let program = Program::new();
    assert_eq!(program.check("sim:good --seed 3").code, Some(0));
    let write = |name: &str, form: &str| {
        let path = program.state().join(name);
        let done = program.run(&format!("report last --output {} {form}", path.display()));
        (done.code, std::fs::read_to_string(path).unwrap_or_default(), done.stderr)
    };
    let (code, csv, _) = write("run.csv", "");
    assert!(code == Some(0) && csv.starts_with("field,entry,value\n"), "{csv}");
    let (code, json, _): (_, String, _) = write("run.json", "");
    assert!(code == Some(0) && serde_json::from_str::<Value>(&json).is_ok(), "{json}");
    assert!(write("run.txt", "").1.starts_with("PASS\n"));
    assert!(write("run.html", "").1.ends_with("</html>"));
    for (name, form) in [("page.csv", "--json"), ("text.html", "--text")] {
        let (code, nothing, told) = write(name, form);
        assert!(code == Some(2) && nothing.is_empty() && told.contains("hint: "), "{told}");
    }
    assert!(write("run.report", "--csv").1.starts_with("field,"), "another ending says nothing");
}

/// As the script of `turnback completions fish` asks: the words so far, the one to complete last.
#[test]
fn a_shell_is_offered_ports_rigs_plugs_profiles_and_labels() {
    let program = Program::new();
    assert_eq!(program.check("sim:good --seed 3 --cable Q-12 --plug P-7").code, Some(0));
    let offered = |words: &str| {
        let mut asked = std::process::Command::new(env!("CARGO_BIN_EXE_turnback"));
        asked.env("COMPLETE", "fish").env("TURNBACK_STATE_DIR", program.state()).args(["--", "turnback"]);
        let output = asked.args(words.split(' ')).output().unwrap();
        String::from_utf8(output.stdout).unwrap()
    };
    for (words, wanted) in [
        ("check sim:ba", "sim:bad-cable"),
        ("check sim:good --profile so", "soak"),
        ("check sim:good --wiring de", "de9-ri"),
        ("check sim:good --cable ", "Q-12"),
        ("isolate sim:good --plug ", "P-7"),
        ("records list --cable ", "Q-12"),
        ("wiring 8p", "8p8c-2pair"),
        ("rigs serial-", "serial-good"),
    ] {
        let offered = offered(words);
        let first_words: Vec<_> = offered.lines().filter_map(|line| line.split('\t').next()).collect();
        assert!(first_words.contains(&wanted), "{words}: {offered}");
    }
    assert!(program.run("completions bash").stdout.contains("COMPLETE"));
}

/// DE-9 is the trade's right name, DB-9 the usual one (common practice, no source).
#[test]
fn the_usual_name_of_a_connector_is_understood() {
    let program = Program::new();
    for name in ["db9", "DB-9", "de9"] {
        let report =
            program.check(&format!("sim:serial-good --seed 3 --wiring {name} --for 200ms --no-record")).report();
        assert_eq!(report["detail"]["plug"], "de9", "{name}");
        assert_eq!(program.run(&format!("wiring {name}")).code, Some(0), "{name}");
    }
}

/// Errors of this rig hit every bit alike, so every eighth of a frame has its eighth of them (a binomial law: 4 standard
/// deviations of some 3600 are 7 %; an eighth of the 60 bytes is 7 or 8 of them, 7 % either way).
#[test]
fn even_errors_are_placed_evenly_in_the_shortest_frames() {
    let report =
        Program::new().check("sim:bad-cable --sizes 64 --target-ber 1e-9 --for 20s --seed 3 --no-record").report();
    let offsets: Vec<u64> = serde_json::from_value(report["damage"]["offsets"].clone()).unwrap();
    let eighths: Vec<u64> = offsets.chunks(8).map(|bins| bins.iter().sum()).collect();
    let mean = eighths.iter().sum::<u64>() as f64 / 8.0;
    assert!(mean > 2000.0, "{eighths:?}");
    assert!(eighths.iter().all(|n| (*n as f64 / mean - 1.0).abs() < 0.14), "{eighths:?}");
}
