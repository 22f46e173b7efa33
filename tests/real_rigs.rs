//! The real program on a virtual cable with a plug in the kernel: what it finds, what it refuses, and how it ends.

use std::fs;
use std::process::Command;

use serde_json::{Value, json};

use crate::harness::netns::{add_cable, fit_plug, in_fresh_namespace, run, switch_ipv6};
use crate::harness::program::{Finished, Program};

/// Slow enough for a loaded machine, and few enough frames for a short test.
const GENTLE: &str = "--rate 3000 --for 1s --seed 1";
/// So many bits prove this in a second.
const PROVABLE: &str = "--target-ber 1e-6";

/// The text that `command` prints.
fn say(command: &str) -> String {
    let mut words = command.split_whitespace();
    let output = Command::new(words.next().unwrap()).args(words).output().unwrap();
    String::from_utf8(output.stdout).unwrap()
}

fn is_up(interface: &str) -> bool {
    let flags = say(&format!("ip -o link show dev {interface}"));
    assert!(flags.contains(interface), "{flags}");
    flags.contains(",UP") || flags.contains("<UP")
}

fn take_plug_off() {
    run("tc filter del dev far ingress");
}

fn outcome(finished: &Finished) -> Value {
    finished.report()["verdict"]["outcome"].clone()
}

fn count(report: &Value, name: &str) -> u64 {
    report["totals"][name].as_u64().unwrap_or_else(|| panic!("{name} in {report}"))
}

/// A loaded machine may lose some inside itself; on the wire of these rigs none is lost.
fn lost_inside(report: &Value) -> u64 {
    ["frames_lost_in_host", "frames_never_left", "frames_late"].map(|class| count(report, class)).iter().sum()
}

#[test]
fn a_kernel_plug_passes_without_loss() {
    in_fresh_namespace(|| {
        add_cable(1500);
        fit_plug();
        let finished = Program::new().check(&format!("near {GENTLE} {PROVABLE}"));
        let report = finished.report();
        assert_eq!((finished.code, &report["verdict"]["outcome"]), (Some(0), &json!("pass")), "{}", report["verdict"]);
        assert!(count(&report, "frames_sent") > 0);
        let inside = lost_inside(&report);
        assert_eq!(count(&report, "frames_returned") + inside, count(&report, "frames_sent"), "{}", report["totals"]);
        assert_eq!(count(&report, "frames_lost"), inside, "{}", report["totals"]);
        for name in ["frames_damaged", "frames_duplicated", "frames_reordered", "bit_errors"] {
            assert_eq!(count(&report, name), 0, "{name}");
        }
        assert_eq!(report["steps"].as_array().unwrap().len(), 3);
        assert_eq!(report["port"]["kind"], "ethernet");
    });
}

#[test]
fn a_kernel_plug_at_full_speed_is_no_fault() {
    in_fresh_namespace(|| {
        add_cable(1500);
        fit_plug();
        let report = Program::new().check("near --for 1s --seed 1").report_of_a_healthy_line();
        let sizes: Vec<_> = report["steps"].as_array().unwrap().iter().map(|step| &step["size_bytes"]).collect();
        assert!([64, 512, 1518].iter().all(|size| sizes.contains(&&json!(size))), "{sizes:?}");
    });
}

#[test]
fn no_plug_never_passes() {
    in_fresh_namespace(|| {
        add_cable(1500);
        fit_plug();
        take_plug_off();
        let finished = Program::new().check(&format!("near {GENTLE} {PROVABLE}"));
        let report = finished.report();
        // A virtual cable has no plug-or-port to tell apart, and its link is up whatever is at the far end.
        assert_eq!(
            (finished.code, &report["verdict"]["outcome"]),
            (Some(3), &json!("undecided")),
            "{}",
            report["verdict"]
        );
        assert_eq!(count(&report, "frames_returned"), 0);
        assert!(count(&report, "frames_sent") > 0);
        assert!(report["verdict"]["next"].as_str().unwrap().contains("plug"), "{}", report["verdict"]);
    });
}

