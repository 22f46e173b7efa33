//! Faults around the fleet, with real servers: after each of them every document that an agent recorded is in the
//! tables exactly once. `TURNBACK_KILLS` says how often, `TURNBACK_SEED` draws other moments.

use std::{
    collections::BTreeSet,
    fs,
    os::unix::fs::symlink,
    process::{Child, Command, Stdio},
    thread,
    time::{Duration, Instant},
};

use jiff::Timestamp;
use serde_json::{Value, json};
use turnback::{
    archive::outbox::FleetOutbox,
    fleet::{
        broker::{MESSAGE_ID, NUMBER},
        collect::taken::{Delivered, take},
        payload::PLAIN_MAX,
    },
};
use turnback_core::base::rng::Rng;

use crate::harness::{
    disk::Disk,
    fleet::{Fleet, Message, Part, Unusual, certificate, wait_until},
    netns::{in_fresh_namespace, run},
    recorded::{CASE, RUN, Records, everything_is_there_once, id_of, whatever_is_set_aside},
    setting::{kills, seed},
    skip::installed,
};

/// Streams and tables, two agents, two collectors; the agents' records.
fn populate(fleet: &mut Fleet, extra: &str) -> Vec<Records> {
    // A cluster takes no stream before its brokers have found each other.
    wait_until("streams and tables are there", || fleet.run("init").0 == Some(0));
    for n in 0..2 {
        fleet.add_agent(&format!("closet-{n}"), extra);
        fleet.add_collector();
    }
    (0..2).map(|n| Records::open(&fleet.state(n))).collect()
}

fn record(records: &mut [Records], rng: &mut Rng) {
    records.iter_mut().for_each(|records| records.add_some(rng));
}

fn pause(rng: &mut Rng, most_ms: u64) {
    thread::sleep(Duration::from_millis(rng.below(most_ms)));
}

#[test]
fn a_cluster_that_loses_its_leader_loses_no_document() {
    let cluster = |_: &Fleet| Unusual { more_brokers: 2, ..Unusual::default() };
    let Some(mut fleet) = Fleet::start_with(cluster) else { return };
    let mut records = populate(&mut fleet, "");
    let mut rng = Rng::new(seed(21));
    for _ in 0..kills(2) {
        record(&mut records, &mut rng);
        let mut leader = None;
        wait_until("one leads", || {
            leader = fleet.leader();
            leader.is_some()
        });
        let lost = leader.expect("one leads");
        record(&mut records, &mut rng);
        pause(&mut rng, 700);
        fleet.kill(Part::Broker(lost));
        record(&mut records, &mut rng);
        wait_until("another leads", || fleet.leader().is_some_and(|leader| leader != lost));
        record(&mut records, &mut rng);
        pause(&mut rng, 700);
        fleet.revive(Part::Broker(lost));
    }
    everything_is_there_once(&fleet, &records);
}

#[test]
fn a_full_disk_at_the_broker_loses_no_document() {
    in_fresh_namespace(|| {
        run("ip link set lo up");
        let disk = Disk::new(32 << 10);
        let small = |fleet: &Fleet| {
            symlink(disk.path(), fleet.path("jetstream-0")).expect("a link");
            String::new()
        };
        let Some(mut fleet) = Fleet::start_with(small) else { return };
        let mut records = populate(&mut fleet, "");
        let mut rng = Rng::new(seed(22));
        let mut hung = 0;
        for _ in 0..kills(1) {
            record(&mut records, &mut rng);
            pause(&mut rng, 700);
            let said = |what: &str| -> usize {
                let log = |n: usize| fs::read_to_string(fleet.path(&format!("agent-{n}.log"))).unwrap_or_default();
                (0..2).map(|n| log(n).matches(what).count()).sum()
            };
            let before = [NO_ROOM, NO_ANSWER].map(said);
            disk.fill();
            record(&mut records, &mut rng);
            wait_until("an agent says that nothing goes", || {
                // What was collected makes room: until there is none.
                disk.fill();
                records.iter_mut().for_each(Records::add_run);
                [NO_ROOM, NO_ANSWER].map(said) != before
            });
            pause(&mut rng, 3000);
            disk.free();
            let goes_on = || records.iter().all(|records| records.waiting() == 0);
            // A broker that was ended with a full disk may hang once more while it reads what it had.
            for restarts in 0..=RESTARTS_MAX {
                let began = Instant::now();
                while !goes_on() && began.elapsed() < Duration::from_secs(40) {
                    thread::sleep(Duration::from_millis(100));
                }
                if goes_on() || restarts == RESTARTS_MAX {
                    break;
                }
                if fleet.answers() {
                    assert!(restarts > 0, "the broker answers others, and agents do not go on: {}", fleet.logs());
                    continue;
                }
                hung += 1;
                fleet.kill(Part::Broker(0));
                fleet.revive(Part::Broker(0));
            }
            assert!(goes_on(), "the broker hung {hung} times, and agents do not go on: {}", fleet.logs());
        }
        everything_is_there_once(&fleet, &records);
        println!("the broker answered nobody any more in {hung} of {} rounds, and was started again", kills(1));
    });
}

