//! Every built-in serial rig through the real program: outcome, location and pins that its name promises; and that a
//! good port is never blamed.

use std::time::Duration;

use serde_json::{Value, json};
use turnback_core::{
    document::run::Report,
    event::Event,
    judge::Outcome,
    kind::{
        rig::AnyRig,
        serial::sim::{
            SerialRig,
            builtin::{BUILTIN_SERIAL, builtin_serial},
        },
    },
    plan::Profile,
};

use crate::harness::{
    program::{Finished, Program},
    rigs::{self, check},
    setting::seeds,
};

/// A check of a built-in rig with a seed, by the real program.
fn check_rig(name: &str, more: &str) -> (Finished, Value) {
    let finished = Program::new().check(&format!("sim:{name} --seed 11 {more}"));
    let report = finished.report();
    (finished, report)
}

/// A check within this process, of a rig that need not be a built-in one.
fn check_here(rig: &SerialRig, seed: u64, profile: &Profile) -> Report {
    rigs::check_rig(&AnyRig::Serial(Box::new(rig.clone())), seed, profile)
}

#[test]
fn every_serial_rig_gives_what_its_name_promises() {
    // Name, outcome, exit status, location, rule, and words of the reason: pins from the trade's connector tables
    // (TIA-574).
    let expected = [
        ("serial-good", "pass", 0, json!([]), "limit-proved", ""),
        ("serial-no-plug", "undecided", 3, json!([]), "loop-open", "no plug is fitted"),
        ("serial-stuck-cts", "fault", 1, json!(["port", "plug"]), "modem-lines", "CTS (pin 8) is stuck on"),
        ("serial-open-dtr", "fault", 1, json!(["port", "plug"]), "modem-lines", "DTR (pin 4) drives nothing"),
        (
            "serial-crossed",
            "fault",
            1,
            json!(["port", "plug"]),
            "modem-lines",
            "CTS (pin 8) and DSR (pin 6) are crossed",
        ),
        ("serial-noisy", "fault", 1, json!(["port", "plug"]), "bytes-damaged", ""),
        ("serial-parity", "fault", 1, json!(["port", "plug"]), "characters-in-error", "parity"),
        ("serial-inverted", "fault", 1, json!(["port", "plug"]), "bytes-damaged", ""),
        ("serial-dropping", "fault", 1, json!(["port", "plug"]), "bytes-lost", ""),
        ("serial-slow-host", "pass", 0, json!([]), "limit-proved", ""),
        (
            "serial-slow-adapter",
            "undecided",
            3,
            json!([]),
            "lost-at-full-pace",
            "A computer that is too slow loses bytes like this",
        ),
        ("serial-wrong-plug", "undecided", 3, json!([]), "plug-joins-data-only", "--wiring"),
        ("serial-dead", "fault", 1, json!(["port", "plug"]), "no-bytes-returned", "A plug is fitted"),
        ("serial-bad-port", "fault", 1, json!(["port"]), "bytes-damaged", ""),
        ("serial-bad-cable", "fault", 1, json!(["cable"]), "bytes-damaged", ""),
        ("serial-console", "not-tested", 4, json!([]), "foreign-bytes", "console"),
        ("serial-data-only", "pass", 0, json!([]), "limit-proved", ""),
        ("serial-rs485", "pass", 0, json!([]), "limit-proved", ""),
    ];
    // A rig that is added must say here what it promises.
    assert_eq!(expected.each_ref().map(|(name, ..)| *name), BUILTIN_SERIAL.map(|(name, _)| name));
    for (name, outcome, status, location, rule, words) in expected {
        let (finished, report) = check_rig(name, "");
        let verdict = &report["verdict"];
        assert_eq!(verdict["outcome"], outcome, "{name}: {verdict}");
        assert_eq!(verdict["location"], location, "{name}: {verdict}");
        assert_eq!(verdict["reasons"][0]["rule"], rule, "{name}: {verdict}");
        let told = format!("{} {}", verdict["reasons"][0]["text"], verdict["next"]);
        assert!(told.contains(words), "{name}: {verdict}");
        assert_eq!(finished.code, Some(status), "{name}");
    }
}

