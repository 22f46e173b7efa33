//! Changes on real virtual interfaces in a namespace of their own, and a run that is killed.

use std::{
    io::{BufRead, BufReader, Read},
    os::unix::process::ExitStatusExt,
    path::Path,
    process::{Command, Stdio},
};

use serde_json::Value;

use super::*;
use crate::{
    guard::{
        journal::{Journal, Outcome, recover},
        lock::PortLock,
    },
    ports::{
        changes::{self, Made, Setting, SettingError},
        ethernet::device::ethtool::{
            EthtoolError, Interface,
            link::{Duplex, LinkModes, LinkSetting},
            timestamp::Timestamping,
        },
    },
    testing,
};

type Changes = changes::Changes<EthernetRestorer>;

fn changes(directory: &Path) -> Changes {
    Changes::new(Journal::open(directory).unwrap(), EthernetRestorer::of_own_run())
}

fn make(
    changes: &mut Changes,
    interface: &Interface,
    wanted: &EthernetSetting,
) -> Result<Made, SettingError<EthtoolError>> {
    changes.make(&target(interface).unwrap(), interface, wanted)
}

fn wire() -> bool {
    testing::ip("link add quay1 type veth peer name quay2") && testing::ip("tuntap add quay3 mode tap")
}

fn feature(on: bool) -> EthernetSetting {
    EthernetSetting::Feature { name: "rx-gro".to_owned(), on }
}

fn forced(speed_mbps: u32) -> EthernetSetting {
    EthernetSetting::Link(LinkSetting::Forced { speed_mbps: Some(speed_mbps), duplex: Some(Duplex::Half) })
}

/// Every setting the test changes, on its interface.
fn settings() -> Vec<(&'static str, EthernetSetting)> {
    vec![
        ("quay1", EthernetSetting::Mtu(9000)),
        ("quay1", EthernetSetting::Up(true)),
        ("quay1", feature(true)),
        ("quay3", forced(100)),
        ("quay3", EthernetSetting::Mtu(4000)),
    ]
}

fn readings() -> Vec<EthernetSetting> {
    settings().iter().map(|(name, s)| s.now(&Interface::open(name).unwrap()).unwrap().unwrap()).collect()
}

fn change_all(directory: &Path) -> Changes {
    let mut changes = changes(directory);
    for (name, setting) in settings() {
        let interface = Interface::open(name).unwrap();
        assert_eq!(make(&mut changes, &interface, &setting).unwrap(), Made::Changed, "{name} {setting:?}");
    }
    assert_eq!(readings(), settings().into_iter().map(|(_, setting)| setting).collect::<Vec<_>>());
    changes
}

fn is_empty(directory: &Path) -> bool {
    std::fs::read_dir(directory).unwrap().next().is_none()
}

#[test]
fn a_setting_reads_back_from_the_journal() {
    let settings = [
        EthernetSetting::Up(true),
        EthernetSetting::Mtu(9000),
        forced(100),
        EthernetSetting::Link(LinkSetting::Negotiated { advertised: LinkModes::of(&[3, 6, 48]) }),
        feature(true),
        EthernetSetting::Timestamping(Timestamping::ALL),
    ];
    for setting in settings {
        assert_eq!(EthernetSetting::from_journal(&setting.name(), &setting.value()), Some(setting.clone()));
        assert_eq!(EthernetSetting::from_journal(&setting.name(), &Value::from("x")), None);
    }
    assert_eq!(EthernetSetting::from_journal("line.speed", &Value::from(9600)), None);
}

