//! The archive on disk and the one in memory tell the same story; a file of the first release is read as it was.

use std::time::Duration;

use rusqlite::Connection;
use turnback_core::{
    base::placement::Placement,
    document::{
        Document, DocumentKind,
        case::{Case, CaseState},
        difference::difference,
        run::{FORMAT, Report},
    },
    judge::Outcome,
    kind::port::PortIdentity,
    plan::Profile,
};

use super::{
    Archive, Listed, Query, RunAt, Sought,
    error::ArchiveError,
    filter::Filter,
    logbook::Logbook,
    memory::Memory,
    sqlite::{Store, exchange::Form},
};
use crate::{
    engine::{CheckOptions, cancel::Cancel, check},
    ports::simulated::ethernet::SimulatedPort,
};

const RUNS: [&str; 3] = [
    "019ca86a-0000-7000-8000-000000000001",
    "019ca86a-0000-7000-8000-000000000002",
    "019ca86b-0000-7000-8000-000000000003",
];

fn report(run: &str, started_at: &str, cable: Option<&str>) -> Report {
    let mut profile = Profile::named("quick").unwrap();
    profile.time = Duration::from_millis(1);
    let options = CheckOptions {
        profile,
        placement: Some(if cable.is_some() { Placement::FarEnd } else { Placement::AtPort }),
        cable: cable.map(str::to_owned),
        labels: Default::default(),
        machine: "cabinet3".into(),
        line: Default::default(),
        speed_mbps: None,
        seed: 1,
        run: run.into(),
        started_at: started_at.into(),
        although_in_service: false,
        confirm: false,
    };
    let mut port = SimulatedPort::open("good", 1).unwrap();
    check(&mut port, None, options, &mut |_| {}, &Cancel::default()).unwrap()
}

fn runs(archive: &dyn Archive, filter: Filter, limit: Option<u64>) -> Vec<String> {
    let found = archive.list(Query::Runs(&filter), limit).unwrap();
    found.into_iter().filter_map(Listed::into_run).map(|record| record.run).collect()
}

fn cases(archive: &dyn Archive, only_open: bool) -> Vec<String> {
    let found = archive.list(Query::Cases { only_open }, None).unwrap();
    found.into_iter().filter_map(Listed::into_case).map(|row| row.case).collect()
}

fn id(found: Result<Document, ArchiveError>) -> String {
    found.unwrap().id().to_owned()
}

/// A case of the first release, which has no other kind of document in it.
fn case() -> Case {
    let folder = tempfile::tempdir().unwrap();
    let store = first_release(&folder);
    match store.find(Some(DocumentKind::Case), "last").unwrap() {
        Document::Case(case) => *case,
        _ => panic!("no case"),
    }
}

fn story(archive: &mut dyn Archive) {
    let [first, second, third] = RUNS;
    // Two runs begin within one second, which is all that a report tells.
    let far = report(second, "2026-03-01T08:00:00Z", Some("Q-12"));
    archive.put(&report(first, "2026-03-01T08:00:00Z", None).into()).unwrap();
    archive.put(&far.clone().into()).unwrap();
    archive.put(&report(third, "2026-03-01T08:00:09Z", None).into()).unwrap();
    archive.put(&Report { cable: Some("another".into()), ..far.clone() }.into()).unwrap();
    assert_eq!(runs(archive, Filter::default(), None), [third, second, first]);
    let text = |text: &str| Some(text.to_owned());
    for (filter, found) in [
        (Filter { cable: text("Q-*"), ..Filter::default() }, &[second][..]),
        (Filter { cable: text("another"), ..Filter::default() }, &[]),
        (Filter { placement: Some(Placement::AtPort), ..Filter::default() }, &[third, first]),
        (Filter { outcome: text("fault"), ..Filter::default() }, &[]),
        (Filter { port: text("sim:good"), machine: text("cabinet3"), ..Filter::default() }, &RUNS.map(|run| run)),
        (Filter { before: text(third), ..Filter::default() }, &[second, first]),
        (Filter { before: text(second), ..Filter::default() }, &[first]),
        (Filter { since_ms: Some(1_772_352_000_001), ..Filter::default() }, &[third]),
        (Filter { until_ms: Some(1_772_352_000_001), ..Filter::default() }, &[second, first]),
    ] {
        let mut listed = runs(archive, filter.clone(), None);
        if filter.port.is_some() {
            listed.reverse();
        }
        assert_eq!(listed, found, "{filter:?}");
    }
    assert_eq!(runs(archive, Filter::default(), Some(2)), [third, second]);
    let unknown = archive.list(Query::Runs(&Filter { before: text("ffff"), ..Filter::default() }), None);
    assert!(matches!(unknown, Err(ArchiveError::Unknown { kind: Some(DocumentKind::Run), .. })));

    let run = Some(DocumentKind::Run);
    assert_eq!(id(archive.get(DocumentKind::Run, first)), first);
    assert_eq!(id(archive.find(run, &third[..8])), third);
    assert_eq!(id(archive.find(run, &third[..8].to_uppercase())), third);
    assert_eq!(id(archive.find(run, "last")), third);
    assert_eq!(id(archive.find(None, "last")), third);
    assert!(matches!(archive.find(run, &first[..8]), Err(ArchiveError::Ambiguous { ids, .. }) if ids.len() == 2));
    for nothing in ["", "ffff", "quay"] {
        assert!(matches!(archive.find(run, nothing), Err(ArchiveError::Unknown { .. })), "{nothing}");
    }
    assert!(matches!(archive.get(DocumentKind::Run, &first[..8]), Err(ArchiveError::Unknown { .. })));
    assert!(matches!(archive.find(None, "ffff"), Err(ArchiveError::Unknown { kind: None, .. })));

    let at = |placement, cable, since_ms| {
        let port = &far.port;
        Sought::Run(RunAt { machine: "cabinet3", port, placement, cable, segment: None, since_ms })
    };
    let latest = |archive: &dyn Archive, sought| archive.latest(&sought).unwrap().map(|found| found.id().to_owned());
    // Whatever cable is named, the signal of a plug at the port did not pass it.
    assert_eq!(latest(archive, at(Placement::AtPort, Some("Q-12"), 0)).as_deref(), Some(third));
    assert_eq!(latest(archive, at(Placement::FarEnd, Some("Q-12"), 0)).as_deref(), Some(second));
    assert_eq!(latest(archive, at(Placement::FarEnd, Some("Q-13"), 0)), None);
    assert_eq!(latest(archive, at(Placement::AtPort, None, 1_772_352_010_000)), None);

    let decided = case();
    let open = Case { case: "019ca86c-0000-7000-8000-000000000001".into(), state: CaseState::Open, ..decided.clone() };
    archive.put(&decided.clone().into()).unwrap();
    archive.put(&Case { changed_at: "2026-11-29T08:00:00Z".into(), ..open.clone() }.into()).unwrap();
    assert_eq!(cases(archive, false), [open.case.clone(), decided.case.clone()]);
    assert_eq!(cases(archive, true), std::slice::from_ref(&open.case));
    let same = Sought::OpenCase { port: &decided.port, cable: &decided.cable };
    assert_eq!(latest(archive, same).as_ref(), Some(&open.case));
    let other = PortIdentity { name: "sim:good".into(), ..decided.port.clone() };
    assert_eq!(latest(archive, Sought::OpenCase { port: &other, cable: &decided.cable }), None);
    // Put again it is replaced, and it is the newest of all.
    archive.put(&Case { changed_at: "2026-11-30T08:00:00Z".into(), ..decided.clone() }.into()).unwrap();
    assert_eq!(cases(archive, false), [decided.case.clone(), open.case.clone()]);
    assert_eq!(id(archive.find(None, "last")), decided.case);
    assert_eq!(id(archive.find(None, &decided.case[..13])), decided.case);
    archive.put(&report("019cffff-0000-7000-8000-000000000009", "2026-12-01T08:00:00Z", None).into()).unwrap();
    assert_eq!(id(archive.find(None, "last")), "019cffff-0000-7000-8000-000000000009");
}

