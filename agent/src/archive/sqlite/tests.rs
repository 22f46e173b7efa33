//! Records written, found, dropped, exchanged and spoiled.

use std::{io, path::PathBuf};

use rusqlite::Connection;
use tempfile::TempDir;
use turnback_core::{base::placement::Placement, judge::Outcome, kind::port::PortIdentity, plan::Profile};

use super::{
    exchange::{ExportError, Form},
    retention::Retention,
    *,
};
use crate::{
    archive::{RunAt, filter::Filter, record::SHORT_ID_MIN},
    engine::{CheckOptions, cancel::Cancel, check},
    ports::simulated::ethernet::SimulatedPort,
};

const DAY_MS: i64 = 86_400_000;
/// 2026-03-01T08:00:00Z.
const START_MS: i64 = 1_772_352_000_000;

/// The id of the n-th made-up run: its time and its number.
fn id(n: u64) -> String {
    let ms = (START_MS as u64 + n * 60_000).to_be_bytes();
    let mut bytes = [0; 16];
    bytes[..6].copy_from_slice(&ms[2..]);
    bytes[6] = 0x70;
    bytes[8..].copy_from_slice(&(0x8000_0000_0000_0000 | n).to_be_bytes());
    uuid::Uuid::from_bytes(bytes).to_string()
}

/// The report of a short check of a simulated port, under the name and time of the n-th run.
fn report(n: u64) -> Report {
    let mut profile = Profile::named("quick").unwrap();
    profile.time = Duration::from_millis(1);
    let options = CheckOptions {
        profile,
        placement: None,
        cable: None,
        labels: Default::default(),
        machine: "cabinet3".into(),
        line: Default::default(),
        speed_mbps: None,
        seed: n,
        run: id(n),
        started_at: at(n).to_string(),
        although_in_service: false,
        confirm: false,
    };
    let mut port = SimulatedPort::open("good", n).unwrap();
    let mut report = check(&mut port, None, options, &mut |_| {}, &Cancel::default()).unwrap();
    report.port.name = format!("quay{}", n % 4);
    report
}

fn at(n: u64) -> jiff::Timestamp {
    jiff::Timestamp::from_millisecond(START_MS + n as i64 * 60_000).unwrap()
}

struct Kit {
    folder: TempDir,
    store: Store,
}

fn kit() -> Kit {
    let folder = tempfile::tempdir().unwrap();
    let store = Store::open(&folder.path().join("records.db")).unwrap();
    Kit { folder, store }
}

impl Kit {
    fn path(&self) -> PathBuf {
        self.folder.path().join("records.db")
    }

    /// Keeps runs `0..count` that `shape` has changed.
    fn with(mut self, count: u64, shape: impl Fn(u64, &mut Report)) -> Self {
        let model = report(0);
        for n in 0..count {
            let mut report = model.clone();
            (report.run, report.started_at) = (id(n), at(n).to_string());
            report.port.name = format!("quay{}", n % 4);
            shape(n, &mut report);
            assert_eq!(self.store.keep(&report).unwrap(), Kept::New);
        }
        self
    }

    fn ids(&self, filter: &Filter) -> Vec<String> {
        self.store.runs(filter, None).unwrap().into_iter().map(|record| record.run).collect()
    }
}

fn ids(numbers: impl IntoIterator<Item = u64>) -> Vec<String> {
    numbers.into_iter().map(id).collect()
}

#[test]
fn a_kept_report_comes_back_as_it_was() {
    let mut kit = kit();
    let mut report = report(3);
    report.cable = Some("Q-12".into());
    report.labels.note = Some("rust on the shell; \"north\" side, 2nd try\u{e9}".into());
    report.port.permanent_address = Some("02:00:00:00:00:07".into());
    assert_eq!(kit.store.keep(&report).unwrap(), Kept::New);
    assert_eq!(kit.store.keep(&report).unwrap(), Kept::AlreadyThere);
    let back = kit.store.report(&report.run).unwrap();
    assert_eq!(serde_json::to_string(&back).unwrap(), serde_json::to_string(&report).unwrap());
    let record = kit.store.record(&report.run[..9]).unwrap();
    assert_eq!(record, Record::of(&report).unwrap());
    assert_eq!(record.started_ms, START_MS + 180_000);
    assert_eq!(record.says(), report.verdict.outcome.name());
    assert_eq!(kit.store.look_through().unwrap().problems, Vec::<String>::new());
}

