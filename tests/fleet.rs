//! Agents, broker, collectors and database, each of which may die at any moment.

use std::{thread, time::Duration};

use turnback::{
    archive::outbox::FleetOutbox,
    fleet::{database::FORMAT, payload},
};
use turnback_core::{base::rng::Rng, document::Document, signal::seconds::SecondCounts};

use crate::harness::{
    fleet::{Fleet, Message, Part, Unusual, certificate, free_port, wait_until},
    recorded::{RUN, Records, everything_is_there_once, id_of},
    setting::{kills, seed},
    skip::installed,
};

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
    let mut rng = Rng::new(seed(15));
    let mut parts = vec![Part::Broker(0), Part::Database];
    parts.extend((0..2).flat_map(|n| [Part::Collector(n), Part::Agent(n)]));
    // Every part in the first six, in an order drawn; then whatever is drawn.
    let mut order = parts.clone();
    for n in (1..order.len()).rev() {
        order.swap(n, rng.below(n as u64 + 1) as usize);
    }
    let rounds = kills(6);
    for round in 0..rounds {
        let part = *order.get(round as usize).unwrap_or(&parts[rng.below(parts.len() as u64) as usize]);
        records.iter_mut().for_each(|records| records.add_some(&mut rng));
        thread::sleep(Duration::from_millis(rng.below(700)));
        fleet.kill(part);
        records.iter_mut().for_each(|records| records.add_some(&mut rng));
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

#[test]
fn a_database_that_was_lost_gets_everything_again_at_once() {
    let Some(mut fleet) = Fleet::start() else { return };
    // The broker still remembers what it passed on.
    fleet.remember_ids("5m");
    assert_eq!(fleet.run("init").0, Some(0));
    fleet.add_agent("closet-0", "");
    fleet.add_collector();
    let mut records = [Records::open(&fleet.state(0))];
    records[0].add_some(&mut Rng::new(seed(33)));
    records[0].add_case();
    everything_is_there_once(&fleet, &records);
    assert!(fleet.ask("TRUNCATE run, case_document, state_change").is_some());
    assert!(records[0].store.enter_again(0).expect("entered") > 0);
    everything_is_there_once(&fleet, &records);
}

#[test]
fn a_message_that_cannot_be_taken_is_set_aside_and_holds_up_no_other() {
    let Some(mut fleet) = Fleet::start() else { return };
    assert_eq!(fleet.run("init").0, Some(0));
    let run = zstd::bulk::compress(RUN.as_bytes(), 3).expect("packed");
    let newer = RUN.replacen("\"format\": 1", "\"format\": 99", 1);
    assert_ne!(newer, RUN);
    let newer = zstd::bulk::compress(newer.as_bytes(), 3).expect("packed");
    // PostgreSQL 15, 11.2 and the source of its B-tree: an entry of an index has 2704 bytes at most.
    let Ok(Document::Run(mut long)) = Document::read(RUN) else { panic!("a run") };
    let mut rng = Rng::new(seed(3));
    long.cable = Some((0..600).map(|_| format!("{:016x}", rng.draw())).collect());
    long.run = id_of(jiff::Timestamp::now());
    let long = payload::pack_document(&Document::Run(long)).expect("packed").bytes;
    let sent =
        [("run", b"no document".to_vec()), ("run", newer.clone()), ("run", long), ("run", run.clone()), ("case", run)];
    let message = |(number, (what, bytes)): (usize, (&str, Vec<u8>))| Message::new(what, number as i64 + 1, bytes);
    fleet.publish(sent.into_iter().enumerate().map(message));
    fleet.add_collector();
    wait_until("the run is in the tables", || fleet.count("SELECT count(*) FROM run") == 1);
    wait_until("four are set aside", || fleet.count("SELECT count(*) FROM set_aside") == 4);
    let (code, told) = fleet.run("set-aside --json");
    assert_eq!(code, Some(0), "{told}");
    let told: serde_json::Value = serde_json::from_str(&told).expect("JSON");
    let reasons: Vec<&str> =
        told["set_aside"].as_array().unwrap().iter().map(|l| l["reason"].as_str().unwrap()).collect();
    for part in ["cannot be unpacked", "made by a newer version", "its subject says case, it is a run", "index"] {
        assert!(reasons.iter().any(|reason| reason.contains(part)), "{part}: {reasons:?}");
    }
    assert!(told["set_aside"].as_array().unwrap().iter().all(|line| line["tries"] == 2), "{told}");
    // Whole, so that a newer program can take it.
    let kept = fleet.ask("SELECT encode(payload, 'hex') FROM set_aside WHERE reason LIKE '%newer version%'");
    assert_eq!(kept, Some(newer.iter().map(|byte| format!("{byte:02x}")).collect()));
    // Nothing of it is left at the broker, and a second look still refuses them.
    let (code, told) = fleet.run("set-aside --retry");
    assert_eq!(code, Some(0), "{told}");
    assert!(told.starts_with("taken: 0\nstill set aside: 4\n"), "{told}");
}

#[test]
fn what_the_stream_never_takes_goes_shorter_or_is_set_aside_and_holds_up_no_other() {
    let Some(mut fleet) = Fleet::start() else { return };
    assert_eq!(fleet.run("init").0, Some(0));
    let limit = 8192;
    fleet.limit_messages(limit);
    let (code, told) = fleet.run("init");
    assert_eq!(code, Some(2), "{told}");
    assert!(told.contains(&format!("max_msg_size is {limit}, configured is ")), "{told}");
    fleet.add_agent("closet-0", "");
    fleet.add_collector();
    let mut records = Records::open(&fleet.state(0));
    let mut rng = Rng::new(seed(31));
    let [long, never] = std::array::from_fn(|_| id_of(jiff::Timestamp::now()));
    // The one is too large for its series, the other for what is no series; between them and after them the rest goes.
    records.add_run_as(&long, |report| {
        let mut second = || SecondCounts { sent: rng.draw() >> 32, ..SecondCounts::default() };
        report.seconds = (0..20_000).map(|_| second()).collect();
    });
    let words = (0..2000).map(|_| format!("{:016x}", rng.draw())).collect();
    records.add_run_as(&never, |report| report.warnings.push(words));
    records.add_run();
    records.add_case();
    (0..70).for_each(|_| records.add_change());
    let count = |of: &str| fleet.count(&format!("SELECT count(*) FROM {of}"));
    wait_until("what fits is there", || {
        count("run") == 2 && count("case_document") == 1 && count("state_change") == 70
    });
    assert_eq!(count(&format!("run WHERE id = '{long}' AND without_series")), 1);
    wait_until("nothing waits", || records.waiting() == 0);
    let aside = records.store.aside().expect("read").expect("one is set aside");
    assert_eq!(aside.count, 1);
    assert!(aside.newest.starts_with(&format!("run {never}: ")), "{}", aside.newest);
    assert!(aside.newest.contains("message size exceeds maximum allowed"), "{}", aside.newest);
    // It is told to people too, at the machine and at the fleet.
    let says = "SELECT count(*) FROM machine WHERE given_up = 1 AND troubles::text LIKE '%does not take 1 set aside%'";
    wait_until("the fleet knows", || fleet.count(says) == 1);
    // Where not even a heartbeat fits, documents have their turn all the same.
    fleet.limit_messages(64);
    fleet.kill(Part::Agent(0));
    fleet.revive(Part::Agent(0));
    records.add_run();
    wait_until("that is set aside too", || {
        records.store.aside().expect("read").is_some_and(|aside| aside.count == 2) && records.waiting() == 0
    });

    let (code, told) = fleet.run("init --change");
    assert_eq!(code, Some(0), "{told}");
    assert_eq!(told.matches(": changed").count(), 2, "{told}");
    fleet.kill(Part::Agent(0));
    fleet.revive(Part::Agent(0));
    wait_until("what was set aside came", || {
        fleet.count(&format!("SELECT count(*) FROM run WHERE id = '{never}' AND NOT without_series")) == 1
    });
    wait_until("nothing is set aside", || records.store.aside().expect("read").is_none());
    assert_eq!(fleet.count("SELECT count(*) FROM run"), 4);
}

#[test]
fn a_broker_that_takes_only_small_messages_is_pointed_out_and_gets_what_fits() {
    let Some(mut fleet) = Fleet::start_with(|_| "max_payload: 8192".to_owned()) else { return };
    let (code, told) = fleet.run("init");
    assert_eq!(code, Some(0), "{told}");
    assert!(told.contains("broker: max_payload is 8192, and a document may have 528384"), "{told}");
    fleet.add_agent("closet-0", "");
    fleet.add_collector();
    let mut records = Records::open(&fleet.state(0));
    let mut rng = Rng::new(seed(32));
    let long = id_of(jiff::Timestamp::now());
    records.add_run_as(&long, |report| {
        let mut second = || SecondCounts { sent: rng.draw() >> 32, ..SecondCounts::default() };
        report.seconds = (0..20_000).map(|_| second()).collect();
    });
    records.add_run();
    wait_until("both are there", || fleet.count("SELECT count(*) FROM run") == 2);
    assert_eq!(fleet.count(&format!("SELECT count(*) FROM run WHERE id = '{long}' AND without_series")), 1);
    assert_eq!(records.store.aside().expect("read"), None);
}

#[test]
fn two_machines_with_a_document_of_the_same_id_are_both_heard() {
    let Some(mut fleet) = Fleet::start() else { return };
    // Long enough that the broker remembers the ids of one machine when the other sends.
    fleet.remember_ids("5m");
    assert_eq!(fleet.run("init").0, Some(0));
    for n in 0..2 {
        fleet.add_agent(&format!("closet-{n}"), "");
    }
    fleet.add_collector();
    let mut records: Vec<Records> = (0..2).map(|n| Records::open(&fleet.state(n))).collect();
    // As after a cloned disk: one run that both tell, one id that each gave to a run of its own, one case that both
    // went on with.
    let now = jiff::Timestamp::now();
    let [told_twice, given_twice, case] = std::array::from_fn(|_| id_of(now));
    for (n, records) in records.iter_mut().enumerate() {
        records.add_run_as(&told_twice, |_| {});
        records.add_run_as(&given_twice, |report| report.port.name = format!("quay{n}"));
        records.add_case_as(&case, |case| case.cable = format!("Q-{n}"));
    }
    let count = |sql: &str| fleet.count(&format!("SELECT count(*) FROM {sql}"));
    wait_until("both cases are there", || count("case_document") == 2);
    wait_until("the second run of that id is set aside", || count("set_aside") == 1);
    wait_until("nothing waits", || records.iter().all(|records| records.waiting() == 0));
    assert_eq!(count(&format!("run WHERE id = '{told_twice}'")), 1);
    assert_eq!(count(&format!("run WHERE id = '{given_twice}'")), 1);
    let kept =
        fleet.ask("SELECT name FROM run JOIN machine m ON m.id = machine_id ORDER BY run.id").expect("an answer");
    let aside = fleet.ask("SELECT split_part(subject, '.', 4) || ': ' || reason FROM set_aside").expect("an answer");
    let (by, reason) = aside.split_once(": ").expect("two parts");
    assert!(reason.contains("is another run") && reason.contains(&given_twice), "{reason}");
    assert!(kept.lines().any(|keeper| keeper != by), "{kept}: {by}");
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
    // A collector may take a message out of the stream that no client can read.
    let seed = std::fs::read_to_string(key(&fleet, "agent.north-quay.closet-0")).expect("a seed");
    fleet.publish_raw("closet-0", b"NATS/1.0\r\nno colon\r\n\r\n", Some(seed.trim()));
    wait_until("it is set aside", || fleet.count("SELECT count(*) FROM set_aside WHERE reason LIKE '%headers%'") == 1);
    // No log holds a key.
    assert!(!fleet.logs().contains(seed.trim()));
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
            certificate(&folder, "broker", name, &valid);
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
fn a_database_with_a_wrong_name_or_an_old_certificate_is_refused() {
    if !installed("openssl", "openssl") {
        return;
    }
    for (name, valid, code, part) in [
        ("IP:127.0.0.1", ["-days", "2"], 0, "tables: created"),
        ("DNS:database.example", ["-days", "2"], 4, "not valid for name"),
        ("IP:127.0.0.1", ["-days", "-1"], 4, "xpired"),
    ] {
        let tls = |fleet: &Fleet| {
            let folder = fleet.path("");
            certificate(&folder, "database", name, &valid);
            fleet.give_to_database(&["database.pem", "database.key"]);
            // Over TLS only: nothing else is let in from the network, not even from this machine.
            let rules = "local all all trust\nhostssl all all all trust\n";
            std::fs::write(fleet.path("data/pg_hba.conf"), rules).expect("it is written");
            let port = free_port();
            let file = |name: &str| folder.join(name).display().to_string();
            let settings = [
                "listen_addresses=127.0.0.1".to_owned(),
                format!("port={port}"),
                "ssl=on".to_owned(),
                format!("ssl_cert_file={}", file("database.pem")),
                format!("ssl_key_file={}", file("database.key")),
            ];
            Unusual {
                database: settings.into_iter().flat_map(|setting| ["-c".to_owned(), setting]).collect(),
                database_port: port,
                connection: Some(format!(
                    "\"host=127.0.0.1 port={port} user=turnback dbname=postgres\"\nca_file = {:?}",
                    file("ca.pem")
                )),
                ..Unusual::default()
            }
        };
        let Some(mut fleet) = Fleet::start_with(tls) else { return };
        let (status, told) = fleet.run("init");
        assert_eq!(status, Some(code), "{name} {valid:?}: {told}");
        assert!(told.contains(part), "{name} {valid:?}: {told}");
        if code == 0 {
            let run = zstd::bulk::compress(RUN.as_bytes(), 3).expect("packed");
            fleet.publish(std::iter::once(Message::new("run", 1, run)));
            fleet.add_collector();
            wait_until("the run is in the tables", || fleet.count("SELECT count(*) FROM run") == 1);
            let over_tls = "SELECT count(*) FROM pg_stat_ssl JOIN pg_stat_activity USING (pid)
                WHERE ssl AND application_name = 'turnback fleet'";
            assert!(fleet.count(over_tls) > 0);
        }
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
