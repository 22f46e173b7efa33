//! The real program on a pseudo-terminal with the software plug: the report's counts are the plug's own, and whatever
//! happens to the line, it is as before afterwards.

use std::fs::OpenOptions;
use std::os::unix::fs::symlink;
use std::process::{Child, Command, Stdio};

use serde_json::{Value, json};

use crate::harness::program::{Finished, Program};
use crate::harness::pty::{PtyPlug, settings};

/// Long enough for some megabytes, and what is proved by them.
const SHORT: &str = "--for 1s --target-ber 1e-6 --seed 1";

/// As long as it takes to prove the same limit: on a busy computer that is longer than a second.
const GOOD: &str = "--profile proof --for 60s --target-ber 1e-6 --seed 1";

fn outcome(finished: &Finished) -> Value {
    finished.report()["verdict"]["outcome"].clone()
}

fn count(report: &Value, name: &str) -> u64 {
    report["totals"][name].as_u64().unwrap_or_else(|| panic!("{name} in {report}"))
}

/// Settings of a login line, which no run would choose.
fn make_settings_odd(port: &str) -> String {
    let words = ["-F", port, "2400", "icrnl", "ixon", "opost", "isig", "icanon"];
    assert!(Command::new("stty").args(words).status().expect("stty").success());
    settings(port)
}

/// Runs a check through a plug with these faults. Each count of the report, named on the left of a pair, is the plug's
/// on its right or nothing.
fn compare_counts(faults: &str, pairs: &[(&str, &str)]) -> Value {
    let mut plug = PtyPlug::start(&format!("--seed 5 {faults}"));
    let words = if pairs.is_empty() { GOOD } else { SHORT };
    let finished = Program::new().check(&format!("{} {words} --no-confirm", plug.port()));
    let report = finished.report();
    let did = plug.end();
    assert_eq!(did["pending"], 0, "{did}");
    for (ours, theirs) in [("bytes_sent", "bytes_seen"), ("bytes_returned", "bytes_returned")] {
        assert_eq!(count(&report, ours), did[theirs].as_u64().unwrap(), "{ours}: {} plug {did}", report["totals"]);
    }
    for name in ["bytes_lost", "bytes_inserted", "bytes_damaged", "bit_errors"] {
        let expected = match pairs.iter().find(|(ours, _)| *ours == name) {
            Some((_, theirs)) => {
                let value = did[theirs].as_u64().unwrap();
                assert!(value > 0, "{theirs} never happened: {did}");
                value
            }
            None => 0,
        };
        assert_eq!(count(&report, name), expected, "{name}: {} plug {did}", report["totals"]);
    }
    report
}

#[test]
fn a_faultless_plug_passes() {
    let report = compare_counts("", &[]);
    assert_eq!(report["verdict"]["outcome"], "pass", "{}", report["verdict"]);
    assert_eq!(report["port"]["kind"], "serial");
}

#[test]
fn a_slow_plug_passes() {
    let report = compare_counts("--delay-us 3000", &[]);
    assert_eq!(report["verdict"]["outcome"], "pass", "{}", report["verdict"]);
}

#[test]
fn dropped_bytes_are_lost_bytes() {
    let report = compare_counts("--drop 1e-4", &[("bytes_lost", "bytes_dropped")]);
    assert_eq!(report["verdict"]["outcome"], "fault", "{}", report["verdict"]);
}

#[test]
fn bytes_dropped_in_a_row_are_lost_bytes() {
    let report = compare_counts("--drop 2e-5 --drop-run 40", &[("bytes_lost", "bytes_dropped")]);
    assert_eq!(report["verdict"]["outcome"], "fault", "{}", report["verdict"]);
}

#[test]
fn bytes_put_in_are_inserted_bytes() {
    let report = compare_counts("--insert 1e-4", &[("bytes_inserted", "bytes_inserted")]);
    assert_ne!(report["verdict"]["outcome"], "pass", "{}", report["verdict"]);
}

#[test]
fn flipped_bits_are_bit_errors() {
    let report =
        compare_counts("--flip-ratio 1e-5", &[("bytes_damaged", "bytes_damaged"), ("bit_errors", "bits_flipped")]);
    assert_eq!(report["verdict"]["outcome"], "fault", "{}", report["verdict"]);
}

#[test]
fn bursts_are_bit_errors() {
    // Bursts of some forty bits are as likely a byte lost and another put in; these are shorter.
    let faults = "--burst 1e-5:0.2:0.4";
    let report = compare_counts(faults, &[("bytes_damaged", "bytes_damaged"), ("bit_errors", "bits_flipped")]);
    assert_eq!(report["verdict"]["outcome"], "fault", "{}", report["verdict"]);
}