#[test]
fn no_seed_turns_a_bad_serial_rig_into_a_pass_and_none_blames_a_good_one() {
    let profile = Profile::named("quick").unwrap();
    for (name, _) in BUILTIN_SERIAL {
        let rig = builtin_serial(name).unwrap();
        let good = ["serial-good", "serial-slow-host", "serial-slow-adapter", "serial-data-only", "serial-rs485"]
            .contains(&name);
        for seed in 100..110 {
            let report = check_here(&rig, seed, &profile);
            let outcome = report.verdict.outcome;
            if good {
                assert_ne!(outcome, Outcome::Fault, "{name} seed {seed}: {:?}", report.verdict);
            } else {
                assert_ne!(outcome, Outcome::Pass, "{name} seed {seed}: {:?}", report.verdict);
            }
        }
    }
}

#[test]
fn a_thousand_seeds_of_a_good_serial_port_on_a_loaded_host_give_no_fault() {
    let mut profile = Profile::named("quick").unwrap();
    // Short, and with a limit that so few bits can prove.
    profile.time = Duration::from_millis(100);
    profile.latency_probes = 2;
    profile.serial_target_ber = 1e-3;
    let good = builtin_serial("serial-good").unwrap().to_toml();
    let (mut tried, mut lossy, mut passes) = (0, 0, 0);
    for seed in seeds(1000) {
        // A chip of 16 characters overflows after 1.4 ms at 115200 bits a second (computed).
        let stall_ms = 1 + seed % 10;
        let every_ms = 20 + seed % 197;
        let host = format!("stall_s = {}\nevery_s = {}\n", stall_ms as f64 / 1000.0, every_ms as f64 / 1000.0);
        let rig = good.replace("stall_s = 0.0\nevery_s = 0.0\n", &host);
        assert_ne!(rig, good);
        let report = check_here(&SerialRig::parse(&rig).unwrap(), seed, &profile);
        assert_ne!(report.verdict.outcome, Outcome::Fault, "seed {seed}: {:?}", report.verdict);
        let loses = report.totals.lost_inside() > 0;
        // Where the load took nothing there is no reason to be undecided.
        assert!(loses || report.verdict.outcome == Outcome::Pass, "seed {seed}: {:?}", report.verdict);
        tried += 1;
        lossy += usize::from(loses);
        passes += usize::from(report.verdict.outcome == Outcome::Pass);
    }
    // The load was felt, by four in ten, and as many pass.
    assert!(lossy * 10 > tried * 4, "{lossy} of {tried}");
    assert!(passes * 10 > tried * 4, "{passes} of {tried}");
}

/// An adapter, its bus or a network behind it that stands still for seconds and then goes on.
#[test]
fn a_good_serial_port_that_is_held_up_for_seconds_is_not_blamed() {
    let profile = Profile::named("quick").unwrap();
    let mut passes = 0;
    for seed in 0..60_u64 {
        let counts = seed % 2 == 0;
        let stall_s = [2.2, 3.0, 5.0][seed as usize % 3];
        let every_s = [0.5, 2.0, 10.0, 30.0][seed as usize % 4];
        let fifo_bytes = [16, 64, 4096][seed as usize / 3 % 3];
        let format = ["9600,8N1", "115200,8N1", "2400,7E1"][seed as usize / 5 % 3];
        let rig = format!(
            "format = \"{format}\"\n[uart]\nfifo_bytes = {fifo_bytes}\ncounts_errors = {counts}\nmarks_errors = \
             {counts}\n[host]\n\
             stall_s = {stall_s}\nevery_s = {every_s}\n"
        );
        let report = check_here(&SerialRig::parse(&rig).unwrap(), seed, &profile);
        assert_ne!(report.verdict.outcome, Outcome::Fault, "{rig}seed {seed}: {:?}", report.verdict);
        passes += usize::from(report.verdict.outcome == Outcome::Pass);
    }
    assert!(passes > 5, "{passes}");
}