#[test]
fn filters_let_through_what_they_say() {
    let kit = kit().with(12, |n, report| {
        report.cable = (n % 3 == 0).then(|| format!("Q-{n}"));
        report.labels.port = (n == 5).then(|| "A-14".into());
        report.labels.plug = (n == 6).then(|| "[x]".into());
        report.verdict.outcome = if n < 4 { Outcome::Fault } else { Outcome::Pass };
    });
    let text = |text: &str| Some(text.to_owned());
    let cases: [(Filter, &[u64]); 10] = [
        (Filter::default(), &[11, 10, 9, 8, 7, 6, 5, 4, 3, 2, 1, 0]),
        (Filter { port: text("quay1"), ..Filter::default() }, &[9, 5, 1]),
        (Filter { port: text("A-14"), ..Filter::default() }, &[5]),
        (Filter { cable: text("Q-9"), ..Filter::default() }, &[9]),
        (Filter { cable: text("Q-*"), ..Filter::default() }, &[9, 6, 3, 0]),
        (Filter { plug: text("[?]"), ..Filter::default() }, &[6]),
        (Filter { outcome: text("fault"), port: text("quay?"), ..Filter::default() }, &[3, 2, 1, 0]),
        (Filter { since_ms: Some(START_MS + 9 * 60_000), ..Filter::default() }, &[11, 10, 9]),
        (Filter { until_ms: Some(START_MS + 60_000), ..Filter::default() }, &[0]),
        (Filter { placement: Some(Placement::Internal), ..Filter::default() }, &[]),
    ];
    for (filter, expected) in cases {
        assert_eq!(kit.ids(&filter), ids(expected.iter().copied()), "{filter:?}");
        assert_eq!(kit.store.count(&filter).unwrap(), expected.len() as u64, "{filter:?}");
    }
    assert_eq!(kit.store.runs(&Filter::default(), Some(2)).unwrap().len(), 2);
}

#[test]
fn a_run_is_found_by_the_beginning_of_its_id() {
    let kit = kit().with(3, |_, _| {});
    for n in 0..3 {
        let short = kit.store.short_id(&id(n)).unwrap();
        assert!(short.len() >= SHORT_ID_MIN && !short.ends_with('-'), "{short}");
        assert_eq!(kit.store.record(&short).unwrap().run, id(n));
        assert_eq!(kit.store.record(&short.to_uppercase()).unwrap().run, id(n));
    }
    assert_eq!(kit.store.record("last").unwrap().run, id(2));
    assert!(matches!(kit.store.record(&id(0)[..4]), Err(ArchiveError::Ambiguous { ids, .. }) if ids.len() == 3));
    for nothing in ["", "f", "%", "quay1", "0'"] {
        assert!(
            matches!(kit.store.record(nothing), Err(ArchiveError::Unknown { kind: Some(DocumentKind::Run), .. })),
            "{nothing}"
        );
    }
}

#[test]
fn ids_that_share_their_time_are_shown_longer() {
    let (a, b) = ("019cabcd-0000-7000-8000-000000000001", "019cabcd-0000-7000-8000-000000000002");
    let kit = kit().with(2, |n, report| report.run = [a, b][n as usize].into());
    assert_eq!(kit.store.short_id(a).unwrap(), a);
    assert_eq!(kit.store.record(a).unwrap().run, a);
}