#[test]
fn changes_are_restored_when_told_and_when_dropped() {
    testing::in_namespace(|| {
        if !wire() {
            return;
        }
        let directory = tempfile::tempdir().unwrap();
        let before = readings();
        let recovered = change_all(directory.path()).restore();
        assert!(recovered.iter().all(|recovered| recovered.outcome == Outcome::Restored), "{recovered:?}");
        assert_eq!(readings(), before);
        let changes = change_all(directory.path());
        let path = directory.path().to_owned();
        let panicked = std::panic::catch_unwind(std::panic::AssertUnwindSafe(move || {
            let _changes = changes;
            assert!(is_empty(&path), "a panic in the middle of a run");
        }));
        assert!(panicked.is_err());
        assert_eq!(readings(), before);
        assert!(is_empty(directory.path()));
    });
}

#[test]
fn what_somebody_set_since_is_left_alone() {
    testing::in_namespace(|| {
        if !wire() {
            return;
        }
        let directory = tempfile::tempdir().unwrap();
        let mut changes = change_all(directory.path());
        assert!(testing::ip("link set quay1 mtu 3000"));
        let recovered = changes.restore();
        assert!(
            recovered.iter().any(|r| r.outcome == Outcome::ChangedSince { now: Value::from(3000) }),
            "{recovered:?}"
        );
        assert_eq!(Interface::open("quay1").unwrap().mtu().unwrap(), 3000);
    });
}

#[test]
fn what_needs_no_change_or_allows_none_is_not_noted() {
    testing::in_namespace(|| {
        if !wire() {
            return;
        }
        let directory = tempfile::tempdir().unwrap();
        let mut changes = changes(directory.path());
        let interface = Interface::open("quay1").unwrap();
        let rx_all = EthernetSetting::Feature { name: "rx-all".to_owned(), on: true };
        let table = [
            (EthernetSetting::Up(false), Made::AlreadySo),
            (rx_all, Made::Unsupported),
            (forced(100), Made::Unsupported),
            (EthernetSetting::Timestamping(Timestamping::ALL), Made::Unsupported),
        ];
        for (setting, made) in table {
            assert_eq!(make(&mut changes, &interface, &setting).unwrap(), made, "{setting:?}");
        }
        assert!(matches!(make(&mut changes, &interface, &EthernetSetting::Mtu(10)), Err(SettingError::Device(_))));
        assert!(is_empty(directory.path()), "nothing changed, nothing noted");
    });
}

#[test]
fn a_change_that_cannot_be_noted_is_not_made() {
    testing::in_namespace(|| {
        if !wire() {
            return;
        }
        let directory = tempfile::tempdir().unwrap();
        let path = directory.path().join("restore");
        let mut changes = changes(&path);
        std::fs::remove_dir(&path).unwrap();
        let interface = Interface::open("quay1").unwrap();
        assert!(matches!(make(&mut changes, &interface, &EthernetSetting::Mtu(9000)), Err(SettingError::Journal(_))));
        assert_eq!(interface.mtu().unwrap(), 1500);
    });
}