#[test]
fn a_slow_computer_is_not_taken_for_flow_control_that_fails() {
    // The bytes that an overrun swallowed in the test of flow control had been let go by CTS like the others.
    for seed in 1..=20 {
        let line = "--line 115200,8N1,rts-cts";
        let report = check(&format!("sim:serial-slow-host --seed {seed} {line}"));
        let verdict = &report["verdict"];
        assert_ne!(verdict["outcome"], "fault", "seed {seed}: {verdict}");
        assert!(!report.to_string().contains("does not start"), "seed {seed}: {verdict}");
    }
}

/// A plug that is out from the start, or from any moment on: what never came back is not counted as come back, and has
/// no time.
#[test]
fn what_never_came_back_has_no_turnaround() {
    let mut profile = Profile::named("quick").unwrap();
    profile.time = Duration::from_secs(1);
    for quarters in 0..16 {
        let mut rig = builtin_serial("serial-dead").unwrap();
        rig.faults[0].from_s = (f64::from(quarters) / 4.0).try_into().unwrap();
        let mut port = rigs::simulated::of(&AnyRig::Serial(Box::new(rig)), "sim:rig".into(), 7);
        let mut handful = None;
        let mut say = |event| {
            if let Event::FirstProbesDone { sent, returned } = event {
                // Only the run's own: another may follow, by the loop inside the chip.
                handful.get_or_insert((sent, returned));
            }
        };
        let report = rigs::run(&mut *port, rigs::options(profile.clone(), 7), &mut say, &rigs::Cancel::default());
        let (sent, returned) = handful.unwrap();
        assert!(if quarters == 0 { returned == 0 } else { returned <= sent }, "{quarters}: {returned} of {sent}");
        // A character is on the line for as long as its bits take (computed): nothing comes back before.
        for trips in report.serial().iter().flat_map(|line| &line.turnaround).filter(|trips| trips.count > 0) {
            assert!(trips.min_ns >= trips.line_ns, "{quarters}: {trips:?}");
        }
        assert_ne!(report.verdict.outcome, Outcome::Pass, "{quarters}: {:?}", report.verdict);
        assert!(report.seconds.len() < 90, "{quarters}: {} s", report.seconds.len());
    }
}

#[test]
fn equal_seeds_give_equal_serial_runs() {
    let part = |report: Value| (report["totals"].clone(), report["line_errors"].clone(), report["verdict"].clone());
    // One by the program, one within this process: what other tests see of a rig here is what the program says.
    let by_program = part(Program::new().check("sim:serial-noisy --seed 3").report());
    assert_eq!(by_program, part(check("sim:serial-noisy --seed 3")));
    assert_ne!(by_program.0, part(check("sim:serial-noisy --seed 4")).0);
}

#[test]
fn the_serial_part_of_the_report_keeps_its_names() {
    let report = check("sim:serial-stuck-cts --seed 11");
    for name in ["bytes_sent", "bytes_returned", "bytes_lost", "bytes_inserted", "bytes_damaged", "bits_compared"] {
        assert!(report["totals"][name].is_u64(), "{name}");
    }
    for name in ["framing", "parity", "overrun", "break", "buffer_overrun"] {
        assert!(report["line_errors"][name].is_u64(), "{name}");
    }
    assert_eq!(report["lines"]["cts"], json!({"expected": "follows-rts", "seen": "on", "ok": false, "pin": "8"}));
    assert_eq!(report["lines"]["dsr"]["ok"], true);
    assert_eq!(
        (&report["document"], &report["format"], &report["detail"]["kind"]),
        (&"run".into(), &2.into(), &"serial".into())
    );
    let inverted = check("sim:serial-inverted --seed 11");
    // A line at the wrong level reads as a break at rest, and a level where a stop bit is due is wrong half of the time.
    assert!(inverted["verdict"]["reasons"].as_array().unwrap().iter().any(|r| r["rule"] == "line-inverted"));
    assert!(inverted["line_errors"]["framing"].as_u64().unwrap() > 1000, "{}", inverted["line_errors"]);
    let next = inverted["verdict"]["next"].as_str().unwrap();
    assert!(next.contains("converter") && next.contains("polarity"), "{next}");
    // Without modem lines and counts: absent, and not held against the port.
    let report = check("sim:serial-data-only --seed 11");
    assert!(report["lines"].is_null() && report["line_errors"].is_null());
    // A port of frames has none of these.
    let report = Program::new().check("sim:good --seed 1").report();
    let totals = report["totals"].as_object().unwrap();
    assert!(
        report.get("lines").is_none() && report.get("line_errors").is_none() && report["detail"]["kind"] == "ethernet"
    );
    assert!(totals.keys().all(|name| !name.starts_with("bytes_")), "{totals:?}");
}

