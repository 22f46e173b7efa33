//! The agent at a bench: a lot is graded without anybody at a terminal, hands are asked on the page, and nothing is
//! lost when the agent dies.

use std::{
    collections::BTreeSet,
    fs,
    net::TcpListener,
    thread,
    time::{Duration, Instant},
};

use serde_json::Value;
use turnback_core::base::rng::Rng;

use crate::{
    agent::{LIMIT, ask, end, receiver},
    bench::{TRUTH, grades},
    harness::{
        program::{Program, Running},
        setting::kills,
    },
};

/// An agent with this bench; its page.
fn start(program: &Program, bench: &str) -> (Running, String) {
    let path = program.state().join("agent.toml");
    fs::write(&path, format!("[http]\nlisten = '127.0.0.1:0'\n{bench}\n")).unwrap();
    let mut agent = program.start(&format!("agent --config {}", path.display()));
    let page = agent.line().trim().to_owned();
    (agent, page)
}

/// The body of an answer, without its head and the sizes of its pieces.
fn body(answer: &str) -> &str {
    answer.split_once("\r\n\r\n").map_or("", |(_, body)| body)
}

fn bench(page: &str) -> Value {
    serde_json::from_str(body(&ask(page, "GET /api/1/bench", "Accept: */*", ""))).unwrap_or_default()
}

/// Asks until the bench is as wanted.
fn wait_for(page: &str, what: &str, right: impl Fn(&Value) -> bool) -> Value {
    let began = Instant::now();
    let mut last = Value::Null;
    while began.elapsed() < LIMIT {
        last = bench(page);
        if right(&last) {
            return last;
        }
        thread::sleep(Duration::from_millis(20));
    }
    panic!("never {what}: {last:#}");
}

fn requests(bench: &Value) -> Vec<Value> {
    let slots = bench["slots"].as_array().cloned().unwrap_or_default();
    slots.into_iter().filter(|slot| !slot["hands"].is_null()).collect()
}

fn request(slot: &Value) -> String {
    slot["hands"]["request"].as_str().unwrap_or_default().to_owned()
}