#[test]
fn the_latest_run_of_a_place_is_that_of_the_same_port_plug_and_cable() {
    let address = "02:00:00:00:00:07";
    let kit = kit().with(8, |n, report| {
        report.port.name = "quay7".into();
        report.placement = if n < 4 { Placement::AtPort } else { Placement::FarEnd };
        report.cable = (n >= 4).then(|| "Q-12".into());
        report.port.permanent_address = (n != 2).then(|| if n == 3 { "02:00:00:00:00:99" } else { address }.into());
        if n == 7 {
            report.verdict.outcome = Outcome::NotTested;
        }
    });
    let latest = |machine, address: Option<&str>, placement, cable, since_ms| {
        let permanent_address = address.map(str::to_owned);
        let port = PortIdentity { name: "quay7".into(), permanent_address, ..PortIdentity::default() };
        let at = RunAt { machine, port: &port, placement, cable, segment: None, since_ms };
        kit.store.latest(&Sought::Run(at)).unwrap().map(|found| found.id().to_owned())
    };
    let here = |address, placement, cable| latest("cabinet3", address, placement, cable, 0);
    // Run 3 was another adapter under this name; run 2 did not know its address.
    assert_eq!(here(Some(address), Placement::AtPort, None), Some(id(2)));
    assert_eq!(here(None, Placement::AtPort, None), Some(id(3)));
    assert_eq!(here(Some(address), Placement::FarEnd, Some("Q-12")), Some(id(6)));
    assert_eq!(here(Some(address), Placement::FarEnd, Some("Q-13")), None);
    assert_eq!(here(Some(address), Placement::FarEnd, None), None);
    assert_eq!(latest("cabinet3", Some(address), Placement::AtPort, None, START_MS + 3 * 60_000), None);
    assert_eq!(latest("cabinet4", None, Placement::AtPort, None, 0), None);
}

#[test]
fn pruning_goes_by_age_and_number() {
    let days = |n: u64, report: &mut Report| {
        let time = jiff::Timestamp::from_millisecond(START_MS + n as i64 * DAY_MS).unwrap();
        report.started_at = time.to_string();
    };
    let now = START_MS + 10 * DAY_MS;
    let rule = |days: Option<u64>, keep| Retention { older_than_s: days.map(|d| d * 86_400), keep };
    for (retention, left) in [
        (rule(None, None), 0..10),
        (rule(Some(3), None), 7..10),
        (rule(None, Some(4)), 6..10),
        (rule(Some(3), Some(4)), 7..10),
        (rule(Some(5), Some(2)), 8..10),
        (rule(None, Some(0)), 10..10),
        (rule(Some(100_000_000_000), Some(u64::MAX)), 0..10),
    ] {
        let mut kit = kit().with(10, days);
        let go = 10 - left.clone().count() as u64;
        assert_eq!(kit.store.would_prune(retention, now).unwrap().runs, go, "{retention:?}");
        assert_eq!(kit.store.prune(retention, now).unwrap().runs, go, "{retention:?}");
        kit.store.give_room_back().unwrap();
        assert_eq!(kit.ids(&Filter::default()), ids(left.rev()), "{retention:?}");
        let found = kit.store.look_through().unwrap();
        assert_eq!((found.runs, found.problems.len()), (10 - go, 0));
        // Equipment the run goes its report.
        let reports: u64 = kit.store.db.query_row("SELECT count(*) FROM report", [], |row| row.get(0)).unwrap();
        assert_eq!(reports, 10 - go);
    }
}

#[test]
fn the_stored_rule_is_applied_after_every_run() {
    let mut kit = kit().with(5, |_, _| {});
    assert_eq!(kit.store.retention().unwrap(), None);
    let rule = Retention { older_than_s: None, keep: Some(3) };
    kit.store.set_retention(Some(rule)).unwrap();
    assert_eq!(kit.store.retention().unwrap(), Some(rule));
    kit.store.keep(&report(5)).unwrap();
    assert_eq!(kit.ids(&Filter::default()), ids([5, 4, 3]));
    kit.store.set_retention(None).unwrap();
    kit.store.keep(&report(6)).unwrap();
    assert_eq!(kit.ids(&Filter::default()), ids([6, 5, 4, 3]));
}