#[test]
fn the_counts_of_a_serial_report_balance() {
    for (name, _) in BUILTIN_SERIAL {
        let report = check(&format!("sim:{name} --seed 11"));
        let count = |field: &str| report["totals"][field].as_u64().unwrap();
        let (sent, returned) = (count("bytes_sent"), count("bytes_returned"));
        assert_eq!(sent + count("bytes_inserted"), returned + count("bytes_lost"), "{name}");
        assert!(count("bit_errors") <= count("bits_compared"), "{name}");
    }
}

#[test]
fn a_slow_line_is_used_to_its_limit() {
    let report = check("sim:serial-good --seed 11 --line 9600,8N1 --for 2s");
    // At least 99 % of the bit times, as asked of a real line.
    assert!(report["detail"]["share_of_line"].as_f64().unwrap() > 0.99, "{}", report["detail"]["share_of_line"]);
    assert_eq!(report["detail"]["flow_control"]["came_in_all"], report["detail"]["flow_control"]["sent"]);
    assert_eq!(report["detail"]["break_returned"], true);
}

#[test]
fn a_sweep_finds_the_highest_speed_and_tries_the_formats() {
    let report = check("sim:serial-good --seed 11 --profile rate-search --target-ber 1e-4");
    // 7,372,800 Hz / 16: the fastest that this chip divides down to (computed).
    assert_eq!(report["detail"]["highest_clean_bits_per_second"], 460_800);
    let formats = report["detail"]["formats"].as_array().unwrap();
    assert!(formats.len() >= 10 && formats.iter().all(|trial| trial["counts"]["lost"] == 0), "{formats:?}");
}

#[test]
fn the_text_of_a_serial_report_names_lines_pins_and_limits() {
    let text = Program::new().run("check sim:serial-stuck-cts --seed 11 --details").stdout;
    for words in [
        "FAULT in the port or the plug",
        "CTS         8    follows RTS  stays on     WRONG",
        "0 framing, 0 parity, 0 overrun",
        "a plug cannot show: a wrong speed or clock",
        "caution: RS-232 levels",
    ] {
        assert!(text.contains(words), "{words} in {text}");
    }
    assert!(text.lines().all(|line| line.chars().count() <= 100), "{text}");
}

/// Every second or so a byte comes in with a wrong parity bit and right data: an error of the line at that format.
#[test]
fn a_speed_with_wrong_parity_bits_is_not_called_clean_nor_this_computers_loss() {
    let report = check("sim:serial-parity --seed 11 --profile rate-search");
    let rows = report["detail"]["speeds"].as_array().unwrap();
    let parity = |row: &&Value| row["errors"]["parity"].as_u64().unwrap() > 0;
    assert!(rows.iter().any(|row| row["errors"].is_object() && parity(&row)), "{rows:?}");
    let text = Program::new().run("check sim:serial-parity --seed 11 --profile rate-search --details").stdout;
    assert!(!text.contains("lost in this computer") && text.contains("ERRORS"), "{text}");
}

#[test]
fn what_cannot_be_printed_is_no_pass() {
    // Linux, full(4): "Writes to the /dev/full device fail with an ENOSPC error."
    for arguments in ["check sim:serial-good", "check sim:serial-good --json", "rigs", "profiles quick"] {
        let full = std::fs::OpenOptions::new().write(true).open("/dev/full").unwrap();
        let state = tempfile::tempdir().unwrap();
        let output = std::process::Command::new(env!("CARGO_BIN_EXE_turnback"))
            .args(arguments.split(' '))
            .env("TURNBACK_STATE_DIR", state.path())
            .stdout(full)
            .output()
            .unwrap();
        let told = String::from_utf8_lossy(&output.stderr).into_owned();
        assert_eq!(output.status.code(), Some(4), "{arguments}: {told}");
        assert!(told.contains("cannot write to the standard output: the disk is full"), "{arguments}: {told}");
    }
}