#[test]
fn disk_and_memory_tell_the_same_story() {
    story(&mut Memory::default());
    let folder = tempfile::tempdir().unwrap();
    story(&mut Store::open(&folder.path().join("records.db")).unwrap());
}

/// Records as the first release wrote them.
fn first_release(folder: &tempfile::TempDir) -> Store {
    let path = folder.path().join("records.db");
    let db = Connection::open(&path).unwrap();
    db.execute_batch(include_str!("sqlite/testdata/first_release.sql")).unwrap();
    db.close().unwrap();
    Store::open_existing(&path).unwrap()
}

/// What the first release itself said of these records (`records --json`, `records cases --json`, `agent status
/// --json`).
#[test]
fn records_of_the_first_release_are_read_listed_compared_and_exported() {
    let folder = tempfile::tempdir().unwrap();
    let mut store = first_release(&folder);
    let listed = store.runs(&Filter::default(), None).unwrap();
    let said: Vec<_> = listed.iter().map(|r| (r.port.as_str(), r.outcome.as_str(), r.location.as_str())).collect();
    let port = ("sim:bad-port", "fault", "port");
    assert_eq!(said[1..3], [port, port]);
    assert_eq!(said[4], ("sim:bad-cable", "fault", "cable,port,plug"));
    let cable = Filter { cable: Some("Q-12".into()), plug: Some("P-3".into()), ..Filter::default() };
    assert_eq!(store.runs(&cable, None).unwrap(), listed[4..]);
    for record in &listed {
        let Document::Run(report) = store.get(DocumentKind::Run, &record.run).unwrap() else { panic!("a case") };
        // Read as today's format, whatever it was kept in.
        assert_eq!((report.format, report.verdict.outcome), (FORMAT, Outcome::Fault), "{}", record.port);
        assert_eq!(report.verdict.rule().map(ToString::to_string), record.rule, "{}", record.port);
    }
    let two = [1, 2].map(|n| match store.get(DocumentKind::Run, &listed[n].run).unwrap() {
        Document::Run(report) => *report,
        _ => panic!("no run"),
    });
    assert_eq!(difference(&two[0], &two[1]).runs, [listed[1].run.clone(), listed[2].run.clone()]);

    let case = case();
    assert_eq!((case.state, case.verdict.outcome), (CaseState::Decided, Outcome::Fault));
    assert_eq!(case.stages.len(), 2);
    let own: Vec<_> = case.stages.iter().rev().filter_map(|stage| stage.run.clone()).collect();
    assert_eq!(own, [listed[1].run.clone(), listed[2].run.clone()]);

    let mut lines = Vec::new();
    let done = store.export(&Filter::default(), Form::JsonLines, &mut lines).unwrap();
    assert_eq!((done.written, done.cases), (5, 1));
    let copied =
        Store::open(&folder.path().join("copy.db")).unwrap().import(Form::JsonLines, "all", &lines[..]).unwrap();
    assert_eq!((copied.new, copied.cases), (5, 1));
    assert_eq!(store.look_through().unwrap().problems, [""; 0]);

    let remembered = store.open(1).unwrap();
    assert_eq!(remembered.ports["sim:no-plug"].dealt_with_ms["night"], 1_795_908_304_000);
    assert_eq!(store.changes("sim:no-plug", 9).unwrap().len(), 1);
    let waiting = store.outbox().unwrap();
    assert_eq!((waiting.len(), waiting[0].attempts), (1, 1));
}
