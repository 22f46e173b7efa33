//! What somebody on this host does to a port while it is tested: a healthy port is never blamed for it, and what the
//! run changed is restored all the same.

use std::fs;
use std::sync::atomic::{AtomicBool, Ordering};

use serde_json::{Value, json};
use turnback::ports::ethernet::device::netlink::arrivals::Arrivals;

use crate::harness::netns::{add_cable, fit_plug, in_fresh_namespace, run};
use crate::harness::program::{Finished, Program};

const SOAK: &str = "check near --profile soak --for 10s --rate 1000 --seed 1 --json";

/// Starts a long run on a healthy virtual cable, lets `meddle` do its work in the middle of it, and gives what came of
/// it.
fn meddled(meddle: impl FnOnce() + Send) -> Option<Finished> {
    meddled_with(SOAK, meddle)
}

fn meddled_with(command: &str, meddle: impl FnOnce() + Send) -> Option<Finished> {
    in_fresh_namespace(|| {
        add_cable(1500);
        fit_plug();
        let program = Program::new();
        let running = program.start_until(command, "step-started");
        meddle();
        let finished = running.finish();
        assert_eq!(
            fs::read_dir(program.state().join("restore")).map_or(0, Iterator::count),
            0,
            "nothing left to restore"
        );
        finished
    })
}

fn verdict(finished: &Finished) -> (Value, Value, Option<i32>) {
    let report = finished.report();
    (report["stopped"].clone(), report["verdict"]["outcome"].clone(), finished.code)
}

fn first_reason(finished: &Finished) -> String {
    finished.report()["verdict"]["reasons"][0].to_string()
}

#[test]
fn a_port_that_gets_an_address_is_taken_into_service() {
    // A documentation address (RFC 5737).
    let Some(finished) = meddled(|| run("ip addr add 192.0.2.1/24 dev near")) else { return };
    assert_eq!(verdict(&finished), (json!("taken-into-service"), json!("not-tested"), Some(4)));
    assert!(first_reason(&finished).contains("192.0.2.1"), "{}", first_reason(&finished));
}

#[test]
fn a_port_that_gets_a_master_is_taken_into_service() {
    let taken = meddled(|| {
        run("ip link add yard type bridge");
        run("ip link set near master yard");
    });
    let Some(finished) = taken else { return };
    assert_eq!(verdict(&finished), (json!("taken-into-service"), json!("not-tested"), Some(4)));
    assert!(first_reason(&finished).contains("yard"), "{}", first_reason(&finished));
}

#[test]
fn a_port_that_gets_a_route_is_taken_into_service() {
    let Some(finished) = meddled(|| run("ip route add 198.51.100.0/24 dev near")) else { return };
    assert_eq!(verdict(&finished), (json!("taken-into-service"), json!("not-tested"), Some(4)));
}

#[test]
fn a_port_switched_off_and_on_by_the_host_is_not_a_link_that_flaps() {
    let switched = meddled(|| {
        for _ in 0..3 {
            run("ip link set near down");
            run("ip link set near up");
        }
    });
    let Some(finished) = switched else { return };
    assert_eq!(verdict(&finished), (json!("reconfigured"), json!("undecided"), Some(3)));
}

/// The far end's driver takes the carrier away, as a pulled plug does: nothing sent is missing, since nothing leaves.
/// Steps and slices are shorter than the time after which a link counts as lost.
#[test]
fn a_link_that_goes_down_in_mid_run_and_stays_down_never_passes() {
    for length in ["--profile soak --for 1m", "--profile soak --for 3s", "--sizes 64,1518 --for 2s"] {
        let command = format!("check near {length} --rate 1000 --seed 1 --target-ber 1e-4 --json");
        let Some(finished) = meddled_with(&command, || run("ip link set far down")) else { return };
        assert_eq!(verdict(&finished), (json!("link-lost"), json!("undecided"), Some(3)), "{length}");
    }
}

#[test]
fn a_port_switched_off_for_good_by_the_host_is_not_blamed() {
    let Some(finished) = meddled(|| run("ip link set near down")) else { return };
    assert_eq!(verdict(&finished), (json!("reconfigured"), json!("undecided"), Some(3)));
}

#[test]
fn a_port_that_gets_another_mtu_or_address_is_not_blamed() {
    for command in ["ip link set near mtu 600", "ip link set near address 02:00:00:00:00:99"] {
        let Some(finished) = meddled(|| run(command)) else { return };
        assert_eq!(verdict(&finished), (json!("reconfigured"), json!("undecided"), Some(3)), "{command}");
    }
}

#[test]
fn a_port_set_in_promiscuous_mode_and_listened_to_by_others_passes() {
    in_fresh_namespace(|| {
        add_cable(1500);
        fit_plug();
        run("ip link set near promisc on");
        // A queue discipline that lets hardly anything through: probes go past it.
        run("tc qdisc add dev near root tbf rate 8kbit burst 1600 limit 3000");
        let finished = Program::new().check("near --rate 3000 --for 1s --seed 1 --target-ber 1e-6");
        assert_eq!((finished.code, first_reason(&finished).contains("limit-proved")), (Some(0), true), "{finished:?}");
    });
}

#[test]
fn a_healthy_port_of_a_loaded_host_is_not_blamed() {
    in_fresh_namespace(|| {
        add_cable(1500);
        fit_plug();
        let done = AtomicBool::new(false);
        std::thread::scope(|scope| {
            let cores = std::thread::available_parallelism().map_or(2, usize::from);
            for _ in 0..2 * cores {
                scope.spawn(|| {
                    while !done.load(Ordering::Relaxed) {
                        std::hint::spin_loop();
                    }
                });
            }
            let finished = Program::new().check("near --for 2s --seed 1");
            done.store(true, Ordering::Relaxed);
            finished.report_of_a_healthy_line();
        });
    });
}

/// The kernel tells at once that an interface came or went, and what happens to one that stays is no such news.
#[test]
fn an_interface_that_comes_or_goes_is_heard_at_once() {
    in_fresh_namespace(|| {
        let mut arrivals = Arrivals::open().expect("notices need no rights");
        run("ip link add quay0 type veth peer name quay1");
        arrivals.wait().expect("quay1 came");
        arrivals.wait().expect("quay0 came");
        let (told, heard) = std::sync::mpsc::channel();
        std::thread::scope(|scope| {
            let listens = scope.spawn(move || {
                let changes = arrivals.wait().map(|()| fs::read_to_string("/proc/thread-self/net/dev"));
                told.send(changes.expect("notices").expect("a list").contains("quay0")).expect("somebody listens");
            });
            run("ip link set quay0 up");
            run("ip link set quay0 mtu 1400");
            run("ip link del quay0");
            assert!(!heard.recv().expect("it listens"), "woken by a change, before quay0 was gone");
            listens.join().expect("it heard");
        });
    });
}