#[test]
fn json_lines_go_round_and_are_taken_in_once() {
    let from = kit().with(7, |n, report| report.cable = (n > 4).then(|| "Q-12".into()));
    let mut lines = Vec::new();
    let done = from.store.export(&Filter::default(), Form::JsonLines, &mut lines).unwrap();
    assert_eq!((done.written, done.without_report), (7, 0));
    assert_eq!(lines.iter().filter(|byte| **byte == b'\n').count(), 7);

    let mut to = kit().with(2, |_, _| {});
    let done = to.store.import(Form::JsonLines, "all", &lines[..]).unwrap();
    assert_eq!((done.new, done.completed, done.already_there), (5, 0, 2));
    let again = to.store.import(Form::JsonLines, "all", &lines[..]).unwrap();
    assert_eq!((again.new, again.already_there), (0, 7));
    let mut back = Vec::new();
    to.store.export(&Filter::default(), Form::JsonLines, &mut back).unwrap();
    assert_eq!(back, lines);

    let mut some = Vec::new();
    let filter = Filter { cable: Some("Q-12".into()), ..Filter::default() };
    assert_eq!(from.store.export(&filter, Form::JsonLines, &mut some).unwrap().written, 2);
}

#[test]
fn a_report_over_many_lines_is_taken_in() {
    let printed = serde_json::to_string_pretty(&report(1)).unwrap();
    let mut kit = kit();
    assert_eq!(kit.store.import(Form::JsonLines, "-", printed.as_bytes()).unwrap().new, 1);
    let mut lines = Vec::new();
    kit.store.export(&Filter::default(), Form::JsonLines, &mut lines).unwrap();
    assert_eq!(lines.iter().filter(|byte| **byte == b'\n').count(), 1);
}

#[test]
fn csv_carries_the_columns_and_the_reports_complete_them() {
    let shape = |n: u64, report: &mut Report| {
        report.labels.note = Some(format!("\"{n}\", rusty\u{e9}; =1+1"));
        report.labels.plug = (n == 1).then(|| "P-3".into());
    };
    let from = kit().with(3, shape);
    let (mut csv, mut lines) = (Vec::new(), Vec::new());
    from.store.export(&Filter::default(), Form::Csv, &mut csv).unwrap();
    from.store.export(&Filter::default(), Form::JsonLines, &mut lines).unwrap();

    let mut to = kit();
    assert_eq!(to.store.import(Form::Csv, "runs.csv", &csv[..]).unwrap().new, 3);
    assert_eq!(to.store.import(Form::Csv, "runs.csv", &csv[..]).unwrap().already_there, 3);
    assert_eq!(to.store.runs(&Filter::default(), None).unwrap(), from.store.runs(&Filter::default(), None).unwrap());
    assert!(matches!(to.store.report(&id(0)), Err(ArchiveError::ColumnsOnly { .. })));
    assert_eq!(to.store.look_through().unwrap().without_report, 3);
    let mut none = Vec::new();
    assert_eq!(to.store.export(&Filter::default(), Form::JsonLines, &mut none).unwrap().without_report, 3);

    assert_eq!(to.store.import(Form::JsonLines, "runs.jsonl", &lines[..]).unwrap().completed, 3);
    assert_eq!(to.store.report(&id(0)).unwrap().run, id(0));
}

/// A reader who has seen enough, as `head` has: more rows than any buffer on the way holds.
#[test]
fn a_reader_who_has_gone_is_told_from_a_full_disk() {
    struct Gone(io::ErrorKind);
    impl io::Write for Gone {
        fn write(&mut self, _: &[u8]) -> io::Result<usize> {
            Err(self.0.into())
        }
        fn flush(&mut self) -> io::Result<()> {
            Ok(())
        }
    }
    let kit = kit().with(60, |_, _| {});
    for form in [Form::Csv, Form::JsonLines] {
        for kind in [io::ErrorKind::BrokenPipe, io::ErrorKind::StorageFull] {
            match kit.store.export(&Filter::default(), form, Gone(kind)) {
                Err(ExportError::Write(error)) => assert_eq!(error.kind(), kind),
                other => panic!("{other:?}"),
            }
        }
    }
}

