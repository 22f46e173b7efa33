//! Settings on pseudo-terminals, which every machine has. Drivers with more to set are met in `scripts/guest`.

use std::{
    fs::{self, File},
    path::Path,
};

use serde_json::Value;
use tempfile::TempDir;
use turnback_core::kind::serial::format::{LineFormat, ModemOutputs};

use super::*;
use crate::{
    guard::journal::{Journal, Outcome, Recovered, Recovery, Target, recover},
    ports::{
        changes::{Changes, Made, Setting, SettingError},
        serial::{
            device::Device,
            sys::{self, Rs485},
            termios::{Marking, Termios},
        },
    },
};

fn told(recovered: &Recovered) -> String {
    crate::ports::changes::told::<SerialSetting>(recovered)
}

type Answer = Result<Made, SettingError<std::io::Error>>;

/// A pseudo-terminal in the settings a fresh one has, its other end, and a journal.
struct Bench {
    _other_end: File,
    device: Device,
    line: File,
    directory: TempDir,
}

impl Bench {
    fn new() -> Self {
        let (other_end, path) = sys::pseudo_terminal();
        let device = Device::find(&path.to_string_lossy()).unwrap();
        let line = sys::open(&device.path).unwrap();
        let cooked = Termios {
            input: libc::ICRNL | libc::IXON,
            output: libc::OPOST,
            control: libc::B2400 | libc::CS8 | libc::CREAD | libc::HUPCL,
            local: libc::ICANON | libc::ISIG,
            input_speed: 2400,
            output_speed: 2400,
            ..sys::settings(&line).unwrap()
        };
        sys::set_settings(&line, &cooked).unwrap();
        let directory = tempfile::tempdir().unwrap();
        Self { _other_end: other_end, device, line, directory }
    }

    fn changes(&self) -> Changes<SerialRestorer> {
        self.changes_noted_in(self.directory.path())
    }

    fn changes_noted_in(&self, notes: &Path) -> Changes<SerialRestorer> {
        let own = SerialRestorer::of_own_run(self.line.try_clone().unwrap());
        Changes::new(Journal::open(notes).unwrap(), own)
    }

    fn make(&self, changes: &mut Changes<SerialRestorer>, wanted: &SerialSetting) -> Answer {
        changes.make(&target(&self.device), &self.line, wanted)
    }

    fn now(&self) -> Termios {
        sys::settings(&self.line).unwrap()
    }

    fn wanted(&self, speed: u32) -> SerialSetting {
        let format = LineFormat { bits_per_second: speed, ..LineFormat::default() };
        SerialSetting::Format(self.now().raw(format, Marking::Off))
    }

    /// What the next start finds after this process was killed: the journal as it is now, in a folder nobody holds
    /// locked.
    fn recover_elsewhere(&self) -> (Recovery, usize) {
        let after = tempfile::tempdir().unwrap();
        for file in fs::read_dir(self.directory.path()).unwrap().flatten() {
            fs::copy(file.path(), after.path().join(file.file_name())).unwrap();
        }
        let recovery = recover(after.path(), &mut SerialRestorer::for_recovery()).unwrap();
        let left = fs::read_dir(after.path()).unwrap().count();
        (recovery, left)
    }
}

#[test]
fn settings_are_restored_after_many_changes() {
    let bench = Bench::new();
    let before = bench.now();
    let mut changes = bench.changes();
    for speed in [9600, 115_200, 31_250] {
        assert_eq!(bench.make(&mut changes, &bench.wanted(speed)).unwrap(), Made::Changed);
        assert!(bench.now().is_raw() && bench.now().output_speed == speed, "{speed}: {:?}", bench.now());
    }
    assert_eq!(bench.make(&mut changes, &bench.wanted(31_250)).unwrap(), Made::AlreadySo);
    let recovered = changes.restore();
    assert_eq!(recovered.len(), 1, "one note for all of them");
    assert_eq!(recovered[0].outcome, Outcome::Restored);
    assert!(told(&recovered[0]).ends_with("(2400,8N1, not raw): restored"), "{}", told(&recovered[0]));
    assert!(bench.now().same_as(&before), "{:?} is not {before:?}", bench.now());
    assert_eq!(fs::read_dir(bench.directory.path()).unwrap().count(), 0);
}