#[test]
fn wrong_words_are_refused_with_those_that_are_right() {
    for (arguments, says) in [
        ("check sim:serial-good --wiring de15", "data-only, de9"),
        ("check sim:serial-good --line 9600,9N1", "5 to 8 data bits"),
        ("check sim:serial-good --line 400000", "cannot be set to 400000,8N1"),
        ("check sim:good --return-port sim:serial-good", "both must be Ethernet"),
        ("check sim:good --line 9600", "cannot take --line: that is for serial lines"),
        ("check sim:good --wiring de9", "cannot take --wiring"),
        ("check sim:serial-good --sizes 64", "cannot take --sizes: that is for Ethernet ports"),
        ("check sim:serial-good --rate 10%", "cannot take --rate"),
        ("check sim:serial-good --speed 100", "cannot take --speed"),
        ("check sim:serial-data-only --placement internal", "use a plug"),
        ("wiring de15", "allowed are"),
    ] {
        let finished = Program::new().run(arguments);
        assert_eq!(finished.code, Some(2), "{arguments}: {finished:?}");
        assert!(finished.stderr.contains(says), "{arguments}: {}", finished.stderr);
    }
}

#[test]
fn a_serial_rig_of_ones_own_is_read_from_its_file() {
    let program = Program::new();
    let printed = program.run("rigs serial-bad-cable").stdout;
    let path = program.state().join("mine.toml");
    std::fs::write(&path, printed).unwrap();
    let report = program.check(&format!("sim:{} --seed 3", path.display())).report();
    assert_eq!(report["verdict"]["location"], json!(["cable"]), "{}", report["verdict"]);
    std::fs::write(&path, "[uart]\nfifo_bytes = 0\n").unwrap();
    let refused = program.run(&format!("check sim:{}", path.display()));
    assert!(refused.code == Some(2) && refused.stderr.contains("line 2"), "{refused:?}");
}

#[test]
fn a_cable_with_parity_errors_is_found_whether_or_not_the_port_marks_them() {
    let program = Program::new();
    let printed = program.run("rigs serial-bad-cable").stdout;
    for marks in ["true", "false"] {
        let rig = printed.replace("bit-errors", "parity-errors").replace("ratio = 0.0001", "ratio = 0.001");
        let rig = rig.replace("marks_errors = true", &format!("marks_errors = {marks}"));
        let path = program.state().join(format!("parity-{marks}.toml"));
        std::fs::write(&path, rig).unwrap();
        let words = "--cable Q-12 --yes --no-record --json --line 9600,7E1";
        let case = program.run(&format!("isolate sim:{} {words}", path.display())).report();
        assert_eq!(case["verdict"]["location"], json!(["cable"]), "marks {marks}: {}", case["verdict"]);
        assert_eq!(case["verdict"]["segment"], "quay-duct", "marks {marks}: {}", case["verdict"]);
    }
}

/// The byte that one too many pushes behind the last that is waited for comes in too.
#[test]
fn bytes_put_in_are_no_lost_bytes() {
    let text = builtin_serial("serial-dropping").unwrap().to_toml().replace("drop", "insert");
    let rig = SerialRig::parse(&text).unwrap();
    let profile = Profile::named("quick").unwrap();
    for seed in 1..21 {
        let totals = *check_here(&rig, seed, &profile).totals.bytes().unwrap();
        assert!(totals.bytes_inserted > 50, "seed {seed}: {totals:?}");
        assert_eq!(totals.bytes_lost, 0, "seed {seed}: {totals:?}");
    }
}