#[test]
fn what_is_no_record_is_refused_with_its_line_and_what_came_before_is_kept() {
    let from = kit().with(2, |_, _| {});
    let mut lines = Vec::new();
    from.store.export(&Filter::default(), Form::JsonLines, &mut lines).unwrap();
    let good = String::from_utf8(lines).unwrap();
    let first = good.lines().next().unwrap();
    let other = |from: &str, to: &str| first.replace(from, to);
    let wrong = [
        ("not json".to_owned(), "no report"),
        ("{}".to_owned(), "that this program does not make"),
        (other(&id(0), "quay7"), "no id of a run"),
        (other("2026-03-01", "2026-03-41"), "started_at"),
        (other("\"format\":2", "\"format\":99"), "format 99, made by a newer version"),
        (first[..first.len() / 2].to_owned(), "no report"),
    ];
    for (line, cause) in wrong {
        let mut to = kit();
        let text = format!("{first}\n\n{line}\n");
        let error = to.store.import(Form::JsonLines, "runs.jsonl", text.as_bytes()).unwrap_err();
        assert!(error.to_string().starts_with("line 3 of runs.jsonl: "), "{error}");
        assert!(error.to_string().contains(cause), "{error}");
        assert_eq!(to.ids(&Filter::default()), ids([0]), "{error}");
    }
    let csv = [
        ("run,port,weight\n", 1, "no column `weight`"),
        ("run,port,placement,outcome,started_at\nx,quay7,at-port,pass,2026-03-01T08:00:00Z\n", 2, "no id of a run"),
        ("run,port,placement,outcome,started_at\nx,quay7,at-port,good,2026-03-01T08:00:00Z\n", 2, "column outcome"),
        ("run,port,placement,outcome,started_at\nx,quay7,inside,pass,2026-03-01T08:00:00Z\n", 2, "column placement"),
        ("run,errors\nx,many\n", 2, "column errors: invalid digit"),
    ];
    for (text, line, cause) in csv {
        let error = kit().store.import(Form::Csv, "runs.csv", text.as_bytes()).unwrap_err().to_string();
        assert!(error.starts_with(&format!("line {line} of runs.csv: ")), "{error}");
        assert!(error.contains(cause), "{error}");
    }
}

#[test]
fn a_copy_is_whole_while_another_writes() {
    let mut kit = kit().with(20, |_, _| {});
    let copy = kit.folder.path().join("copy.db");
    let reader = Store::open_existing(&kit.path()).unwrap();
    let open_write = kit.store.db.transaction_with_behavior(TransactionBehavior::Immediate).unwrap();
    open_write.execute("DELETE FROM run", []).unwrap();
    reader.backup(&copy).unwrap();
    drop(open_write);
    assert!(matches!(reader.backup(&copy), Err(ArchiveError::Exists { .. })));
    let copied = Store::open_existing(&copy).unwrap().look_through().unwrap();
    assert_eq!((copied.runs, copied.problems.len()), (20, 0));
    let beside: Vec<_> = fs::read_dir(kit.folder.path()).unwrap().map(|e| e.unwrap().file_name()).collect();
    assert!(!beside.iter().any(|name| name.to_string_lossy().contains(".part")), "{beside:?}");
}

