//! Cases kept among the records.

use turnback_core::{
    base::placement::Placement,
    document::{
        Document, DocumentKind,
        case::{Case, CaseState, Ended, Source, Spot, Stage, StageName},
        run::Report,
    },
    kind::port::PortIdentity,
    plan::Profile,
};

use crate::{
    archive::{
        Archive, Listed, Query, RunAt, Sought,
        error::ArchiveError,
        filter::Filter,
        record::CaseRow,
        sqlite::{
            Store,
            retention::{Dropped, Retention},
        },
    },
    engine::{CheckOptions, cancel::Cancel, check},
    ports::{Port, simulated::ethernet::SimulatedPort},
    work::isolate::runner::{Opening, open_case},
};

fn store() -> (tempfile::TempDir, Store) {
    let folder = tempfile::tempdir().unwrap();
    let store = Store::open(&folder.path().join("records.db")).unwrap();
    (folder, store)
}

fn keep(archive: &mut Store, case: &Case) {
    archive.put(&case.clone().into()).unwrap();
}

fn load(archive: &Store, id: &str) -> Result<Case, ArchiveError> {
    match archive.find(Some(DocumentKind::Case), id)? {
        Document::Case(case) => Ok(*case),
        other => panic!("no case: {:?}", other.kind()),
    }
}

fn cases(archive: &Store, only_open: bool) -> Vec<CaseRow> {
    archive.list(Query::Cases { only_open }, None).unwrap().into_iter().filter_map(Listed::into_case).collect()
}

fn moment_ms(text: &str) -> i64 {
    text.parse::<jiff::Timestamp>().unwrap().as_millisecond()
}

fn port() -> SimulatedPort {
    SimulatedPort::open("bad-cable", 1).unwrap()
}

fn case(cable: &str, changed_at: &str) -> Case {
    let opening =
        Opening { cable: cable.into(), segments: vec!["office-riser".into(), "quay-duct".into()], plug: None };
    let mut case = open_case(&mut port(), opening).unwrap();
    case.changed_at = changed_at.into();
    case
}

fn stage(run: &str) -> Stage {
    Stage {
        name: StageName::At(Spot::AtPort),
        attempt: 1,
        placement: Some(Placement::AtPort),
        segment: None,
        plug: None,
        on_port: None,
        run: Some(run.into()),
        started_at: "2026-03-01T08:00:00Z".into(),
        source: Source::Run,
        ended: Ended::Done,
        why: None,
        result: None,
        pairs: None,
    }
}

fn run(placement: Placement, started_at: &str, shape: impl Fn(&mut Report)) -> Report {
    let mut profile = Profile::named("quick").unwrap();
    profile.time = std::time::Duration::from_millis(1);
    let options = CheckOptions {
        profile,
        placement: Some(placement),
        cable: None,
        labels: Default::default(),
        machine: "cabinet3".into(),
        line: Default::default(),
        speed_mbps: None,
        seed: 1,
        run: uuid::Uuid::now_v7().to_string(),
        started_at: started_at.into(),
        although_in_service: false,
        confirm: false,
    };
    let mut report = check(&mut port(), None, options, &mut |_| {}, &Cancel::default()).unwrap();
    shape(&mut report);
    report
}

#[test]
fn a_case_comes_back_as_it_was_saved_last() {
    let (_folder, mut store) = store();
    let mut first = case("Q-12", "2026-03-01T08:00:00Z");
    keep(&mut store, &first);
    first.stages.push(stage("019ca86a-0000-7000-8000-000000000000"));
    first.changed_at = "2026-03-01T08:05:00Z".into();
    keep(&mut store, &first);
    assert_eq!(load(&store, &first.case).unwrap(), first);
    assert_eq!(load(&store, &first.case[..20]).unwrap(), first);
    assert_eq!(load(&store, "last").unwrap(), first);
    assert_eq!(cases(&store, false).len(), 1);

    let second = case("Q-13", "2026-03-02T08:00:00Z");
    keep(&mut store, &second);
    assert_eq!(load(&store, "last").unwrap(), second);
    let shared = first.case.bytes().zip(second.case.bytes()).take_while(|(a, b)| a == b).count();
    let error = load(&store, &first.case[..shared]).unwrap_err();
    assert!(matches!(error, ArchiveError::Ambiguous { kind: DocumentKind::Case, .. }), "{error}");
    for nothing in ["", "zz"] {
        assert!(load(&store, nothing).is_err(), "{nothing:?}");
    }
}

#[test]
fn the_open_case_of_a_port_and_cable_is_found() {
    let (_folder, mut store) = store();
    let identity = port().identity();
    let old = case("Q-12", "2026-03-01T08:00:00Z");
    let mut new = case("Q-12", "2026-03-02T08:00:00Z");
    new.port.permanent_address = Some("02:00:00:00:00:07".into());
    let mut decided = case("Q-12", "2026-03-03T08:00:00Z");
    decided.state = CaseState::Decided;
    for case in [&new, &old, &decided] {
        keep(&mut store, case);
    }
    let found = |port: &PortIdentity, cable: &str| {
        store.latest(&Sought::OpenCase { port, cable }).unwrap().map(|case| case.id().to_owned())
    };
    // Where one of the two has no address the name decides.
    assert_eq!(found(&identity, "Q-12"), Some(new.case.clone()));
    assert_eq!(found(&identity, "Q-13"), None);
    let other = PortIdentity { permanent_address: Some("02:00:00:00:00:99".into()), ..identity.clone() };
    assert_eq!(found(&other, "Q-12"), Some(old.case));
    let moved = PortIdentity { name: "quay9".into(), permanent_address: new.port.permanent_address, ..identity };
    assert_eq!(found(&moved, "Q-12"), Some(new.case));
    assert_eq!(cases(&store, true).len(), 2);
    assert_eq!(cases(&store, false)[0].state, "decided");
}

