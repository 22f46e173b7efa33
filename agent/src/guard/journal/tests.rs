//! The journal on a real directory, with settings that live in a map.

use std::{collections::BTreeMap, fs, os::unix::fs::PermissionsExt, path::Path};

use serde_json::{Value, json};

use super::*;
use crate::guard::state::{self, StateError};

/// Settings by kind, all of one device.
#[derive(Default)]
struct Bench {
    values: BTreeMap<String, Value>,
    standing: Option<Standing>,
    writes: Vec<(String, Value)>,
}

impl Bench {
    fn with(values: &[(&str, Value)]) -> Self {
        Self { values: values.iter().map(|(k, v)| ((*k).to_owned(), v.clone())).collect(), ..Self::default() }
    }
}

impl Apply for Bench {
    fn standing(&mut self, _: &Change) -> Standing {
        self.standing.clone().unwrap_or(Standing::Same)
    }

    fn read(&mut self, change: &Change) -> Result<Value, ApplyError> {
        self.values.get(&change.kind).cloned().ok_or_else(|| ApplyError("no such setting".into()))
    }

    fn write(&mut self, change: &Change, value: &Value) -> Result<(), ApplyError> {
        self.values.insert(change.kind.clone(), value.clone());
        self.writes.push((change.kind.clone(), value.clone()));
        Ok(())
    }
}

fn target() -> Target {
    Target::Device { path: "/dev/quay".into(), identity: String::new() }
}

fn files(directory: &Path) -> usize {
    fs::read_dir(directory).unwrap().count()
}

/// A directory, and the journal of a process that ended without putting back (its lock goes when it is dropped).
fn abandoned_after(changes: &[(&str, Value, Value)]) -> tempfile::TempDir {
    let directory = tempfile::tempdir().unwrap();
    let journal = Journal::open(directory.path()).unwrap();
    for (kind, old, new) in changes {
        journal.begin(target(), kind, old.clone(), new.clone()).unwrap();
    }
    directory
}

#[test]
fn what_is_restored_leaves_no_file() {
    let directory = tempfile::tempdir().unwrap();
    let journal = Journal::open(directory.path()).unwrap();
    assert_eq!(files(directory.path()), 0, "nothing changed, nothing noted");
    let one = journal.begin(target(), "mtu", json!(1500), json!(9000)).unwrap();
    let two = journal.begin(target(), "up", json!(false), json!(true)).unwrap();
    assert_eq!(files(directory.path()), 1);
    let file = fs::read_dir(directory.path()).unwrap().next().unwrap().unwrap();
    assert_eq!(file.metadata().unwrap().permissions().mode() & 0o777, 0o600, "for its owner only");
    journal.done(&two).unwrap();
    assert_eq!(files(directory.path()), 1);
    journal.done(&one).unwrap();
    assert_eq!(files(directory.path()), 0);
    journal.begin(target(), "mtu", json!(1500), json!(9000)).unwrap();
    assert_eq!(files(directory.path()), 1, "and the journal can be used again");
}

#[test]
fn a_living_process_keeps_its_changes() {
    let directory = tempfile::tempdir().unwrap();
    let journal = Journal::open(directory.path()).unwrap();
    journal.begin(target(), "mtu", json!(1500), json!(9000)).unwrap();
    let mut bench = Bench::with(&[("mtu", json!(9000))]);
    assert_eq!(recover(directory.path(), &mut bench).unwrap(), Recovery::default());
    drop(journal);
    assert_eq!(recover(directory.path(), &mut bench).unwrap().changes.len(), 1);
    assert_eq!(bench.values["mtu"], json!(1500));
}

#[test]
fn the_last_change_is_restored_first() {
    let directory = abandoned_after(&[("mtu", json!(1500), json!(9000)), ("mtu", json!(9000), json!(4000))]);
    let mut bench = Bench::with(&[("mtu", json!(4000))]);
    let recovery = recover(directory.path(), &mut bench).unwrap();
    assert!(recovery.changes.iter().all(|recovered| recovered.outcome == Outcome::Restored), "{recovery:?}");
    assert_eq!(bench.writes, [("mtu".into(), json!(9000)), ("mtu".into(), json!(1500))]);
    assert_eq!(files(directory.path()), 0);
}