#[test]
fn a_newer_format_is_refused_and_left_alone() {
    let kit = kit().with(1, |_, _| {});
    let newer = schema::MIGRATIONS.len() as u32 + 1;
    kit.store.db.pragma_update(None, "user_version", newer).unwrap();
    let path = kit.path();
    drop(kit.store);
    let before = fs::read(&path).unwrap();
    match Store::open(&path) {
        Err(error @ ArchiveError::Newer { found, .. }) if found == newer => {
            assert!(error.hint().unwrap().contains("newer"))
        }
        other => panic!("{other:?}"),
    }
    assert_eq!(fs::read(&path).unwrap(), before);
}

#[test]
fn what_is_not_ours_is_refused_and_left_alone() {
    let folder = tempfile::tempdir().unwrap();
    let text = folder.path().join("notes.txt");
    fs::write(&text, "cabinet 3: the lock-gate controller again. ".repeat(200)).unwrap();
    let foreign = folder.path().join("other.db");
    Connection::open(&foreign).unwrap().execute_batch("CREATE TABLE tide (height REAL)").unwrap();
    for path in [text, foreign] {
        let before = fs::read(&path).unwrap();
        assert!(matches!(Store::open(&path), Err(ArchiveError::NotRecords { .. })), "{}", path.display());
        assert_eq!(fs::read(&path).unwrap(), before);
    }
    assert!(matches!(Store::open(folder.path()), Err(ArchiveError::Unusable { .. })));
    assert!(matches!(Store::open(&folder.path().join("no/records.db")), Err(ArchiveError::Unusable { .. })));
    assert!(matches!(Store::open_existing(&folder.path().join("no.db")), Err(ArchiveError::Missing { .. })));
}

/// Every older format must be brought up to date with all it holds.
#[test]
fn every_older_format_is_brought_up_to_date() {
    for from in 0..schema::MIGRATIONS.len() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("records.db");
        let old = Connection::open(&path).unwrap();
        for step in &schema::MIGRATIONS[..from] {
            old.execute_batch(step).unwrap();
        }
        old.pragma_update(None, "user_version", from as u32).unwrap();
        drop(old);
        let mut store = Store::open(&path).unwrap();
        store.keep(&report(1)).unwrap();
        assert_eq!(store.runs(&Filter::default(), None).unwrap().len(), 1, "from format {from}");
    }
}