const RESTARTS_MAX: u32 = 4;

/// What an agent says of a broker that has no room.
const NO_ROOM: &str = "no space left on device";
/// nats-server 2.9 may also answer nobody any more when its disk is full, until it is started again.
const NO_ANSWER: &str = "didn't receive ack in time";

/// Another network namespace, at the end of a cable that can be cut.
struct Far(Child);

impl Far {
    const NEAR_ADDRESS: &str = "10.77.0.1";

    /// At the other end of `cut`, an interface of the namespace of this thread.
    fn new() -> Self {
        // It ends by itself should the test be killed.
        let holder =
            Command::new("unshare").args(["-n", "sleep", "900"]).stdin(Stdio::null()).spawn().expect("unshare");
        let far = Self(holder);
        let pid = far.pid();
        let own = fs::read_link("/proc/thread-self/ns/net").expect("a namespace");
        wait_until("it has a namespace of its own", || {
            fs::read_link(format!("/proc/{pid}/ns/net")).is_ok_and(|its| its != own)
                && fs::read_to_string(format!("/proc/{pid}/comm")).is_ok_and(|name| name.trim() == "sleep")
        });
        run(&format!("ip link add cut type veth peer name far netns {pid}"));
        run(&format!("ip address add {}/24 dev cut", Self::NEAR_ADDRESS));
        run("ip link set cut up");
        for command in ["ip address add 10.77.0.2/24 dev far", "ip link set far up", "ip link set lo up"] {
            run(&format!("nsenter -t {pid} -n {command}"));
        }
        far
    }

    fn pid(&self) -> u32 {
        self.0.id()
    }
}

impl Drop for Far {
    fn drop(&mut self) {
        let _ = self.0.kill();
        let _ = self.0.wait();
    }
}

#[test]
fn a_network_that_is_cut_between_agents_and_broker_loses_no_document() {
    if !installed("openssl", "openssl") {
        return;
    }
    in_fresh_namespace(|| {
        run("ip link set lo up");
        let far = Far::new();
        // Nothing leaves a machine without TLS.
        let across = |fleet: &Fleet| {
            let folder = fleet.path("");
            certificate(&folder, "broker", &format!("IP:127.0.0.1,IP:{}", Far::NEAR_ADDRESS), &["-days", "2"]);
            let file = |name: &str| folder.join(name).display().to_string();
            Unusual {
                broker: format!("tls {{ cert_file: {:?}, key_file: {:?} }}", file("broker.pem"), file("broker.key")),
                address: Some(Far::NEAR_ADDRESS.into()),
                agents_in: Some(far.pid()),
                ..Unusual::default()
            }
        };
        let Some(mut fleet) = Fleet::start_with(across) else { return };
        let authority = format!("ca_file = {:?}", fleet.path("ca.pem").display().to_string());
        fleet.write_config(&authority);
        let mut records = populate(&mut fleet, &authority);
        let mut rng = Rng::new(seed(23));
        record(&mut records, &mut rng);
        wait_until("something came over the cable", || fleet.count("SELECT count(*) FROM run") > 0);
        for _ in 0..kills(2) {
            record(&mut records, &mut rng);
            pause(&mut rng, 700);
            run("ip link set cut down");
            let known = fleet.count("SELECT count(*) FROM run");
            record(&mut records, &mut rng);
            pause(&mut rng, 4000);
            assert!(records.iter().all(|records| records.waiting() > 0), "all that was recorded waits");
            assert!(fleet.count("SELECT count(*) FROM run") >= known);
            run("ip link set cut up");
        }
        everything_is_there_once(&fleet, &records);
    });
}

