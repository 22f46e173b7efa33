//! Agents, broker, collectors and database, each of which may die at any moment.

use std::{
    collections::BTreeSet,
    path::Path,
    process::Command,
    thread,
    time::{Duration, Instant},
};

use async_nats::{ConnectOptions, HeaderMap, jetstream};
use turnback::{
    archive::{
        Archive,
        logbook::{Entry, Logbook},
        outbox::FleetOutbox,
        sqlite::Store,
    },
    fleet::database::FORMAT,
};
use turnback_core::{
    base::rng::Rng,
    document::{Document, case::Case, run::Report},
    watch::standing::{Change, State},
};

use crate::harness::{
    fleet::{Fleet, Part, wait_until},
    setting::kills,
    skip::installed,
};

const RUN: &str = include_str!("fixtures/format1/ethernet-run.json");
const CASE: &str = include_str!("fixtures/format1/case.json");

/// An agent's records, as a program beside the agent writes them.
struct Records {
    store: Store,
    host: String,
    runs: BTreeSet<String>,
    cases: BTreeSet<(String, String)>,
    changes: u64,
}

impl Records {
    fn open(state: &Path) -> Self {
        let path = state.join("records.db");
        wait_until("the agent has made its records", || path.exists());
        let host = std::fs::read_to_string("/proc/sys/kernel/hostname").expect("a host name").trim().to_owned();
        let mut store = Store::open(&path).expect("records");
        wait_until("the agent has joined the fleet", || store.enter_again(i64::MAX).is_ok());
        Self { store, host, runs: BTreeSet::new(), cases: BTreeSet::new(), changes: 0 }
    }

    fn add_run(&mut self) {
        let Ok(Document::Run(report)) = Document::read(RUN) else { panic!("a run") };
        let run = uuid::Uuid::now_v7().to_string();
        let started_at = jiff::Timestamp::now().to_string();
        let report = Report { run: run.clone(), machine: self.host.clone(), started_at, ..*report };
        self.store.put(&report.into()).expect("recorded");
        self.runs.insert(run);
    }

    /// A new case, and its second and last revision.
    fn add_case(&mut self) {
        let Ok(Document::Case(case)) = Document::read(CASE) else { panic!("a case") };
        let id = uuid::Uuid::now_v7().to_string();
        for state in ["opened", "closed"] {
            let case =
                Case { case: id.clone(), closed: Some(state.to_owned()), cable: state.into(), ..(*case).clone() };
            self.store.put(&case.into()).expect("recorded");
        }
        self.cases.insert((id, "closed".to_owned()));
    }

    fn add_change(&mut self) {
        let at_ms = jiff::Timestamp::now().as_millisecond();
        let change = Change { from: State::Proven, to: State::Suspect, at_ms, why: "bit-errors".into() };
        let entry = Entry { port: "quay1".into(), change: Some(change), ..Entry::default() };
        self.store.enter(&entry).expect("recorded");
        self.changes += 1;
    }

    fn waiting(&self) -> u64 {
        self.store.backlog().expect("the outbox").waiting
    }
}

/// Says what the tables hold of what the agents recorded: runs, cases in their last revision, changes.
fn in_tables(fleet: &Fleet) -> (u64, u64, u64) {
    (
        fleet.count("SELECT count(*) FROM run"),
        fleet.count("SELECT count(*) FROM case_document WHERE cable = 'closed'"),
        fleet.count("SELECT count(*) FROM state_change"),
    )
}

/// Waits until all is in the tables, and holds each against what was recorded.
#[track_caller]
fn everything_is_there_once(fleet: &Fleet, records: &[Records]) {
    let count = |of: fn(&Records) -> usize| records.iter().map(of).sum::<usize>() as u64;
    let wanted = (count(|r| r.runs.len()), count(|r| r.cases.len()), count(|r| r.changes as usize));
    let began = Instant::now();
    while in_tables(fleet) != wanted {
        let waiting: Vec<u64> = records.iter().map(Records::waiting).collect();
        assert!(
            began.elapsed() < Duration::from_secs(120),
            "{:?} are in the tables, {wanted:?} were recorded, {waiting:?} wait\n{}",
            in_tables(fleet),
            fleet.logs()
        );
        thread::sleep(Duration::from_millis(200));
    }
    wait_until("nothing waits", || records.iter().all(|r| r.waiting() == 0));
    let told = fleet.ask("SELECT id FROM run ORDER BY id").expect("an answer");
    let runs: BTreeSet<String> = told.lines().map(str::to_owned).collect();
    let recorded: BTreeSet<String> = records.iter().flat_map(|r| r.runs.iter().cloned()).collect();
    assert_eq!(runs, recorded);
    let told = fleet.ask("SELECT id || ' ' || cable FROM case_document ORDER BY id").expect("an answer");
    let cases: BTreeSet<String> = told.lines().map(str::to_owned).collect();
    let recorded = records.iter().flat_map(|r| r.cases.iter()).map(|(id, cable)| format!("{id} {cable}"));
    assert_eq!(cases, recorded.collect());
    assert_eq!(in_tables(fleet), wanted, "and no more comes");
    assert_eq!(fleet.count("SELECT count(*) FROM poison"), 0, "{:?}", fleet.ask("SELECT reason FROM poison"));
}