#[test]
fn a_plug_pulled_in_mid_run_never_passes() {
    in_fresh_namespace(|| {
        add_cable(1500);
        fit_plug();
        let running = Program::new()
            .start_until("check near --profile soak --for 3s --rate 1000 --seed 1 --json", "step-started");
        take_plug_off();
        let finished = running.finish();
        let report = finished.report();
        assert_ne!(report["verdict"]["outcome"], "pass", "{}", report["verdict"]);
        assert!(count(&report, "frames_lost") > 0);
    });
}

#[test]
fn an_interface_with_an_address_is_refused_and_left_alone() {
    in_fresh_namespace(|| {
        add_cable(1500);
        fit_plug();
        // A documentation address (RFC 5737).
        run("ip addr add 192.0.2.1/24 dev near");
        let sent_before = say("cat /sys/class/net/near/statistics/tx_packets");
        let finished = Program::new().check("near");
        let report = finished.report();
        assert_eq!((finished.code, &report["verdict"]["outcome"]), (Some(4), &json!("not-tested")));
        let text = report["verdict"]["reasons"][0]["text"].as_str().unwrap();
        assert!(text.contains("192.0.2.1"), "{text}");
        assert_eq!(count(&report, "frames_sent"), 0);
        assert_eq!(say("cat /sys/class/net/near/statistics/tx_packets"), sent_before);
        assert!(say("ip -o -4 addr show dev near").contains("192.0.2.1"));
    });
}

#[test]
fn an_override_tests_an_interface_in_service() {
    in_fresh_namespace(|| {
        add_cable(1500);
        fit_plug();
        run("ip addr add 192.0.2.1/24 dev near");
        let finished = Program::new().check(&format!("near --although-in-service {GENTLE} {PROVABLE}"));
        assert_eq!(outcome(&finished), "pass", "{}", finished.report()["verdict"]);
        // But never the interface that carries the default route.
        run("ip route add default via 192.0.2.2 dev near");
        let finished = Program::new().check(&format!("near --although-in-service {GENTLE} {PROVABLE}"));
        assert_eq!(finished.code, Some(4), "{finished:?}");
    });
}

#[test]
fn ipv6_link_local_alone_is_not_service() {
    in_fresh_namespace(|| {
        add_cable(1500);
        fit_plug();
        switch_ipv6("near", true);
        run("ip -6 addr replace fe80::51/64 dev near nodad");
        assert!(say("ip -o -6 addr show dev near").contains("fe80::51"));
        let finished = Program::new().check(&format!("near {GENTLE} {PROVABLE}"));
        let report = finished.report();
        assert_eq!((finished.code, &report["verdict"]["outcome"]), (Some(0), &json!("pass")), "{}", report["verdict"]);
        // What the kernel says on its own behalf comes back through the plug, and is ours.
        assert_eq!(report["detail"]["heard"]["foreign_during"], 0, "{}", report["detail"]["heard"]);
        // Any other IPv6 address is (a documentation address, RFC 3849).
        run("ip -6 addr add 2001:db8::51/64 dev near nodad");
        assert_eq!(Program::new().check("near").code, Some(4));
    });
}

#[test]
fn a_missing_interface_is_wrong_use() {
    in_fresh_namespace(|| {
        add_cable(1500);
        let finished = Program::new().run("check quay7");
        assert_eq!(finished.code, Some(2), "{finished:?}");
        for word in ["quay7", "near", "far"] {
            assert!(finished.stderr.contains(word), "{}", finished.stderr);
        }
        assert!(finished.stdout.is_empty());
    });
}

#[test]
fn a_second_run_at_the_same_time_is_refused() {
    in_fresh_namespace(|| {
        add_cable(1500);
        fit_plug();
        let program = Program::new();
        let first = program.start_until("check near --profile soak --for 1m --rate 1000 --json", "step-started");
        let second = program.run("check near");
        assert_eq!(second.code, Some(4), "{second:?}");
        assert!(second.stderr.contains("near"), "{}", second.stderr);
        let told = program.check("near");
        let verdict = &told.report()["verdict"];
        assert_eq!((told.code, &verdict["outcome"]), (Some(4), &json!("not-tested")), "{told:?}");
        assert_eq!(verdict["reasons"][0]["rule"], "refused");
        assert!(verdict["reasons"][0]["text"].as_str().unwrap().contains("under test already"), "{verdict}");
        first.signal(libc::SIGINT);
        assert_eq!(count(&first.finish().report(), "frames_lost"), 0);
        // The lock went with its holder.
        assert_eq!(outcome(&program.check(&format!("near {GENTLE} {PROVABLE}"))), "pass");
    });
}