#[test]
fn a_clock_that_jumps_at_an_agent_loses_no_document() {
    let Some(mut fleet) = Fleet::start() else { return };
    let mut records = populate(&mut fleet, "");
    // The clock of a machine whose battery died, one that is years behind, one a month ahead, and one that is mad.
    let now = Timestamp::now();
    let days = |days: i64| now.as_millisecond() + days * 86_400_000;
    let far = ["1970-01-01T00:00:05Z", "1999-12-31T23:59:59Z", "2038-01-19T03:14:08Z", "9998-12-31T23:59:59Z"];
    let near = [-4000, -32, 0, 32, 61, 100, 400].map(|n| Timestamp::from_millisecond(days(n)).expect("a moment"));
    let moments = far.iter().map(|text| text.parse().expect("a moment")).chain(near);
    for (n, at) in moments.enumerate() {
        let records = &mut records[n % 2];
        records.add_run_at(at);
        records.add_case_at(at);
        records.add_change_at(at);
    }
    everything_is_there_once(&fleet, &records);
    // Each month within reach has a partition of its own; what is farther off stands among the odd times.
    let odd = "SELECT count(*) FROM run_at_odd_times";
    assert_eq!(fleet.count(odd), 6);
    let month = near[0].strftime("%Y_%m");
    assert_eq!(fleet.count(&format!("SELECT count(*) FROM run_{month}")), 1);

    // A clock that was far ahead and is set back: what the agent says after that still counts.
    let ahead: i64 = "2061-01-01T00:00:00Z".parse::<Timestamp>().expect("a moment").as_microsecond();
    fleet.kill(Part::Agent(0));
    records[0].store.reserve_numbers(ahead).expect("kept");
    fleet.revive(Part::Agent(0));
    wait_until("its heartbeat counts", || {
        fleet.count(&format!("SELECT count(*) FROM machine WHERE name = 'closet-0' AND number > {ahead}")) == 1
    });
    wait_until("its states count", || {
        fleet.count(&format!("SELECT count(*) FROM port WHERE label = 'A-0' AND number > {ahead}")) == 1
    });
    records[0].add_case();
    records[0].add_run();
    everything_is_there_once(&fleet, &records);
}

fn packed(value: &Value) -> Vec<u8> {
    zstd::bulk::compress(value.to_string().as_bytes(), 3).expect("packed")
}

#[test]
fn what_older_and_newer_agents_send_is_kept() {
    let Some(mut fleet) = Fleet::start() else { return };
    assert_eq!(fleet.run("init").0, Some(0));
    let (run, case): (Value, Value) =
        (serde_json::from_str(RUN).expect("JSON"), serde_json::from_str(CASE).expect("JSON"));
    let with = |document: &Value, field: &str, value: Value| {
        let mut document = document.clone();
        document[field] = value;
        document
    };
    let with_more = packed(&with(&with(&run, "run", json!(id_of(Timestamp::now()))), "humidity", json!(40)));
    let state = json!({"format": 1, "ports": [{"port": "quay3", "state": "resting", "humidity": 40}]});
    let good = [("run", packed(&run)), ("case", packed(&case)), ("run", with_more.clone()), ("state", packed(&state))];
    let newer = [("run", &run), ("case", &case), ("state", &state), ("heartbeat", &json!({}))];
    let newer = newer.map(|(what, document)| (what, packed(&with(document, "format", json!(99)))));
    let all = newer.clone().into_iter().chain(good);
    fleet.publish(all.enumerate().map(|(n, (what, bytes))| Message::new(what, n as i64 + 1, bytes)));
    fleet.add_collector();
    wait_until("what is known is in the tables", || {
        fleet.count("SELECT count(*) FROM run") == 2
            && fleet.count("SELECT count(*) FROM case_document") == 1
            && fleet.count("SELECT count(*) FROM port WHERE name = 'quay3' AND state = 'resting'") == 1
    });
    wait_until("what is newer is set aside", || fleet.count("SELECT count(*) FROM set_aside") == 4);
    wait_until("nothing waits", || fleet.in_stream() == 0);
    let hex = |bytes: &[u8]| bytes.iter().map(|byte| format!("{byte:02x}")).collect::<String>();
    // As it was sent, with fields that this program does not know.
    let told = fleet.ask("SELECT encode(document, 'hex') FROM run").expect("an answer");
    assert!(told.lines().any(|line| line == hex(&with_more)));
    let told = fleet.ask("SELECT encode(payload, 'hex') FROM set_aside").expect("an answer");
    let told: BTreeSet<&str> = told.lines().collect();
    assert!(newer.iter().all(|(_, bytes)| told.contains(&*hex(bytes))));
    assert_eq!(fleet.count("SELECT count(*) FROM set_aside WHERE reason LIKE '%made by a newer version%'"), 4);
}