#[test]
fn what_agents_record_is_in_the_tables_once_whatever_dies() {
    let Some(mut fleet) = Fleet::start() else { return };
    let (code, told) = fleet.run("init");
    assert_eq!(code, Some(0), "{told}");
    let agents = 2;
    for n in 0..agents {
        fleet.add_agent(&format!("closet-{n}"), "");
    }
    (0..2).for_each(|_| fleet.add_collector());
    let mut records: Vec<Records> = (0..agents).map(|n| Records::open(&fleet.state(n))).collect();
    let seed = std::env::var("TURNBACK_SEED").ok().and_then(|seed| seed.parse().ok()).unwrap_or(15);
    let mut rng = Rng::new(seed);
    let parts = [Part::Broker, Part::Database, Part::Collector(0), Part::Collector(1), Part::Agent(0), Part::Agent(1)];
    // Every part in the first six, in an order drawn; then whatever is drawn.
    let mut order: Vec<Part> = parts.to_vec();
    for n in (1..order.len()).rev() {
        order.swap(n, rng.below(n as u64 + 1) as usize);
    }
    let rounds = kills(6);
    for round in 0..rounds {
        let part = *order.get(round as usize).unwrap_or(&parts[rng.below(parts.len() as u64) as usize]);
        let record = |rng: &mut Rng, records: &mut [Records]| {
            for records in records.iter_mut() {
                (0..2 + rng.below(6)).for_each(|_| records.add_run());
                (0..rng.below(2)).for_each(|_| records.add_case());
                (0..rng.below(3)).for_each(|_| records.add_change());
            }
        };
        record(&mut rng, &mut records);
        thread::sleep(Duration::from_millis(rng.below(700)));
        fleet.kill(part);
        record(&mut rng, &mut records);
        thread::sleep(Duration::from_millis(rng.below(700)));
        fleet.revive(part);
    }
    everything_is_there_once(&fleet, &records);

    // What comes again changes nothing. The broker remembers ids for a second only.
    thread::sleep(Duration::from_millis(1500));
    let before = fleet.count("SELECT count(*) FROM run");
    let again = records[0].store.enter_again(0).expect("entered");
    assert!(again > 0);
    wait_until("all went again", || records[0].waiting() == 0);
    wait_until("all was collected again", || {
        let (_, told) = fleet.run("init");
        told.contains("as configured") && fleet.count("SELECT count(*) FROM run") == before
    });
    everything_is_there_once(&fleet, &records);
    let machines = fleet.ask("SELECT name FROM machine ORDER BY name").expect("an answer");
    assert_eq!(machines, "closet-0\ncloset-1");
    assert_eq!(fleet.count("SELECT count(*) FROM port WHERE label LIKE 'A-%' AND cabinet = 'quay-3'"), 2);
}

/// Sends messages as an agent would, or as none should.
fn publish(fleet: &Fleet, messages: &[(&str, &[u8])]) {
    let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build().expect("a runtime");
    runtime.block_on(async {
        let client = ConnectOptions::new().connect(fleet.address()).await.expect("the broker");
        let broker = jetstream::new(client);
        for (number, (subject, bytes)) in messages.iter().enumerate() {
            let mut headers = HeaderMap::new();
            headers.insert("Turnback-Number", (number + 1).to_string());
            let sent = broker.publish_with_headers((*subject).to_owned(), headers, bytes.to_vec().into()).await;
            sent.expect("sent").await.expect("taken");
        }
    });
}