/// An adapter that counts nothing, a chip that holds much and a computer that stalls: the run ends in time, and blames
/// nobody.
#[test]
fn a_slow_computer_behind_a_deep_adapter_is_not_blamed_on_the_line() {
    let mut rig = builtin_serial("serial-slow-adapter").unwrap();
    let profile = Profile::named("quick").unwrap();
    for fifo_bytes in [16, 64, 128] {
        rig.uart.fifo_bytes = fifo_bytes;
        for stall in [0.002, 0.01, 0.04_f64] {
            rig.host.stall_s = stall.try_into().unwrap();
            for seed in 1..6 {
                let report = check_here(&rig, seed, &profile);
                let verdict = &report.verdict;
                assert_ne!(verdict.outcome, Outcome::Fault, "{fifo_bytes} {stall} {seed}: {verdict:?}");
                assert!(report.seconds.len() < 120, "{fifo_bytes} {stall} {seed}: {} s", report.seconds.len());
            }
        }
    }
}

/// The truth is the rig's own description.
#[test]
fn a_case_finds_what_is_wrong_on_a_serial_line() {
    for (rig, outcome, location, segment) in [
        ("serial-bad-cable", "fault", json!(["cable"]), json!("quay-duct")),
        ("serial-bad-port", "fault", json!(["port"]), json!(null)),
        ("serial-noisy", "fault", json!(["plug"]), json!(null)),
        ("serial-dead", "fault", json!(["port"]), json!(null)),
        ("serial-stuck-cts", "fault", json!(["port"]), json!(null)),
        ("serial-crossed", "fault", json!(["plug"]), json!(null)),
        // Nothing is fitted: what was brought to the port as a plug turns nothing back on a good one either.
        ("serial-no-plug", "fault", json!(["plug"]), json!(null)),
        ("serial-good", "pass", json!([]), json!(null)),
        ("serial-slow-host", "pass", json!([]), json!(null)),
    ] {
        let done = Program::new().run(&format!("isolate sim:{rig} --cable Q-12 --yes --json --seed 3"));
        let case: Value = serde_json::from_str(&done.stdout).unwrap_or_else(|e| panic!("{rig}: {e}: {}", done.stderr));
        let verdict = &case["verdict"];
        let got = (&verdict["outcome"], &verdict["location"], &verdict["segment"]);
        assert_eq!(got, (&json!(outcome), &location, &segment), "{rig}: {verdict:#}");
        assert_eq!(case["next"], Value::Null, "{rig}");
    }
}

/// What a run found is on its page, in its text and in its rows: the report's own figures, none of Ethernet's.
#[test]
fn every_outlet_shows_a_serial_run() {
    let program = Program::new();
    let check = program.check("sim:serial-stuck-cts --profile standard --seed 5");
    let kept = program.state().join("run.json");
    std::fs::write(&kept, &check.stdout).unwrap();
    let shown = |form: &str| program.run(&format!("report {} {form}", kept.display())).stdout;
    let sent = check.report()["totals"]["bytes_sent"].as_u64().unwrap();
    let grouped = turnback::show::figure::count(sent);
    let page = shown("").replace('\u{a0}', " ");
    for wanted in [
        grouped.as_str(),
        "follows RTS",
        "stays on",
        "0 framing",
        "Turnaround",
        "Speeds tried",
        "460",
        "115200,8E1",
        "de9",
    ] {
        assert!(page.contains(wanted), "the page lacks {wanted}");
    }
    for foreign in ["frames", "Mb/s", "FCS", "link drops"] {
        assert!(!page.contains(foreign), "the page of a serial run speaks of {foreign}");
    }
    let text = shown("--text");
    assert!(text.contains(&grouped) && text.contains("stays on"), "{text}");
    let rows = shown("--csv");
    assert!(rows.contains(&format!("totals.bytes_sent,,{sent}")) && rows.contains("lines.cts.seen,,on"), "{rows}");
    // A run with wrong bits draws them by the bit of the character.
    std::fs::write(&kept, program.check("sim:serial-noisy --seed 5").stdout).unwrap();
    let page = shown("").replace('\u{a0}', " ");
    assert!(page.contains("bit of the character") && !page.contains("words of 8 bytes"));
}