#[test]
fn a_signal_ends_the_run_with_a_report() {
    in_fresh_namespace(|| {
        add_cable(1500);
        fit_plug();
        for signal in [libc::SIGINT, libc::SIGTERM, libc::SIGHUP] {
            let program = Program::new();
            let running = program.start_until("check near --profile soak --for 1h --rate 1000 --json", "step-started");
            running.signal(signal);
            let finished = running.finish();
            let report = finished.report();
            assert_eq!(report["stopped"], "by-user", "signal {signal}");
            assert!(matches!(finished.code, Some(0 | 3)), "signal {signal}: {finished:?}");
            assert_eq!(
                count(&report, "frames_sent"),
                count(&report, "frames_returned") + count(&report, "frames_lost")
            );
            assert_eq!(count(&report, "frames_lost"), lost_inside(&report), "signal {signal}: {}", report["totals"]);
        }
    });
}

#[test]
fn an_interface_that_vanishes_ends_the_run_with_a_report() {
    in_fresh_namespace(|| {
        add_cable(1500);
        fit_plug();
        let running =
            Program::new().start_until("check near --profile soak --for 1h --rate 1000 --json", "step-started");
        run("ip link del near");
        let finished = running.finish();
        let report = finished.report();
        assert_eq!(report["stopped"], "port-gone", "{}", report["verdict"]);
        assert!(!matches!(report["verdict"]["outcome"].as_str(), Some("pass" | "fault")), "{}", report["verdict"]);
    });
}

#[test]
fn a_cable_between_two_ports_is_counted_in_each_direction() {
    in_fresh_namespace(|| {
        add_cable(1500);
        let finished = Program::new().check(&format!("near --return-port far {GENTLE} {PROVABLE}"));
        let report = finished.report();
        assert_eq!((finished.code, &report["verdict"]["outcome"]), (Some(0), &json!("pass")), "{}", report["verdict"]);
        assert_eq!((&report["placement"], &report["return_port"]["name"]), (&json!("return-port"), &json!("far")));
        let steps = report["steps"].as_array().unwrap();
        for direction in ["near to far", "far to near"] {
            let of: Vec<_> = steps.iter().filter(|step| step["direction"] == direction).collect();
            assert_eq!(of.len(), 3, "{direction}");
            for step in of {
                assert!(step["frames_sent"].as_u64().unwrap() > 0);
                assert_eq!(step["frames_returned"], step["frames_sent"], "{direction}");
            }
        }
        assert_eq!(count(&report, "frames_returned"), count(&report, "frames_sent"));
    });
}

#[test]
fn jumbo_frames_come_back_uncut() {
    in_fresh_namespace(|| {
        add_cable(9000);
        fit_plug();
        // MTU 9000 and the header of 14 and the check sequence of 4 (IEEE Std 802.3, 3.1.1).
        let finished = Program::new().check(&format!("near --sizes 9018 {GENTLE} {PROVABLE}"));
        let report = finished.report();
        assert_eq!((finished.code, &report["verdict"]["outcome"]), (Some(0), &json!("pass")), "{}", report["verdict"]);
        assert_eq!(report["steps"][0]["size_bytes"], 9018);
        assert_eq!((count(&report, "frames_truncated"), count(&report, "frames_lost")), (0, 0));
        assert_eq!(Program::new().run("check near --sizes 9019").code, Some(2));
    });
}