#[test]
fn a_message_that_cannot_be_taken_is_set_aside_and_holds_up_no_other() {
    let Some(mut fleet) = Fleet::start() else { return };
    assert_eq!(fleet.run("init").0, Some(0));
    let run = zstd::bulk::compress(RUN.as_bytes(), 3).expect("packed");
    let newer = RUN.replacen("\"format\": 1", "\"format\": 99", 1);
    assert_ne!(newer, RUN);
    let newer = zstd::bulk::compress(newer.as_bytes(), 3).expect("packed");
    publish(
        &fleet,
        &[
            ("turnback.v1.north-quay.closet-7.run", b"no document"),
            ("turnback.v1.north-quay.closet-7.run", &newer),
            ("turnback.v1.north-quay.closet-7.run", &run),
            ("turnback.v1.north-quay.closet-7.case", &run),
        ],
    );
    fleet.add_collector();
    wait_until("the run is in the tables", || fleet.count("SELECT count(*) FROM run") == 1);
    wait_until("three are set aside", || fleet.count("SELECT count(*) FROM poison") == 3);
    let (code, told) = fleet.run("poison --json");
    assert_eq!(code, Some(0), "{told}");
    let told: serde_json::Value = serde_json::from_str(&told).expect("JSON");
    let reasons: Vec<&str> = told["poison"].as_array().unwrap().iter().map(|l| l["reason"].as_str().unwrap()).collect();
    for part in ["cannot be unpacked", "made by a newer version", "its subject says case, it is a run"] {
        assert!(reasons.iter().any(|reason| reason.contains(part)), "{part}: {reasons:?}");
    }
    assert!(told["poison"].as_array().unwrap().iter().all(|line| line["tries"] == 2), "{told}");
    // Nothing of it is left at the broker, and a second look still refuses them.
    let (code, told) = fleet.run("poison --retry");
    assert_eq!(code, Some(0), "{told}");
    assert!(told.starts_with("taken: 0\nstill set aside: 3\n"), "{told}");
}

#[test]
fn an_agent_is_heard_under_its_own_name_only() {
    let accounts = |fleet: &Fleet| {
        let keys = fleet.path("keys");
        let folder = keys.display();
        let (code, told) = fleet.run(&format!("accounts north-quay.closet-0 north-quay.closet-1 --folder {folder}"));
        assert_eq!(code, Some(0), "{told}");
        // A machine that comes later is added; the keys of the others stay.
        let seed = std::fs::read_to_string(keys.join("agent.north-quay.closet-0.seed")).expect("a seed");
        let (_, told) = fleet.run(&format!("accounts north-quay.closet-2 --folder {folder}"));
        assert!(told.contains("with 6 accounts") && !told.contains("closet-0"), "{told}");
        assert_eq!(std::fs::read_to_string(keys.join("agent.north-quay.closet-0.seed")).expect("a seed"), seed);
        assert!(!std::fs::read_to_string(keys.join("accounts.conf")).expect("a file").contains(seed.trim()));
        // The broker looks for it beside its own configuration.
        "include \"keys/accounts.conf\"".to_owned()
    };
    let Some(mut fleet) = Fleet::start_with(accounts) else { return };
    let key = |fleet: &Fleet, name: &str| fleet.path("keys").join(format!("{name}.seed")).display().to_string();
    let (code, told) = fleet.run("init");
    assert_eq!(code, Some(4), "nobody comes in without a key: {told}");
    let (code, told) = fleet.run(&format!("init --credentials {}", key(&fleet, "init")));
    assert_eq!(code, Some(0), "{told}");
    fleet.write_config(&format!("credentials_file = \"{}\"", key(&fleet, "collect")));
    let (code, told) = fleet.run("init");
    assert_eq!(code, Some(4), "a collector may not set up streams: {told}");
    fleet.add_collector();
    let own = format!("credentials_file = \"{}\"", key(&fleet, "agent.north-quay.closet-0"));
    // The second uses the key of the first under its own name.
    for name in ["closet-0", "closet-1"] {
        fleet.add_agent(name, &own);
    }
    let mut records: Vec<Records> = (0..2).map(|n| Records::open(&fleet.state(n))).collect();
    records.iter_mut().for_each(Records::add_run);
    wait_until("the first is heard", || fleet.count("SELECT count(*) FROM run") == 1);
    let log = fleet.path("agent-1.log");
    wait_until("the second is refused", || {
        std::fs::read_to_string(&log).unwrap_or_default().to_lowercase().contains("permissions violation")
    });
    assert_eq!(fleet.ask("SELECT name FROM machine").expect("an answer"), "closet-0", "{}", fleet.logs());
    assert_eq!(records[1].waiting(), 1);
    // No log holds a key.
    let seed = std::fs::read_to_string(key(&fleet, "agent.north-quay.closet-0")).expect("a seed");
    assert!(!fleet.logs().contains(seed.trim()));
}