#[test]
fn two_serial_runs_are_held_against_each_other() {
    let program = Program::new();
    let id = |rig: &str| {
        let report = program.check(&format!("sim:{rig} --seed 5")).report();
        report["run"].as_str().unwrap().to_owned()
    };
    let (good, noisy, dropping, parity, crossed) =
        (id("serial-good"), id("serial-noisy"), id("serial-dropping"), id("serial-parity"), id("serial-crossed"));
    let compare = |other: &str| {
        let done = program.run(&format!("records compare {good} {other} --json"));
        serde_json::from_str::<Value>(&done.stdout).unwrap_or_else(|e| panic!("{e}: {done:?}"))
    };
    let change = |difference: &Value, name: &str| {
        let figures = difference["figures"].as_array().unwrap();
        let found = figures.iter().find(|f| f["name"] == name).unwrap_or_else(|| panic!("no {name}: {difference:#}"));
        found["change"].clone()
    };
    assert_eq!(change(&compare(&noisy), "bit error ratio"), "higher");
    let lost = compare(&dropping);
    assert_eq!(change(&lost, "blocks with missing or extra bytes"), "higher");
    assert!(["same", "within-chance"].map(Value::from).contains(&change(&lost, "bit error ratio")), "{lost:#}");
    assert_eq!(change(&compare(&parity), "characters with framing or parity errors"), "higher");
    let lines = compare(&crossed);
    assert_eq!(change(&lines, "modem lines"), "other");
    assert!(lines["figures"].as_array().unwrap().iter().all(|f| f["name"] != "link"));
    let same = compare(&id("serial-good"));
    assert!(same["says"].as_str().unwrap().starts_with("no counted figure differs"), "{same:#}");
}

/// At 9600 bits a second the limit of the quick profile asks for 390,000 bits, 49 s of characters of 8 data bits
/// (computed: ln 20 / 1e-5 * 1.3 / (960 * 8)).
#[test]
fn a_slow_line_says_beforehand_how_long_it_takes() {
    let program = Program::new();
    let events = program.state().join("events.jsonl");
    let done =
        program.run(&format!("check sim:serial-good --line 9600 --seed 5 --details --events {}", events.display()));
    let told = done.stderr.find("Takes about").unwrap_or_else(|| panic!("{}", done.stderr));
    assert!(told < done.stderr.find("first probes").unwrap());
    let lines = std::fs::read_to_string(&events).unwrap();
    let events: Vec<Value> = lines.lines().map(|line| serde_json::from_str(line).unwrap()).collect();
    let seconds = events.iter().find(|e| e["event"] == "line-estimated").unwrap()["seconds"].as_f64().unwrap();
    assert!((49.0..75.0).contains(&seconds), "{seconds}");
    let changed: Vec<&str> = events.iter().filter_map(|e| e["setting"].as_str()).collect();
    for wanted in ["raw mode, 9600,8N1", "RTS and DTR on", "RTS and DTR through all their states", "9600,8N1,rts-cts"] {
        assert!(changed.iter().any(|setting| setting.contains(wanted)), "{wanted}: {changed:?}");
    }
}

#[test]
fn two_wires_have_a_turnaround_of_their_own() {
    let report = check("sim:serial-rs485 --seed 11");
    let half = &report["detail"]["half_duplex"];
    assert_eq!((&half["by_setting"], &half["heard_itself"]), (&json!(true), &json!(true)));
    // The rig's driver gathers bytes for 1 ms (its `latency_us`), and nothing else delays them there.
    assert_eq!(half["turnaround_ns_min"], 1_000_000);
    assert_eq!(check("sim:serial-good --seed 11")["detail"]["half_duplex"], Value::Null);
    // No plug can lead a search along a cable that the port hears itself on in any case.
    let case = Program::new().run("isolate sim:serial-rs485 --cable Q-12 --yes --json");
    assert_eq!((case.code, case.stdout.as_str()), (Some(2), ""), "{case:?}");
    assert!(case.stderr.contains("second RS-485 port"), "{case:?}");
}