#[test]
fn a_value_that_is_as_before_again_needs_no_note() {
    let bench = Bench::new();
    let before = bench.now();
    let mut changes = bench.changes();
    assert_eq!(bench.make(&mut changes, &bench.wanted(9600)).unwrap(), Made::Changed);
    let back = bench.make(&mut changes, &SerialSetting::Format(before)).unwrap();
    assert!(matches!(back, Made::Restored(_)), "{back:?}");
    assert_eq!(fs::read_dir(bench.directory.path()).unwrap().count(), 0);
    assert_eq!(bench.make(&mut changes, &bench.wanted(300)).unwrap(), Made::Changed);
    assert_eq!(changes.restore().len(), 1);
    assert!(bench.now().same_as(&before));
}

#[test]
fn dropping_the_changes_puts_them_back() {
    let bench = Bench::new();
    let before = bench.now();
    let mut changes = bench.changes();
    assert_eq!(bench.make(&mut changes, &bench.wanted(9600)).unwrap(), Made::Changed);
    drop(changes);
    assert!(bench.now().same_as(&before));
}

#[test]
fn after_a_kill_the_next_start_finds_each_value_that_was_ours() {
    let bench = Bench::new();
    let before = bench.now();
    let mut changes = bench.changes();
    for speed in [9600, 19_200] {
        let was = bench.now();
        assert_eq!(bench.make(&mut changes, &bench.wanted(speed)).unwrap(), Made::Changed);
        let set = bench.now();
        // Killed after the note and before the change, or after the change.
        for at_kill in [was, set] {
            sys::set_settings(&bench.line, &at_kill).unwrap();
            let (recovery, left) = bench.recover_elsewhere();
            let outcome = &recovery.changes[0].outcome;
            assert!(matches!(outcome, Outcome::Restored | Outcome::Unchanged), "{speed}: {outcome:?}");
            assert_eq!(left, 0);
            assert!(bench.now().same_as(&before));
        }
        sys::set_settings(&bench.line, &set).unwrap();
    }
}

#[test]
fn what_somebody_changed_since_is_left_alone() {
    let bench = Bench::new();
    let mut changes = bench.changes();
    assert_eq!(bench.make(&mut changes, &bench.wanted(9600)).unwrap(), Made::Changed);
    let theirs = Termios { output_speed: 300, input_speed: 300, ..bench.now() };
    sys::set_settings(&bench.line, &theirs).unwrap();
    let (recovery, left) = bench.recover_elsewhere();
    assert!(matches!(recovery.changes[0].outcome, Outcome::ChangedSince { .. }), "{recovery:?}");
    assert!(told(&recovery.changes[0]).contains("somebody changed it since"));
    assert_eq!(left, 0);
    assert!(bench.now().same_as(&theirs));
}

#[test]
fn a_line_under_test_is_not_touched_by_a_recovery() {
    let bench = Bench::new();
    let mut changes = bench.changes();
    assert_eq!(bench.make(&mut changes, &bench.wanted(9600)).unwrap(), Made::Changed);
    let name = bench.device.path.to_string_lossy();
    let lock = crate::guard::lock::PortLock::named(&name, &bench.device.lock_key()).unwrap();
    let (recovery, left) = bench.recover_elsewhere();
    assert!(matches!(recovery.changes[0].outcome, Outcome::Busy(_)), "{recovery:?}");
    assert_eq!((left, bench.now().output_speed), (1, 9600));
    drop(lock);
}