#[test]
fn what_a_run_changes_is_restored_at_its_end() {
    in_fresh_namespace(|| {
        add_cable(1500);
        fit_plug();
        run("ip link set near down");
        let program = Program::new();
        let finished = program.check(&format!("near {GENTLE} {PROVABLE}"));
        assert_eq!(outcome(&finished), "pass", "{}", finished.report()["verdict"]);
        assert!(!is_up("near"));
        assert_eq!(finished.report()["settings_changed"].as_array().unwrap().len(), 1);
        assert_eq!(fs::read_dir(program.state().join("restore")).map_or(0, Iterator::count), 0);
    });
}

#[test]
fn sizes_beyond_the_mtu_are_refused_before_anything_is_changed() {
    in_fresh_namespace(|| {
        add_cable(1500);
        fit_plug();
        run("ip link set near down");
        let program = Program::new();
        let events = program.state().join("events.jsonl");
        let refused = program.run(&format!("check near --sizes 9000 --events {}", events.display()));
        assert_eq!(refused.code, Some(2), "{refused:?}");
        assert!(!fs::read_to_string(&events).unwrap().contains("setting-changed"));
        // The same without the wish is told, so the silence above says something.
        program.run(&format!("check near {GENTLE} --events {}", events.display()));
        assert!(fs::read_to_string(&events).unwrap().contains(r#""port":"near","setting":{"up":true}"#));
    });
}

#[test]
fn a_device_that_is_no_ethernet_port_is_called_just_that() {
    in_fresh_namespace(|| {
        let finished = Program::new().check("lo");
        let verdict = &finished.report()["verdict"];
        assert_eq!((finished.code, &verdict["outcome"]), (Some(4), &json!("not-tested")), "{finished:?}");
        let text = verdict["reasons"][0]["text"].as_str().unwrap();
        assert!(text.contains("lo is not an Ethernet port") && !text.contains("in service"), "{text}");
    });
}

#[test]
fn missing_rights_are_named_and_still_give_a_document() {
    in_fresh_namespace(|| {
        add_cable(1500);
        fit_plug();
        for (state, right) in [("up", "CAP_NET_RAW"), ("down", "CAP_NET_ADMIN")] {
            run(&format!("ip link set near {state}"));
            let finished = Program::new().without_rights("check near --json");
            let verdict = &finished.report()["verdict"];
            assert_eq!((finished.code, &verdict["outcome"]), (Some(4), &json!("not-tested")), "{finished:?}");
            let text = verdict["reasons"][0]["text"].as_str().unwrap();
            assert!(text.contains(right) && text.contains("near"), "{text}");
            assert!(verdict["next"].as_str().unwrap().contains("setcap"), "{verdict}");
            assert!(finished.stderr.contains(right), "{}", finished.stderr);
        }
        assert!(!is_up("near"));
    });
}

#[test]
fn what_a_killed_run_changed_is_restored_at_the_next_start() {
    in_fresh_namespace(|| {
        add_cable(1500);
        fit_plug();
        run("ip link set near down");
        let program = Program::new();
        let running = program.start_until("check near --profile soak --for 1h --rate 1000 --json", "step-started");
        assert!(is_up("near"));
        running.signal(libc::SIGKILL);
        assert_eq!(running.finish().code, None);
        assert!(is_up("near"));
        // Any start does it, also one that then has nothing to test.
        let next = program.run("check quay7");
        assert_eq!(next.code, Some(2));
        assert!(next.stderr.contains("near"), "{}", next.stderr);
        assert!(!is_up("near"));
        assert_eq!(fs::read_dir(program.state().join("restore")).map_or(0, Iterator::count), 0);
    });
}

#[test]
fn ports_says_which_can_be_tested() {
    in_fresh_namespace(|| {
        add_cable(1500);
        run("ip addr add 192.0.2.1/24 dev near");
        let ports = Program::new().run("ports --json").report();
        let port = |name: &str| {
            let found = ports.as_array().unwrap().iter().find(|port| port["name"] == name);
            found.unwrap_or_else(|| panic!("no {name} in {ports}")).clone()
        };
        assert_eq!((&port("near")["testable"], &port("far")["testable"]), (&json!(false), &json!(true)));
        assert!(port("near")["why_not"].to_string().contains("192.0.2.1"));
    });
}