#[test]
fn a_pseudo_terminal_is_not_blamed_for_what_it_does_not_have() {
    let plug = PtyPlug::start("");
    let report = Program::new().check(&format!("{} {GOOD} --wiring de9", plug.port())).report();
    assert_eq!(report["verdict"]["outcome"], "pass", "{}", report["verdict"]);
    assert!(report["line_errors"].is_null(), "{}", report["line_errors"]);
}

/// Two loops that keep the processors busy, until dropped.
struct Load([Child; 2]);

impl Load {
    fn new() -> Self {
        Self([(); 2].map(|()| Command::new("sh").args(["-c", "while :; do :; done"]).spawn().expect("sh")))
    }
}

impl Drop for Load {
    fn drop(&mut self) {
        for child in &mut self.0 {
            let _ = child.kill();
            let _ = child.wait();
        }
    }
}

#[test]
fn a_loaded_host_is_no_fault() {
    let load = Load::new();
    let report = compare_counts("", &[]);
    drop(load);
    assert_ne!(report["verdict"]["outcome"], "fault", "{}", report["verdict"]);
}

#[test]
fn nothing_returned_never_passes() {
    let finds_nothing = |faults: &str| {
        let mut plug = PtyPlug::start(faults);
        let finished = Program::new().check(&format!("{} {SHORT}", plug.port()));
        let report = finished.report();
        assert_eq!(
            (finished.code, &report["verdict"]["outcome"]),
            (Some(3), &json!("undecided")),
            "{}",
            report["verdict"]
        );
        assert_eq!(report["verdict"]["location"], json!([]), "a plug left out looks the same");
        assert!(report["verdict"]["next"].as_str().unwrap().contains("a plug is fitted"), "{}", report["verdict"]);
        assert!(count(&report, "bytes_sent") > 0);
        assert_eq!(count(&report, "bytes_returned"), 0);
        assert_eq!(plug.end()["bytes_returned"], 0);
    };
    // Each run waits for bytes that never come; both wait at the same time.
    std::thread::scope(|scope| {
        for faults in ["--drop 1", "--outage 0:1000000000"] {
            scope.spawn(move || finds_nothing(faults));
        }
    });
}

#[test]
fn a_plug_that_stops_returning_in_mid_run_never_passes() {
    let mut plug = PtyPlug::start("");
    // Told of while data goes out; before that, each of the single bytes would be waited for.
    let running = Program::new()
        .start_until(&format!("check {} --profile soak --for 2s --seed 1 --json", plug.port()), "line-progress");
    plug.tell("set drop 1");
    let finished = running.finish();
    assert_ne!(outcome(&finished), "pass", "{}", finished.report()["verdict"]);
}

#[test]
fn a_line_that_goes_in_mid_run_ends_the_run_with_a_report() {
    let mut plug = PtyPlug::start("");
    let running = Program::new()
        .start_until(&format!("check {} --profile soak --for 60s --seed 1 --json", plug.port()), "line-step-started");
    plug.end();
    let finished = running.finish();
    let report = finished.report();
    assert_eq!((finished.code, &report["verdict"]["outcome"]), (Some(3), &json!("undecided")), "{}", report["verdict"]);
    assert_eq!(report["verdict"]["reasons"][0]["rule"], "port-gone", "{}", report["verdict"]);
}

#[test]
fn settings_are_as_before_after_a_run_and_after_signals() {
    let plug = PtyPlug::start("");
    let before = make_settings_odd(plug.port());
    let program = Program::new();
    let finished = program.check(&format!("{} {GOOD}", plug.port()));
    assert_eq!(outcome(&finished), "pass", "{}", finished.report()["verdict"]);
    assert_eq!(settings(plug.port()), before);
    for signal in [libc::SIGINT, libc::SIGTERM, libc::SIGHUP] {
        let long = format!("check {} --profile soak --for 60s --seed 1 --json", plug.port());
        // Another state directory, and with it a fresh file of events.
        let running = Program::new().start_until(&long, "line-step-started");
        assert_ne!(settings(plug.port()), before, "raw while the run goes on");
        running.signal(signal);
        let finished = running.finish();
        let report = finished.report();
        assert!(count(&report, "bytes_sent") > 0, "{report}");
        assert_eq!(settings(plug.port()), before, "after signal {signal}");
    }
}