#[test]
fn a_pseudo_terminal_that_is_gone_has_nothing_to_restore_and_a_missing_adapter_is_waited_for() {
    let directory = tempfile::tempdir().unwrap();
    for (path, identity) in [("/dev/pts/no-such", "made 1.000000000"), ("/dev/ttyNoSuch", "/sys/devices/quay")] {
        let journal = Journal::open(directory.path()).unwrap();
        let target = Target::Device { path: path.into(), identity: identity.into() };
        let bench = Bench::new();
        let old = SerialSetting::Format(bench.now());
        journal.begin(target, &old.name(), old.value(), Value::Null).unwrap();
    }
    let recovery = recover(directory.path(), &mut SerialRestorer::for_recovery()).unwrap();
    let outcome = |path: &str| {
        let found = recovery.changes.iter().find(|recovered| recovered.change.target.to_string() == path);
        found.map(|recovered| recovered.outcome.clone())
    };
    assert_eq!(outcome("/dev/pts/no-such"), Some(Outcome::Gone));
    assert_eq!(outcome("/dev/ttyNoSuch"), Some(Outcome::Absent));
    assert_eq!(fs::read_dir(directory.path()).unwrap().count(), 1, "the note of the adapter is kept");
    let told: Vec<String> = recovery.changes.iter().map(told).collect();
    assert!(told.iter().any(|text| text.contains("kept for later, it is not there")), "{told:?}");
}

#[test]
fn another_terminal_of_the_same_number_is_left_alone() {
    let bench = Bench::new();
    let journal = Journal::open(bench.directory.path()).unwrap();
    let path = bench.device.path.to_string_lossy().into_owned();
    let target = Target::Device { path, identity: "made 1.000000000".into() };
    let old = SerialSetting::Format(bench.now());
    journal.begin(target, &old.name(), old.value(), Value::Null).unwrap();
    let (recovery, _) = bench.recover_elsewhere();
    assert_eq!(recovery.changes[0].outcome, Outcome::Replaced);
}

#[test]
fn what_a_pseudo_terminal_does_not_have_is_not_changed_and_not_noted() {
    let bench = Bench::new();
    let mut changes = bench.changes();
    let settings = [
        SerialSetting::ModemLines(ModemOutputs::default()),
        SerialSetting::InternalLoop(true),
        SerialSetting::HalfDuplex(Rs485::default().half_duplex(true)),
        SerialSetting::LowLatency(true),
    ];
    for setting in settings {
        assert_eq!(bench.make(&mut changes, &setting).unwrap(), Made::Unsupported, "{setting:?}");
    }
    assert_eq!(fs::read_dir(bench.directory.path()).unwrap().count(), 0);
}

#[test]
fn a_note_that_cannot_be_written_means_that_nothing_is_changed() {
    let bench = Bench::new();
    let before = bench.now();
    let mut changes = bench.changes();
    let wanted = bench.wanted(9600);
    fs::remove_dir_all(bench.directory.path()).unwrap();
    assert!(matches!(bench.make(&mut changes, &wanted), Err(SettingError::Journal(_))));
    assert!(bench.now().same_as(&before));
}

#[test]
fn a_latency_timer_is_a_file_of_milliseconds() {
    let bench = Bench::new();
    let file = bench.directory.path().join("latency_timer");
    fs::write(&file, "16\n").unwrap();
    let notes = tempfile::tempdir().unwrap();
    let mut changes = bench.changes_noted_in(notes.path());
    let read = |file: &Path| fs::read_to_string(file).unwrap();
    assert_eq!(
        bench.make(&mut changes, &SerialSetting::LatencyTimer { ms: 1, file: file.clone() }).unwrap(),
        Made::Changed
    );
    assert_eq!(read(&file), "1\n");
    assert_eq!(changes.restore()[0].outcome, Outcome::Restored);
    assert_eq!(read(&file), "16\n");
}

#[test]
fn every_setting_is_read_from_the_journal_as_it_was_written() {
    let bench = Bench::new();
    let settings = [
        SerialSetting::Format(bench.now()),
        SerialSetting::ModemLines(ModemOutputs { rts: true, out2: true, ..ModemOutputs::default() }),
        SerialSetting::InternalLoop(true),
        SerialSetting::HalfDuplex(Rs485::default().half_duplex(true)),
        SerialSetting::LowLatency(false),
        SerialSetting::LatencyTimer { ms: 16, file: "/sys/quay".into() },
    ];
    for setting in settings {
        assert_eq!(SerialSetting::from_journal(&setting.name(), &setting.value()), Some(setting));
    }
    assert_eq!(SerialSetting::from_journal("interface.mtu", &Value::from(1500)), None);
}
