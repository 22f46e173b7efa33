//! Records as programs beside an agent write them, and whether the tables of the fleet hold them: each exactly once.

use std::{
    collections::BTreeSet,
    path::Path,
    thread,
    time::{Duration, Instant},
};

use jiff::Timestamp;
use turnback::archive::{
    Archive,
    logbook::{Entry, Logbook},
    outbox::FleetOutbox,
    sqlite::Store,
};
use turnback_core::{
    base::rng::Rng,
    document::{Document, case::Case, run::Report},
    watch::standing::{Change, State},
};

use super::fleet::{Fleet, wait_until};

/// A run of the first format, as an old agent would send it.
pub const RUN: &str = include_str!("../fixtures/format1/ethernet-run.json");
/// A case of the first format.
pub const CASE: &str = include_str!("../fixtures/format1/case.json");

/// An agent's records, as a program beside the agent writes them.
pub struct Records {
    /// The file.
    pub store: Store,
    host: String,
    runs: BTreeSet<String>,
    cases: BTreeSet<(String, String)>,
    changes: u64,
}

impl Records {
    /// Those of the agent that has its state there, once it has joined the fleet.
    pub fn open(state: &Path) -> Self {
        let path = state.join("records.db");
        wait_until("the agent has made its records", || path.exists());
        let host = std::fs::read_to_string("/proc/sys/kernel/hostname").expect("a host name").trim().to_owned();
        let mut store = Store::open(&path).expect("records");
        wait_until("the agent has joined the fleet", || store.enter_again(i64::MAX).is_ok());
        Self { store, host, runs: BTreeSet::new(), cases: BTreeSet::new(), changes: 0 }
    }

    /// A few of everything, as drawn.
    pub fn add_some(&mut self, rng: &mut Rng) {
        (0..2 + rng.below(6)).for_each(|_| self.add_run());
        (0..rng.below(2)).for_each(|_| self.add_case());
        (0..rng.below(3)).for_each(|_| self.add_change());
    }

    /// A run of now.
    pub fn add_run(&mut self) {
        self.add_run_at(Timestamp::now());
    }

    /// A run of this moment.
    pub fn add_run_at(&mut self, at: Timestamp) {
        let run = id_of(at);
        self.add_run_as(&run, |report| report.started_at = at.to_string());
        self.runs.insert(run);
    }

    /// A run with this id; the caller keeps account of it.
    pub fn add_run_as(&mut self, id: &str, change: impl FnOnce(&mut Report)) {
        let Ok(Document::Run(report)) = Document::read(RUN) else { panic!("a run") };
        let mut report = Report { run: id.to_owned(), machine: self.host.clone(), ..*report };
        change(&mut report);
        self.store.put(&report.into()).expect("recorded");
    }

    /// A new case, and its second and last revision.
    pub fn add_case(&mut self) {
        self.add_case_at(Timestamp::now());
    }

    /// A case of this moment.
    pub fn add_case_at(&mut self, at: Timestamp) {
        let id = id_of(at);
        for state in ["opened", "closed"] {
            self.add_case_as(&id, |case| {
                case.opened_at = at.to_string();
                case.changed_at = at.to_string();
                case.closed = Some(state.to_owned());
                case.cable = state.into();
            });
        }
        self.cases.insert((id, "closed".to_owned()));
    }

    /// A case with this id; the caller keeps account of it.
    pub fn add_case_as(&mut self, id: &str, change: impl FnOnce(&mut Case)) {
        let Ok(Document::Case(case)) = Document::read(CASE) else { panic!("a case") };
        let mut case = Case { case: id.to_owned(), ..*case };
        change(&mut case);
        self.store.put(&case.into()).expect("recorded");
    }

    /// A port changed its state now.
    pub fn add_change(&mut self) {
        self.add_change_at(Timestamp::now());
    }