/// Each process leaves a file; the newest change is undone first, whatever the order in which the disk lists them.
#[test]
fn the_last_process_is_put_back_first() {
    let directory = tempfile::tempdir().unwrap();
    for value in 0..6 {
        let journal = Journal::open(directory.path()).unwrap();
        journal.begin(target(), "mtu", json!(value), json!(value + 1)).unwrap();
    }
    let mut bench = Bench::with(&[("mtu", json!(6))]);
    recover(directory.path(), &mut bench).unwrap();
    let written: Vec<Value> = bench.writes.into_iter().map(|(_, value)| value).collect();
    assert_eq!(written, [5, 4, 3, 2, 1, 0].map(|value| json!(value)));
}

#[test]
fn each_way_a_port_can_stand_has_its_outcome() {
    let table = [
        (json!(9000), None, Outcome::Restored, 0),
        (json!(1500), None, Outcome::Unchanged, 0),
        (json!(2000), None, Outcome::ChangedSince { now: json!(2000) }, 0),
        (json!(9000), Some(Standing::Gone), Outcome::Gone, 0),
        (json!(9000), Some(Standing::Absent), Outcome::Absent, 1),
        (json!(9000), Some(Standing::Replaced), Outcome::Replaced, 0),
        (json!(9000), Some(Standing::Elsewhere), Outcome::Elsewhere, 1),
        (json!(9000), Some(Standing::Busy("run 7".into())), Outcome::Busy("run 7".into()), 1),
        (json!(9000), Some(Standing::Unknown), Outcome::Unknown, 1),
    ];
    for (now, standing, outcome, kept) in table {
        let directory = abandoned_after(&[("mtu", json!(1500), json!(9000))]);
        let mut bench = Bench { standing, ..Bench::with(&[("mtu", now.clone())]) };
        let recovery = recover(directory.path(), &mut bench).unwrap();
        assert_eq!(recovery.changes[0].outcome, outcome);
        assert_eq!(files(directory.path()), kept, "{outcome:?}");
        assert_eq!(bench.writes.len(), usize::from(outcome == Outcome::Restored), "{outcome:?}");
    }
}

#[test]
fn what_is_kept_is_restored_later_and_the_rest_only_once() {
    let directory = abandoned_after(&[("mtu", json!(1500), json!(9000)), ("up", json!(false), json!(true))]);
    let mut bench = Bench::with(&[("up", json!(true))]);
    let recovery = recover(directory.path(), &mut bench).unwrap();
    let outcomes: Vec<_> = recovery.changes.into_iter().map(|recovered| recovered.outcome).collect();
    assert_eq!(outcomes, [Outcome::Restored, Outcome::Failed("no such setting".into())]);
    let mut bench = Bench::with(&[("mtu", json!(9000)), ("up", json!(true))]);
    recover(directory.path(), &mut bench).unwrap();
    assert_eq!(bench.writes, [("mtu".into(), json!(1500))]);
}

#[test]
fn what_the_driver_made_of_it_counts_as_ours() {
    let directory = tempfile::tempdir().unwrap();
    let journal = Journal::open(directory.path()).unwrap();
    let mut change = journal.begin(target(), "filter", json!(0), json!(3)).unwrap();
    journal.became(&mut change, json!(1)).unwrap();
    drop(journal);
    let mut bench = Bench::with(&[("filter", json!(1))]);
    assert_eq!(recover(directory.path(), &mut bench).unwrap().changes[0].outcome, Outcome::Restored);
    assert_eq!(bench.values["filter"], json!(0));
}

#[test]
fn a_restart_of_the_machine_has_undone_it_already() {
    let directory = abandoned_after(&[("up", json!(false), json!(true))]);
    let path = fs::read_dir(directory.path()).unwrap().next().unwrap().unwrap().path();
    let text = fs::read_to_string(&path).unwrap().replace(&state::boot(), "an-earlier-start");
    fs::write(&path, text).unwrap();
    let mut bench = Bench::with(&[("up", json!(true))]);
    assert_eq!(recover(directory.path(), &mut bench).unwrap().changes[0].outcome, Outcome::Restarted);
    assert_eq!(bench.writes, [], "a port that the machine itself switched on stays on");
}

#[test]
fn damaged_lines_are_said_and_the_others_used() {
    let directory = abandoned_after(&[("mtu", json!(1500), json!(9000)), ("up", json!(false), json!(true))]);
    let path = fs::read_dir(directory.path()).unwrap().next().unwrap().unwrap().path();
    let text = fs::read_to_string(&path).unwrap();
    let (first, second) = text.split_once('\n').unwrap();
    fs::write(&path, format!("{first}\nnot a line\n{}", &second[..20])).unwrap();
    let mut bench = Bench::with(&[("mtu", json!(9000)), ("up", json!(true))]);
    let recovery = recover(directory.path(), &mut bench).unwrap();
    let damaged = |line, cut| Damaged { path: path.clone(), line, cut };
    assert_eq!(recovery.damaged, [damaged(2, false), damaged(3, true)]);
    assert_eq!(bench.writes, [("mtu".into(), json!(1500))]);
}