/// An authority, and a certificate that it signed for this name.
fn certificate(folder: &Path, name: &str, valid: &[&str]) {
    let run = |arguments: &[&str]| {
        let output = Command::new("openssl").args(arguments).current_dir(folder).output().expect("openssl");
        assert!(output.status.success(), "{arguments:?}: {}", String::from_utf8_lossy(&output.stderr));
    };
    let key = ["-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:P-256", "-nodes"];
    let authority = ["req", "-x509", "-keyout", "ca.key", "-out", "ca.pem", "-days", "2", "-subj", "/CN=harbour"];
    run(&[&authority[..], &key].concat());
    run(&[&["req", "-keyout", "broker.key", "-out", "broker.csr", "-subj", "/CN=broker"], &key[..]].concat());
    std::fs::write(folder.join("ext"), format!("subjectAltName={name}\n")).expect("it is written");
    let sign = ["x509", "-req", "-in", "broker.csr", "-CA", "ca.pem", "-CAkey", "ca.key", "-CAcreateserial"];
    run(&[&sign[..], &["-extfile", "ext", "-out", "broker.pem"], valid].concat());
}

#[test]
fn a_broker_with_a_wrong_name_or_an_old_certificate_is_refused() {
    if !installed("openssl", "openssl") {
        return;
    }
    for (name, valid, code, part) in [
        ("IP:127.0.0.1", ["-days", "2"], 0, "created"),
        ("DNS:broker.example", ["-days", "2"], 4, "not valid for name"),
        ("IP:127.0.0.1", ["-days", "-1"], 4, "Expired"),
    ] {
        let tls = |fleet: &Fleet| {
            let folder = fleet.path("");
            certificate(&folder, name, &valid);
            let file = |name: &str| folder.join(name).display().to_string();
            format!("tls {{ cert_file: {:?}, key_file: {:?} }}", file("broker.pem"), file("broker.key"))
        };
        let Some(fleet) = Fleet::start_with(tls) else { return };
        fleet.write_config(&format!("ca_file = {:?}", fleet.path("ca.pem").display().to_string()));
        let (status, told) = fleet.run("init");
        assert_eq!(status, Some(code), "{name} {valid:?}: {told}");
        assert!(told.contains(part), "{name} {valid:?}: {told}");
    }
}

#[test]
fn a_month_is_a_partition_and_old_months_go() {
    let Some(fleet) = Fleet::start() else { return };
    assert_eq!(fleet.run("init").0, Some(0));
    let (code, told) = fleet.run("init");
    assert!(code == Some(0) && told.contains(&format!("tables: in format {FORMAT}")), "{told}");
    let insert = |day: &str| {
        let id = format!("lowest_id('{day}T12:00:00Z')");
        let rest = "1, 1, now(), now(), 'ethernet', false, NULL, NULL, NULL, NULL, NULL, NULL, 'at-port', 'quick', 'pass', \
            '', NULL, NULL, NULL, NULL, NULL, NULL, 'turnback', false, ''";
        fleet.ask(&format!("INSERT INTO run VALUES ({id}, {rest}) ON CONFLICT DO NOTHING")).expect("inserted");
    };
    let all = |table: &str| fleet.count(&format!("SELECT count(*) FROM {table}"));
    // Before its month has a partition a run is among the odd times; then it moves over, and is still there once.
    insert("2031-03-31");
    assert_eq!((all("run"), all("run_at_odd_times")), (1, 1));
    assert_eq!(fleet.ask("SELECT make_month('2031-03-01T00:00:00Z')").as_deref(), Some("t"));
    assert_eq!(fleet.ask("SELECT make_month('2031-03-31T23:59:59Z')").as_deref(), Some("f"));
    assert_eq!((all("run"), all("run_at_odd_times"), all("run_2031_03")), (1, 0, 1));
    insert("2031-03-31");
    assert_eq!(all("run"), 1);
    // A month is dropped when it is over altogether.
    insert("2031-04-01");
    fleet.ask("SELECT make_month('2031-04-01T00:00:00Z')").expect("made");
    assert_eq!(fleet.ask("SELECT drop_before('run', '2031-03-31T23:59:59Z')").as_deref(), Some(""));
    assert_eq!(fleet.ask("SELECT drop_before('run', '2031-04-01T00:00:00Z')").as_deref(), Some("run_2031_03"));
    assert_eq!((all("run"), all("run_2031_04")), (1, 1));
}