/// Format 2 of the file called simulated ports of either kind `simulated`.
#[test]
fn simulated_ports_of_an_older_file_get_their_kind() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("records.db");
    let old = Connection::open(&path).unwrap();
    schema::MIGRATIONS[..2].iter().for_each(|step| old.execute_batch(step).unwrap());
    old.pragma_update(None, "user_version", 2).unwrap();
    let mut expected = Vec::new();
    for (n, (word, columns, document, kind, simulated)) in [
        ("simulated", "10, 1000", Some(r#"{"line":null}"#), "ethernet", true),
        ("simulated", "NULL, NULL", Some(r#"{"line":{"format":"9600,8N1"}}"#), "serial", true),
        ("simulated", "NULL, 1000", None, "serial", true),
        ("simulated", "NULL, NULL", Some("cut off"), "ethernet", true),
        ("serial", "NULL, 1000", Some(r#"{"line":{}}"#), "serial", false),
        ("ethernet", "10, 1000", None, "ethernet", false),
    ]
    .into_iter()
    .enumerate()
    {
        let run = id(n as u64);
        let sql = format!(
            "INSERT INTO run (run, started_at, started_ms, machine, port, kind, placement, profile, outcome, \
             location, program, frames_sent, error_trials) VALUES ('{run}', '', {n}, '', 'p', '{word}', 'at-port', \
             '', 'pass', '', '', {columns})"
        );
        old.execute(&sql, []).unwrap();
        let row = old.last_insert_rowid();
        if let Some(document) = document {
            old.execute("INSERT INTO report VALUES (?1, ?2)", rusqlite::params![row, document]).unwrap();
        }
        expected.insert(0, (run, kind.to_owned(), simulated));
    }
    for (case, document) in [("a", r#"{"capabilities":{"carries_bytes":true}}"#), ("b", r#"{"capabilities":{}}"#)] {
        old.execute(
            "INSERT INTO case_document (case_id, opened_at, changed_at, changed_ms, port, kind, cable, state, \
             outcome, location, document) VALUES (?1, '', '', 0, 'p', 'simulated', '', 'open', '', '', ?2)",
            [case, document],
        )
        .unwrap();
    }
    drop(old);
    let store = Store::open(&path).unwrap();
    let found = store.runs(&Filter::default(), None).unwrap();
    assert_eq!(found.into_iter().map(|r| (r.run, r.kind, r.simulated)).collect::<Vec<_>>(), expected);
    let kind = |case: &str| -> (String, bool) {
        let sql = "SELECT kind, simulated FROM case_document WHERE case_id = ?1";
        store.db.query_row(sql, [case], |row| Ok((row.get(0)?, row.get(1)?))).unwrap()
    };
    assert_eq!((kind("a"), kind("b")), (("serial".into(), true), ("ethernet".into(), true)));
}

#[test]
fn csv_of_an_older_program_gets_its_kinds() {
    let heading = "run,port,placement,outcome,started_at,kind,frames_sent,error_trials\n";
    let row = |n, rest| format!("{},p,at-port,pass,2026-03-01T08:00:00Z,{rest}\n", id(n));
    let text = [heading.into(), row(0, "simulated,10,100"), row(1, "simulated,,100"), row(2, "serial,,100")].concat();
    let mut kit = kit();
    kit.store.import(Form::Csv, "runs.csv", text.as_bytes()).unwrap();
    let mut found: Vec<_> = kit.store.runs(&Filter::default(), None).unwrap();
    found.sort_by(|a, b| a.run.cmp(&b.run));
    let kinds: Vec<_> = found.iter().map(|record| (record.kind.as_str(), record.simulated)).collect();
    assert_eq!(kinds, [("ethernet", true), ("serial", true), ("serial", false)]);
    let wrong = heading.to_owned() + &row(3, "parallel,10,100");
    let error = kit.store.import(Form::Csv, "runs.csv", wrong.as_bytes()).unwrap_err().to_string();
    assert!(error.contains("column kind"), "{error}");
}

#[test]
fn a_full_disk_takes_nothing_that_was_kept_before() {
    let mut kit = kit().with(5, |_, _| {});
    let pages: i64 = kit.store.db.pragma_query_value(None, "page_count", |row| row.get(0)).unwrap();
    kit.store.db.pragma_update_and_check(None, "max_page_count", pages + 12, |_| Ok(())).unwrap();
    let mut kept = 5;
    let error = loop {
        match kit.store.keep(&report(kept)) {
            Ok(_) => kept += 1,
            Err(error) => break error,
        }
        assert!(kept < 100, "the limit is never met");
    };
    assert!(matches!(error, ArchiveError::Full { .. }), "{error:?}");
    assert!(error.hint().unwrap().contains("make room"));
    let found = kit.store.look_through().unwrap();
    assert_eq!((found.runs, found.problems.len()), (kept, 0));
    assert_eq!(kit.ids(&Filter::default()), ids((0..kept).rev()));
    // Equipment room again, what was refused is kept.
    kit.store.db.pragma_update_and_check(None, "max_page_count", pages + 1000, |_| Ok(())).unwrap();
    assert_eq!(kit.store.keep(&report(kept)).unwrap(), Kept::New);
}

#[test]
fn damage_is_found_and_said() {
    let kit = kit().with(40, |_, _| {});
    let path = kit.path();
    drop(kit.store);
    let mut bytes = fs::read(&path).unwrap();
    let middle = bytes.len() / 2;
    bytes[middle..middle + 9000].fill(0xa5);
    fs::write(&path, bytes).unwrap();
    match Store::open(&path).and_then(|store| store.look_through()) {
        Ok(found) => assert!(!found.problems.is_empty()),
        Err(ArchiveError::Damaged { .. }) => {}
        other => panic!("{other:?}"),
    }
}