/// Sends an answer with a token; the status.
fn answer(page: &str, token: &str, request: &str, answer: &str) -> String {
    let head = format!("Authorization: Bearer {token}\r\nContent-Type: application/json");
    let sent = format!(r#"{{"request": "{request}", "answer": "{answer}"}}"#);
    let told = ask(page, "POST /api/1/bench/answers", &head, &sent);
    told.split(' ').nth(1).unwrap_or_default().to_owned()
}

fn token(program: &Program, role: &str) -> String {
    program.run(&format!("agent token make {role}-desk --role {role}")).stdout.trim().to_owned()
}

/// `TURNBACK_KILLS` sets how often it is killed.
#[test]
fn an_agent_that_is_killed_again_and_again_grades_every_card_as_it_deserves() {
    let program = Program::new();
    let folder = program.state().join("paper");
    fs::create_dir(&folder).unwrap();
    let table =
        format!("[bench]\nrig = 'sim:bench'\nask = false\ncertificates = '{0}'\nlabels = '{0}'\n", folder.display());
    let mut rng = Rng::new(20_261_129);
    let (mut killed, wanted) = (0, kills(4));
    while killed < wanted {
        let (agent, page) = start(&program, &table);
        let tested = |bench: &Value| bench["lot"]["tested"].as_u64().unwrap_or_default();
        let enough = tested(&bench(&page)) + 1 + rng.below(3);
        wait_for(&page, "some cards", |bench| tested(bench) >= enough.min(16));
        thread::sleep(Duration::from_millis(rng.below(30)));
        agent.signal(libc::SIGKILL);
        drop(agent.finish());
        killed += 1;
    }
    let (agent, page) = start(&program, &table);
    let bench = wait_for(&page, "every card", |bench| bench["lot"]["tested"] == 16);
    assert!(bench["trouble"].is_null(), "{bench:#}");
    let status = program.run("agent status --json").report();
    assert_eq!(status["health"]["troubles"], serde_json::json!([]));
    let lot = program.run("bench lot show stores-bench --json");
    for ((serial, grade, rules), (truth, expected)) in grades(&lot.report()).iter().zip(TRUTH) {
        assert_eq!((serial.as_str(), grade.as_str()), (truth, expected[0]), "{rules:?}");
        assert!(expected[1..].iter().all(|rule| rules.iter().any(|found| found == rule)), "{serial}: {rules:?}");
    }
    let began = Instant::now();
    let names = || -> BTreeSet<String> {
        fs::read_dir(&folder).unwrap().map(|file| file.unwrap().file_name().into_string().unwrap()).collect()
    };
    while names().len() < 32 && began.elapsed() < LIMIT {
        thread::sleep(Duration::from_millis(20));
    }
    let paper = names();
    assert!(paper.contains("stores-bench-16.html") && paper.contains("stores-bench-16.svg"), "{paper:?}");
    assert_eq!(paper.len(), 32, "a certificate and a label each: {paper:?}");
    let label = fs::read_to_string(folder.join("stores-bench-13.svg")).unwrap();
    assert!(label.contains("REJECTED"), "{label}");
    end(agent);
}

#[test]
fn hands_are_asked_on_the_page_and_answered_with_the_right_role() {
    let program = Program::new();
    let address = TcpListener::bind("127.0.0.1:0").unwrap().local_addr().unwrap().to_string();
    let told = receiver(&address);
    let table =
        format!("[bench]\nrig = 'sim:bench-good'\n[[announce]]\nname = 'office'\nwebhook = 'http://{address}/'\n");
    let (agent, page) = start(&program, &table);
    let (reader, tester) = (token(&program, "read"), token(&program, "test"));
    let first = wait_for(&page, "a request", |bench| !requests(bench).is_empty());
    // The bench proves itself before any card goes in.
    let asked = requests(&first);
    assert_eq!((asked.len(), &asked[0]["card"]), (1, &Value::from("reference")), "{first:#}");
    let wish = request(&asked[0]);
    assert!(asked[0]["hands"]["cautions"].as_array().is_some_and(|all| !all.is_empty()), "{first:#}");

    let nobody = ask(&page, "POST /api/1/bench/answers", "Content-Type: application/json", "{}");
    assert!(nobody.starts_with("HTTP/1.1 401"), "{nobody}");
    assert_eq!(answer(&page, &reader, &wish, "done"), "403");
    assert_eq!(answer(&page, &tester, "no-such-request", "done"), "404");
    assert_eq!(answer(&page, &tester, &wish, "perhaps"), "422");
    assert_eq!(request(&requests(&bench(&page))[0]), wish, "no refused answer counts");
    assert_eq!(answer(&page, &tester, &wish, "done"), "204");
    assert_eq!(answer(&page, &tester, &wish, "done"), "404", "each request is answered once");

    // Two cards go in: each is asked for in its own slot, and no plug is in both.
    let both = wait_for(&page, "two cards", |bench| requests(bench).len() == 2);
    let acts: Vec<String> = requests(&both).iter().map(|slot| slot["hands"]["act"].to_string()).collect();
    for plug in ["P-1", "P-2", "P-3", "P-4"] {
        assert_eq!(acts.iter().filter(|act| act.contains(plug)).count(), 1, "{plug} in {acts:?}");
    }
    let shown = ask(&page, "GET /bench", "Accept: text/html", "");
    for part in ["hands needed", "slot-1", "slot-2", "stores-bench-good-01", "Enter the token", "Local codes"] {
        assert!(shown.contains(part), "{part} in {shown}");
    }
    assert_eq!(shown.matches("Local codes").count(), 1, "cautions stand there once");

    agent.signal(libc::SIGKILL);
    drop(agent.finish());
    let (agent, page) = start(&program, &table);
    let again = wait_for(&page, "the same requests", |bench| requests(bench).len() == 2);
    let ids = |bench: &Value| requests(bench).iter().map(request).collect::<BTreeSet<_>>();
    assert_eq!(ids(&again), ids(&both), "a restart asks for the same");

    // A card that is left gives way, and comes back when somebody asks again.
    let left = requests(&again).into_iter().find(|slot| slot["card"] == "stores-bench-good-01").unwrap();
    assert_eq!(answer(&page, &tester, &request(&left), "nobody"), "204");
    let others = wait_for(&page, "another card", |bench| {
        requests(bench).iter().any(|slot| slot["card"] == "stores-bench-good-03")
    });
    assert!(!ids(&others).contains(&request(&left)));
    let head = format!("Authorization: Bearer {tester}\r\nContent-Type: application/json");
    let more = |card: &str| {
        ask(&page, "POST /api/1/bench/again", &head, &format!(r#"{{"card": "{card}"}}"#)).contains(" 204 ")
    };
    assert!(more("stores-bench-good-01") && !more("stores-bench-good-01"), "it is left once");

    let began = Instant::now();
    let done = loop {
        let bench = bench(&page);
        if bench["lot"]["tested"] == 4 {
            break bench;
        }
        for slot in requests(&bench) {
            // Between reading and answering it may have gone.
            answer(&page, &tester, &request(&slot), "done");
        }
        assert!(began.elapsed() < LIMIT, "{bench:#}");
        thread::sleep(Duration::from_millis(100));
    };
    assert_eq!((&done["lot"]["accepted"], &done["lot"]["decided"]), (&4.into(), &"every card graded".into()));
    let certificate = ask(&page, "GET /bench/cards/stores-bench-good-02", "Accept: text/html", "");
    assert!(certificate.starts_with("HTTP/1.1 200") && certificate.contains("Certificate of a card"), "{certificate}");
    assert!(ask(&page, "GET /bench/cards/stores-bench-good-02/label", "Accept: */*", "").contains("<svg"));
    assert!(ask(&page, "GET /bench/lots/stores-bench-good", "Accept: text/html", "").contains("stores-bench-good-04"));
    let actions = ask(&page, "GET /api/1/actions", "Accept: */*", "");
    for part in ["test-desk", "did at the bench: ", "left at the bench: ", "asked again for card"] {
        assert!(actions.contains(part), "{part} in {actions}");
    }
    // Whoever is to come was told once for each request, whatever died in between.
    let told: Vec<Value> = told.lock().unwrap().clone();
    let of_first: BTreeSet<&str> = told
        .iter()
        .filter(|told| told["card"] == "stores-bench-good-02" && told["event"] == "hands-needed")
        .filter_map(|told| told["id"].as_str())
        .collect();
    assert_eq!(of_first.len(), 1, "{told:#?}");
    end(agent);
}

#[test]
fn a_bench_without_its_lot_says_what_is_missing_and_goes_on_once_it_is_there() {
    let program = Program::new();
    let table = "[bench]\nrig = 'sim:bench-good'\nlot = 'quay-7'\nask = false\n";
    let (agent, page) = start(&program, table);
    let without = wait_for(&page, "a trouble", |bench| !bench["trouble"].is_null());
    let trouble = without["trouble"].as_str().unwrap();
    assert!(trouble.contains("no lot quay-7") && trouble.contains("turnback bench lot open"), "{trouble}");
    let health = ask(&page, "GET /health", "Accept: */*", "");
    assert!(health.starts_with("HTTP/1.1 503") && health.contains("bench: no lot quay-7"), "{health}");
    let checked =
        program.run(&format!("agent --config {} --check-config", program.state().join("agent.toml").display()));
    assert!(checked.stdout.contains("bench sim:bench-good"), "{}", checked.stdout);
    let opened = program.run("bench lot open quay-7 --quantity 2 --procedure intake");
    assert_eq!(opened.code, Some(0), "{}", opened.stderr);
    // A reload looks at once.
    agent.signal(libc::SIGHUP);
    let done = wait_for(&page, "two cards", |bench| bench["lot"]["tested"] == 2);
    assert!(done["trouble"].is_null() && done["lot"]["to_test"] == 2, "{done:#}");
    end(agent);
}