#[test]
fn settings_left_by_a_killed_run_are_restored_by_the_next_start() {
    let plug = PtyPlug::start("");
    let before = make_settings_odd(plug.port());
    let program = Program::new();
    let long = format!("check {} --profile soak --for 60s --seed 1 --json", plug.port());
    let running = program.start_until(&long, "line-step-started");
    running.signal(libc::SIGKILL);
    running.finish();
    assert_ne!(settings(plug.port()), before, "a killed run puts nothing back");
    let finished = program.check(&format!("{} {GOOD}", plug.port()));
    assert!(finished.stderr.contains("left by a run that was cut off"), "{}", finished.stderr);
    assert!(finished.stderr.contains("(2400,8N1, not raw): restored"), "{}", finished.stderr);
    assert_eq!(outcome(&finished), "pass", "{}", finished.report()["verdict"]);
    assert_eq!(settings(plug.port()), before);
}

#[test]
fn a_second_run_is_refused_whatever_name_it_uses() {
    let plug = PtyPlug::start("");
    let (first, second) = (Program::new(), Program::new());
    let link = second.state().join("lock-gate");
    symlink(plug.port(), &link).unwrap();
    let long = format!("check {} --profile soak --for 60s --seed 1 --json", plug.port());
    let running = first.start_until(&long, "line-step-started");
    let finished = second.run(&format!("check {} {SHORT}", link.display()));
    assert_eq!(finished.code, Some(4), "{finished:?}");
    assert!(finished.stderr.contains("is under test already, by process"), "{}", finished.stderr);
    running.signal(libc::SIGINT);
    running.finish();
}

#[test]
fn a_line_that_a_process_has_open_is_refused_with_its_name_and_left_alone() {
    let mut plug = PtyPlug::start("");
    let before = make_settings_odd(plug.port());
    let line = OpenOptions::new().read(true).open(plug.port()).unwrap();
    let mut holder = Command::new("sleep").arg("600").stdin(Stdio::from(line)).spawn().unwrap();
    let finished = Program::new().check(&format!("{} {SHORT} --although-in-service", plug.port()));
    holder.kill().unwrap();
    holder.wait().unwrap();
    let report = finished.report();
    assert_eq!(
        (finished.code, &report["verdict"]["outcome"]),
        (Some(4), &json!("not-tested")),
        "{}",
        report["verdict"]
    );
    let text = report["verdict"]["reasons"][0]["text"].as_str().unwrap();
    assert!(text.contains(&format!("process {} (sleep) has {} open", holder.id(), plug.port())), "{text}");
    assert_eq!(settings(plug.port()), before);
    assert_eq!(plug.end()["bytes_seen"], 0);
}

#[test]
fn a_process_that_takes_bytes_in_mid_run_is_named_and_the_port_not_blamed() {
    let plug = PtyPlug::start("");
    let long = format!("check {} --profile soak --for 3s --seed 1 --json", plug.port());
    let running = Program::new().start_until(&long, "line-step-started");
    let line = OpenOptions::new().read(true).open(plug.port()).unwrap();
    let mut thief = Command::new("cat").stdin(Stdio::from(line)).stdout(Stdio::null()).spawn().unwrap();
    let finished = running.finish();
    thief.kill().unwrap();
    thief.wait().unwrap();
    let report = finished.report();
    // What was out when the run was ended counts neither as sent nor as lost.
    let balance = count(&report, "bytes_returned") + count(&report, "bytes_lost");
    assert_eq!(count(&report, "bytes_sent"), balance, "{}", report["totals"]);
    assert_eq!(
        (finished.code, &report["verdict"]["outcome"]),
        (Some(4), &json!("not-tested")),
        "{}",
        report["verdict"]
    );
    assert_eq!(report["stopped"], "taken-into-service");
    let text = report["verdict"]["reasons"][0]["text"].as_str().unwrap();
    assert!(text.contains("(cat) has"), "{text}");
}

#[test]
fn what_is_no_serial_line_is_wrong_usage() {
    for name in ["/dev/null", "/dev/ptmx", "/dev/no-such-line", "/etc"] {
        let finished = Program::new().check(name);
        assert_eq!(finished.code, Some(2), "{name}: {finished:?}");
        assert!(finished.stderr.contains(&format!("there is no port `{name}`")), "{}", finished.stderr);
    }
}

/// A case holds the line's lock itself while it asks whether a run could begin.
#[test]
fn a_case_is_led_on_a_line() {
    let mut plug = PtyPlug::start("--seed 5");
    let done = Program::new().run(&format!("isolate {} --cable S-1 --stage at-port --yes --json", plug.port()));
    plug.end();
    let stage = &done.report()["stages"][0];
    assert_eq!((&stage["name"], &stage["ended"]), (&json!("at-port"), &json!("done")), "{done:?}");
    assert_eq!(stage["result"]["showing"], "passes", "{stage}");
}