/// A message that no agent sends, or one that an agent would send.
fn malformed(rng: &mut Rng, number: i64) -> Message {
    let texts =
        [RUN, CASE, "{\"format\": 1, \"ports\": [{\"port\": \"quay1\", \"state\": \"proven\", \"since_ms\": 7}]}"];
    let draw = |rng: &mut Rng, n: usize| rng.below(n as u64) as usize;
    let which = draw(rng, texts.len());
    let mut what = ["run", "case", "state"][which].to_owned();
    let mut text = texts[which].as_bytes().to_vec();
    let mut packed = None;
    let mut told = number.to_string();
    let pack = |text: &[u8]| zstd::bulk::compress(text, 1).expect("packed");
    match rng.below(12) {
        0 => {
            let (at, bit) = (draw(rng, text.len()), rng.below(8));
            text[at] ^= 1 << bit;
        }
        1 => text.truncate(draw(rng, texts[which].len())),
        2 => {
            let mut bytes = pack(&text);
            let (at, bit) = (draw(rng, bytes.len()), rng.below(8));
            bytes[at] ^= 1 << bit;
            packed = Some(bytes);
        }
        3 => {
            let mut bytes = pack(&text);
            bytes.truncate(draw(rng, bytes.len()));
            packed = Some(bytes);
        }
        4 => packed = Some(pack(&vec![b' '; PLAIN_MAX + 1])),
        5 => text = "[".repeat(1 + draw(rng, 100_000)).into_bytes(),
        6 => text = format!("{{\"format\":1,\"ports\":{}", "{\"a\":".repeat(1 + draw(rng, 100_000))).into_bytes(),
        7 => what = ["run", "case", "state", "lot", "card-test"][draw(rng, 5)].to_owned(),
        8 => told = ["", "-3", "0", "9223372036854775808", "1e3", "\0", "\u{7}\u{e9}"][draw(rng, 7)].to_owned(),
        9 => packed = Some((0..rng.below(300)).map(|_| rng.below(256) as u8).collect()),
        10 => text = json!({"format": 1, "ports": vec![json!({}); 1 + draw(rng, 2000)]}).to_string().into_bytes(),
        _ => {
            let from = draw(rng, text.len());
            text.splice(from..from, "\\u0000\u{0}\u{10ffff}".bytes());
        }
    }
    let mut message = Message::new(&what, number, packed.unwrap_or_else(|| pack(&text)));
    message.headers.insert(NUMBER, told.as_str());
    if rng.chance(0.1) {
        let site = ["a@b", "\u{e9}", "-", "%00", "_"][draw(rng, 5)];
        message.subject = format!("turnback.v1.{site}.closet-7.{what}");
    }
    message
}

#[test]
fn headers_that_no_client_can_read_hold_up_no_document() {
    let Some(mut fleet) = Fleet::start() else { return };
    let mut records = populate(&mut fleet, "");
    let mut rng = Rng::new(seed(25));
    record(&mut records, &mut rng);
    let headers: [&[u8]; 5] = [
        b"NATS/1.0\r\nno colon\r\n\r\n",
        b"NATS/1.0 404 No Messages\r\n\r\n",
        b"HTTP/1.1\r\nA: b\r\n\r\n",
        b"NATS/1.0\r\nA b: c\r\n\r\n",
        b"NATS/1.0\r\nA: \xff\r\n\r\n",
    ];
    headers.iter().for_each(|headers| fleet.publish_raw("closet-7", headers, None));
    record(&mut records, &mut rng);
    wait_until("nothing waits", || fleet.in_stream() == 0);
    assert_eq!(fleet.count("SELECT count(*) FROM set_aside"), headers.len() as u64);
    whatever_is_set_aside(&fleet, &records);
}

#[test]
fn malformed_messages_stop_no_collector_and_hold_up_no_document() {
    let Some(mut fleet) = Fleet::start() else { return };
    let mut records = populate(&mut fleet, "");
    let mut rng = Rng::new(seed(24));
    let mut refused = BTreeSet::new();
    let count = 150 * kills(1) as i64;
    let messages: Vec<Message> = (1..=count)
        .map(|number| {
            let mut message = malformed(&mut rng, number);
            let id = format!("fuzz-{number}");
            message.headers.insert(MESSAGE_ID, id.as_str());
            let headers =
                [NUMBER, MESSAGE_ID].map(|name| (name.to_owned(), message.headers.get(name).map(|v| v.to_string())));
            let delivered = Delivered {
                subject: message.subject.clone(),
                headers: headers.into_iter().filter_map(|(name, value)| Some((name, value?))).collect(),
                payload: message.bytes.clone().into(),
                sequence: number,
                published: Timestamp::now(),
            };
            if take(&delivered).is_err() {
                refused.insert(id);
            }
            message
        })
        .collect();
    for some in messages.chunks(30) {
        record(&mut records, &mut rng);
        fleet.publish(some.iter().cloned());
    }
    let aside = || -> BTreeSet<String> {
        let told = fleet.ask("SELECT message_id FROM set_aside").unwrap_or_default();
        told.lines().map(str::to_owned).collect()
    };
    wait_until("nothing waits", || fleet.in_stream() == 0);
    assert_eq!(aside(), refused);
    assert!((0..2).all(|n| fleet.is_unharmed(n)), "{}", fleet.logs());
    whatever_is_set_aside(&fleet, &records);
}