#[test]
fn a_stage_is_lent_the_latest_run_of_this_port_on_this_machine() {
    let (_folder, mut store) = store();
    let at_port = run(Placement::AtPort, "2026-03-01T08:00:00Z", |report| report.cable = Some("Q-99".into()));
    let far = run(Placement::FarEnd, "2026-03-01T09:00:00Z", |report| {
        report.cable = Some("Q-12".into());
        report.labels.segment = Some("quay-duct".into());
    });
    let elsewhere = run(Placement::AtPort, "2026-03-01T10:00:00Z", |report| report.machine = "another".into());
    for report in [&at_port, &far, &elsewhere] {
        store.put(&report.clone().into()).unwrap();
    }
    let identity = port().identity();
    let latest = |placement, cable, segment, since| {
        let since_ms = moment_ms(since);
        let sought = RunAt { machine: "cabinet3", port: &identity, placement, cable, segment, since_ms };
        store.latest(&Sought::Run(sought)).unwrap().map(|report| report.id().to_owned())
    };
    let early = "2026-02-01T00:00:00Z";
    // The run of another machine is newer and none of this port; the cable says nothing of a plug at the port.
    assert_eq!(latest(Placement::AtPort, Some("Q-12"), None, early), Some(at_port.run.clone()));
    assert_eq!(latest(Placement::AtPort, None, None, "2026-03-01T08:30:00+00:00"), None);
    assert_eq!(latest(Placement::FarEnd, Some("Q-12"), Some("quay-duct"), early), Some(far.run));
    assert_eq!(latest(Placement::FarEnd, Some("Q-12"), Some("office-riser"), early), None);
    assert_eq!(latest(Placement::FarEnd, Some("Q-12"), None, early), None);
    assert_eq!(latest(Placement::Internal, None, None, early), None);
}

#[test]
fn what_an_open_case_rests_on_is_not_dropped() {
    let (_folder, mut store) = store();
    let runs: Vec<_> =
        (1..=3).map(|day| run(Placement::AtPort, &format!("2026-03-0{day}T08:00:00Z"), |_| {})).collect();
    runs.iter().for_each(|report| store.put(&report.clone().into()).unwrap());
    let mut open = case("Q-12", "2026-03-01T09:00:00Z");
    open.stages.push(stage(&runs[0].run));
    let mut decided = case("Q-13", "2026-03-01T10:00:00Z");
    decided.state = CaseState::Decided;
    decided.stages.push(stage(&runs[1].run));
    keep(&mut store, &open);
    keep(&mut store, &decided);

    let all = Retention { older_than_s: None, keep: Some(0) };
    let now_ms = moment_ms("2026-04-01T00:00:00Z");
    // Somebody's proof goes with the runs of its time, so it is counted as well.
    let gone = Dropped { runs: 2, cases: 1 };
    assert_eq!((store.would_prune(all, now_ms).unwrap(), store.prune(all, now_ms).unwrap()), (gone, gone));
    let left: Vec<_> = store.runs(&Filter::default(), None).unwrap().into_iter().map(|record| record.run).collect();
    assert_eq!(left, [runs[0].run.clone()]);
    assert_eq!(cases(&store, false).into_iter().map(|row| row.case).collect::<Vec<_>>(), [open.case.clone()]);
    assert!(store.look_through().unwrap().problems.is_empty());

    // Once it is decided it goes by age as all others.
    open.state = CaseState::Decided;
    keep(&mut store, &open);
    let old = Retention { older_than_s: Some(86_400), keep: None };
    assert_eq!(store.prune(old, now_ms).unwrap(), Dropped { runs: 1, cases: 1 });
    assert!(cases(&store, false).is_empty());
}

#[test]
fn cases_go_out_and_in_with_the_runs() {
    use crate::archive::sqlite::exchange::Form;
    let (_folder, mut from) = store();
    let report = run(Placement::AtPort, "2026-03-01T08:00:00Z", |_| {});
    from.put(&report.clone().into()).unwrap();
    let mut kept = case("Q-12", "2026-03-01T09:00:00Z");
    kept.stages.push(stage(&report.run));
    keep(&mut from, &kept);
    let mut lines = Vec::new();
    let done = from.export(&Filter::default(), Form::JsonLines, &mut lines).unwrap();
    assert_eq!((done.written, done.cases), (1, 1));

    let (_folder, mut to) = store();
    let done = to.import(Form::JsonLines, "all", &lines[..]).unwrap();
    assert_eq!((done.new, done.cases), (1, 1));
    assert_eq!(load(&to, &kept.case).unwrap(), kept);
    assert_eq!(to.import(Form::JsonLines, "all", &lines[..]).unwrap().cases, 0);
    // What was done to the case here since then is not undone by an older copy; a newer copy replaces it.
    let mut later = kept.clone();
    later.changed_at = "2026-03-01T10:00:00Z".into();
    keep(&mut to, &later);
    assert_eq!(to.import(Form::JsonLines, "all", &lines[..]).unwrap().cases, 0);
    assert_eq!(load(&to, &kept.case).unwrap(), later);
    let text = serde_json::to_string(&later).unwrap();
    assert_eq!(from.import(Form::JsonLines, "one", text.as_bytes()).unwrap().cases, 1);
    assert_eq!(load(&from, &kept.case).unwrap(), later);
    // Some runs only: no case, since its stages would be missing.
    let filter = Filter { port: Some("nobody".into()), ..Filter::default() };
    assert_eq!(from.export(&filter, Form::JsonLines, Vec::new()).unwrap().cases, 0);
}