#[test]
fn a_directory_that_is_not_there_has_nothing_to_recover() {
    let directory = tempfile::tempdir().unwrap();
    let none = directory.path().join("none");
    assert_eq!(recover(&none, &mut Bench::default()).unwrap(), Recovery::default());
    assert!(!none.exists(), "and none is made for the answer");
    // Something else of that name is a mistake that is told.
    fs::write(&none, "").unwrap();
    assert!(matches!(recover(&none, &mut Bench::default()), Err(JournalError::Read { .. })));
}

/// What others could have written there would be done with our rights.
#[test]
fn nothing_is_restored_from_a_directory_that_others_can_write() {
    let directory = abandoned_after(&[("mtu", json!(1500), json!(9000))]);
    fs::set_permissions(directory.path(), fs::Permissions::from_mode(0o777)).unwrap();
    let mut bench = Bench::with(&[("mtu", json!(9000))]);
    assert!(matches!(recover(directory.path(), &mut bench), Err(JournalError::State(StateError::NotOurs { .. }))));
    assert_eq!(bench.writes, []);
}

/// A kill while a file is made leaves a draft, which holds no change; a journal that cannot be opened is no such thing.
#[test]
fn drafts_are_passed_over_and_what_cannot_be_read_is_told() {
    let directory = abandoned_after(&[("mtu", json!(1500), json!(9000))]);
    let path = fs::read_dir(directory.path()).unwrap().next().unwrap().unwrap().path();
    fs::copy(&path, path.with_extension("new")).unwrap();
    assert_eq!(left(directory.path()).unwrap().len(), 1);
    fs::create_dir(directory.path().join("folder.jsonl")).unwrap();
    assert!(matches!(left(directory.path()), Err(JournalError::Read { .. })));
}

/// A child that another thread is starting has a copy of the handle for a moment.
#[test]
fn a_journal_let_go_is_found_though_a_copy_of_its_handle_lingers() {
    let directory = tempfile::tempdir().unwrap();
    let journal = Journal::open(directory.path()).unwrap();
    journal.begin(target(), "mtu", json!(1500), json!(9000)).unwrap();
    let copy = journal.copy_of_handle();
    drop(journal);
    assert_eq!(left(directory.path()).unwrap().len(), 1);
    drop(copy);
}

/// A line that a power cut broke off is cut away before another is put behind it.
#[test]
fn what_is_noted_behind_a_broken_line_can_be_read() {
    let directory = abandoned_after(&[("mtu", json!(1500), json!(9000)), ("up", json!(false), json!(true))]);
    let path = fs::read_dir(directory.path()).unwrap().next().unwrap().unwrap().path();
    let whole = fs::read_to_string(&path).unwrap();
    fs::write(&path, format!("{whole}{}", &whole[..20])).unwrap();
    // The last is restored, the first cannot be.
    recover(directory.path(), &mut Bench::with(&[("up", json!(true))])).unwrap();
    let noted = fs::read_to_string(&path).unwrap();
    assert!(noted.starts_with(&whole) && noted.lines().count() == 3, "{noted}");
    assert!(noted.lines().all(|line| serde_json::from_str::<Value>(line).is_ok()), "{noted}");
}

#[test]
fn what_was_left_is_told_without_touching_it() {
    let directory = abandoned_after(&[("mtu", json!(1500), json!(9000)), ("up", json!(false), json!(true))]);
    for _ in 0..2 {
        let left = left(directory.path()).unwrap();
        let kinds: Vec<&str> = left.iter().map(|change| change.kind.as_str()).collect();
        assert_eq!(kinds, ["up", "mtu"], "in the order in which they will be restored");
        assert!(left[0].to_string().contains("up of /dev/quay, set from false to true by process"), "{}", left[0]);
    }
    let mut bench = Bench::with(&[("mtu", json!(9000)), ("up", json!(true))]);
    assert_eq!(recover(directory.path(), &mut bench).unwrap().changes.len(), 2);
    assert_eq!(left(directory.path()).unwrap(), []);
    // What a process that lives has changed is its own business.
    let journal = Journal::open(directory.path()).unwrap();
    journal.begin(target(), "mtu", json!(1500), json!(9000)).unwrap();
    assert_eq!(left(directory.path()).unwrap(), []);
    assert_eq!(left(&directory.path().join("nowhere")).unwrap(), []);
}