    /// A port changed its state at this moment.
    pub fn add_change_at(&mut self, at: Timestamp) {
        let change =
            Change { from: State::Proven, to: State::Suspect, at_ms: at.as_millisecond(), why: "bit-errors".into() };
        let entry = Entry { port: "quay1".into(), change: Some(change), ..Entry::default() };
        self.store.enter(&entry).expect("recorded");
        self.changes += 1;
    }

    /// What waits for the fleet.
    pub fn waiting(&self) -> u64 {
        self.store.backlog().expect("the outbox").waiting
    }
}

/// A new id of version 7 that holds this moment.
pub fn id_of(at: Timestamp) -> String {
    let mut drawn = [0; 10];
    drawn.copy_from_slice(&uuid::Uuid::now_v7().as_bytes()[6..]);
    let ms = u64::try_from(at.as_millisecond()).expect("after 1970");
    uuid::Builder::from_unix_timestamp_millis(ms, &drawn).into_uuid().to_string()
}

/// What the tables hold of what the agents recorded: runs, cases in their last revision, changes.
fn in_tables(fleet: &Fleet) -> (u64, u64, u64) {
    let count = |table: &str| fleet.count(&format!("SELECT count(*) FROM {table} WHERE {OF_AGENTS}"));
    (
        count("run"),
        fleet.count(&format!("SELECT count(*) FROM case_document WHERE cable = 'closed' AND {OF_AGENTS}")),
        count("state_change"),
    )
}

/// Beside agents a test may send messages by itself: those of [`Message`](super::fleet::Message).
const OF_AGENTS: &str = "machine_id IN (SELECT id FROM machine WHERE name <> 'closet-7')";

/// Waits until all is in the tables, and holds each against what was recorded. Nothing is set aside.
#[track_caller]
pub fn everything_is_there_once(fleet: &Fleet, records: &[Records]) {
    let set_aside = "SELECT string_agg(reason, '; ') FROM set_aside";
    whatever_is_set_aside(fleet, records);
    assert_eq!(fleet.count("SELECT count(*) FROM set_aside"), 0, "{:?}", fleet.ask(set_aside));
}

/// The same, where something else may be set aside.
#[track_caller]
pub fn whatever_is_set_aside(fleet: &Fleet, records: &[Records]) {
    let count = |of: fn(&Records) -> usize| records.iter().map(of).sum::<usize>() as u64;
    let wanted = (count(|r| r.runs.len()), count(|r| r.cases.len()), count(|r| r.changes as usize));
    let began = Instant::now();
    while in_tables(fleet) != wanted {
        let waiting: Vec<u64> = records.iter().map(Records::waiting).collect();
        assert!(
            began.elapsed() < Duration::from_secs(120),
            "{:?} are in the tables, {wanted:?} were recorded, {waiting:?} wait\n{}\n{}",
            in_tables(fleet),
            fleet.of_the_broker(),
            fleet.logs()
        );
        thread::sleep(Duration::from_millis(200));
    }
    wait_until("nothing waits", || records.iter().all(|r| r.waiting() == 0));
    let told = fleet.ask(&format!("SELECT id FROM run WHERE {OF_AGENTS}")).expect("an answer");
    let runs: BTreeSet<String> = told.lines().map(str::to_owned).collect();
    let recorded: BTreeSet<String> = records.iter().flat_map(|r| r.runs.iter().cloned()).collect();
    assert_eq!(runs, recorded);
    let told =
        fleet.ask(&format!("SELECT id || ' ' || cable FROM case_document WHERE {OF_AGENTS}")).expect("an answer");
    let cases: BTreeSet<String> = told.lines().map(str::to_owned).collect();
    let recorded = records.iter().flat_map(|r| r.cases.iter()).map(|(id, cable)| format!("{id} {cable}"));
    assert_eq!(cases, recorded.collect());
    assert_eq!(in_tables(fleet), wanted, "and no more comes");
    let (runs, cases, changes) = wanted;
    println!("{runs} runs, {cases} cases and {changes} changes were recorded, and each is in the tables once");
}