/// Plays both parts: called with the variable set it is the run that is killed.
#[test]
fn a_killed_run_is_restored_at_the_next_start() {
    const PART: &str = "TURNBACK_TEST_KILLED_RUN_DIRECTORY";
    if let Some(directory) = std::env::var_os(PART) {
        let _changes = change_all(Path::new(&directory));
        println!("changed");
        // Waits to be killed; if the test dies first, the end of the input ends this too.
        let _ = std::io::stdin().read(&mut [0]);
        panic!("the run was not killed");
    }
    testing::in_namespace(|| {
        if !wire() {
            return;
        }
        let directory = tempfile::tempdir().unwrap();
        let before = readings();
        let name = std::thread::current().name().map_or_else(String::new, str::to_owned);
        assert_ne!(name, "main");
        let mut run = Command::new(std::env::current_exe().unwrap())
            .args([
                "--exact",
                "ports::ethernet::settings::tests::a_killed_run_is_restored_at_the_next_start",
                "--nocapture",
            ])
            .env(PART, directory.path())
            .stdin(Stdio::piped())
            .stdout(Stdio::piped())
            .spawn()
            .unwrap();
        let mut lines = BufReader::new(run.stdout.take().unwrap()).lines();
        assert!(lines.any(|line| line.unwrap().ends_with("changed")), "the run made its changes");
        let mut settings = EthernetRestorer::for_recovery();
        assert!(recover(directory.path(), &mut settings).unwrap().changes.is_empty(), "it lives");
        run.kill().unwrap();
        assert_eq!(run.wait().unwrap().signal(), Some(libc::SIGKILL));
        assert_ne!(readings(), before, "nobody has put anything back");

        let other_run = PortLock::interface("quay1", Interface::open("quay1").unwrap().index().unwrap()).unwrap();
        let recovery = recover(directory.path(), &mut settings).unwrap();
        let busy = recovery.changes.iter().filter(|r| matches!(r.outcome, Outcome::Busy(_))).count();
        assert_eq!((busy, recovery.changes.len()), (3, 5), "a port under test is left for later: {recovery:?}");
        drop(other_run);
        // A rename keeps the interface what it is.
        assert!(testing::ip("link set quay1 down") && testing::ip("link set quay1 name quay9"));
        assert!(testing::ip("link set quay9 up"));
        let recovery = recover(directory.path(), &mut settings).unwrap();
        assert!(recovery.changes.iter().all(|r| r.outcome == Outcome::Restored), "{recovery:?}");
        assert_eq!(recovery.changes.len(), 3);
        assert!(testing::ip("link set quay9 name quay1"));
        assert_eq!(readings(), before);
        assert!(is_empty(directory.path()));
    });
}

#[test]
fn a_port_of_another_namespace_or_a_new_one_of_the_same_name_is_left_alone() {
    testing::in_namespace(|| {
        if !wire() {
            return;
        }
        let directory = tempfile::tempdir().unwrap();
        // A run that dies without a word: its changes are forgotten, its lock goes.
        change_all(directory.path()).abandon();
        let path = directory.path().to_owned();
        let elsewhere = testing::in_namespace(move || {
            let recovery = recover(&path, &mut EthernetRestorer::for_recovery()).unwrap();
            recovery.changes.iter().filter(|r| r.outcome == Outcome::Elsewhere).count()
        });
        assert_eq!(elsewhere, Some(5));
        assert!(testing::ip("link delete quay1") && testing::ip("link delete quay3"));
        assert!(testing::ip("link add quay1 mtu 9000 type veth peer name quay2"));
        let recovery = recover(directory.path(), &mut EthernetRestorer::for_recovery()).unwrap();
        let count = |outcome: Outcome| recovery.changes.iter().filter(|r| r.outcome == outcome).count();
        assert_eq!((count(Outcome::Replaced), count(Outcome::Gone)), (3, 2), "{recovery:?}");
        assert_eq!(Interface::open("quay1").unwrap().mtu().unwrap(), 9000);
    });
}

#[test]
fn what_is_made_as_it_was_leaves_nothing_to_restore() {
    testing::in_namespace(|| {
        if !wire() {
            return;
        }
        let directory = tempfile::tempdir().unwrap();
        let mut changes = changes(directory.path());
        let (near, far) = (Interface::open("quay1").unwrap(), Interface::open("quay2").unwrap());
        let was = EthernetSetting::Mtu(0).now(&near).unwrap().unwrap();
        assert_eq!(make(&mut changes, &near, &EthernetSetting::Mtu(9000)).unwrap(), Made::Changed);
        // The same wish on another interface undoes nothing of this one's.
        assert_eq!(make(&mut changes, &far, &EthernetSetting::Mtu(4000)).unwrap(), Made::Changed);
        let Made::Restored(recovered) = make(&mut changes, &near, &was).unwrap() else {
            panic!("undone by a further change")
        };
        assert_eq!(recovered.outcome, Outcome::Restored);
        assert_eq!(was.now(&near).unwrap().unwrap(), was);
        let left = changes.restore();
        assert_eq!(left.len(), 1, "{left:?}");
        assert!(is_empty(directory.path()));
    });
}
