//! Do 100,000 recorded runs list and filter in less than a tenth of a second?
//!
//! `cargo bench --bench records` fills a file in a temporary directory with reports of full size (about 600 MB; `--
//! NUMBER` takes another number), and prints for each question the median of 20 answers in the library, of 5 by the
//! whole program, and the ratio to a bare loop: SQLite stepping through as many rows of the table with nothing made of
//! them.

use std::{
    path::Path,
    process::{Command, Stdio},
    time::{Duration, Instant},
};

use rusqlite::Connection;
use turnback::{
    archive::{
        filter::Filter,
        sqlite::{Store, exchange::Form},
    },
    engine::{CheckOptions, cancel::Cancel, check},
    ports::simulated::ethernet::SimulatedPort,
};
use turnback_core::{base::rng::Rng, document::run::Report, plan::Profile};

const START_MS: i64 = 1_772_352_000_000;
const APART_MS: i64 = 300_000;

fn main() {
    let number = std::env::args().skip(1).find_map(|word| word.parse().ok()).unwrap_or(100_000);
    let folder = tempfile::tempdir().expect("a temporary directory");
    let path = folder.path().join("records.db");
    let began = Instant::now();
    fill(&path, number);
    let seconds = began.elapsed().as_secs_f64();
    let size = std::fs::metadata(&path).map_or(0, |m| m.len());
    println!(
        "{number} runs taken in within {seconds:.1} s ({:.0} a second), {} MB",
        number as f64 / seconds,
        size / 1_000_000
    );

    let text = |text: &str| Some(text.to_owned());
    let recent = START_MS + (number as i64 - 576) * APART_MS;
    let recent_word = jiff::Timestamp::from_millisecond(recent).expect("a time").to_string();
    let questions: [(&str, Filter, Vec<&str>); 7] = [
        ("newest", Filter::default(), vec![]),
        ("one port", Filter { port: text("quay7"), ..Filter::default() }, vec!["--port", "quay7"]),
        ("one cable", Filter { cable: text("Q-12"), ..Filter::default() }, vec!["--cable", "Q-12"]),
        ("cables like", Filter { cable: text("Q-1*"), ..Filter::default() }, vec!["--cable", "Q-1*"]),
        ("faults", Filter { outcome: text("fault"), ..Filter::default() }, vec!["--outcome", "fault"]),
        (
            "faults of a port since",
            Filter { port: text("quay7"), outcome: text("fault"), since_ms: Some(recent), ..Filter::default() },
            vec!["--port", "quay7", "--outcome", "fault", "--since", &recent_word],
        ),
        ("nobody's plug", Filter { plug: text("P-99"), ..Filter::default() }, vec!["--plug", "P-99"]),
    ];
    let store = Store::open_existing(&path).expect("the records");
    println!("{:<24}{:>8}{:>12}{:>12}{:>14}", "question", "found", "list+count", "program", "to bare loop");
    for (name, filter, words) in questions {
        let mut found = 0;
        let library = median(20, || {
            found = store.count(&filter).expect("a count");
            store.runs(&filter, Some(50)).expect("a list");
        });
        let program = median(5, || ask(&path, &words));
        let bare = median(20, || step_through(&path, found.max(50)));
        println!(
            "{name:<24}{found:>8}{:>9.2} ms{:>9.2} ms{:>14.1}",
            library.as_secs_f64() * 1e3,
            program.as_secs_f64() * 1e3,
            library.as_secs_f64() / bare.as_secs_f64()
        );
    }
}

/// Reports of a simulated port, told apart by what they are found by, taken in as lines.
fn fill(path: &Path, number: u64) {
    let model = model();
    let mut rng = Rng::new(7);
    let mut store = Store::open(path).expect("a new file");
    let mut lines = String::new();
    for n in 0..number {
        let mut report = model.clone();
        let ms = START_MS + n as i64 * APART_MS;
        let mut id = [0_u8; 16];
        id[..6].copy_from_slice(&(ms as u64).to_be_bytes()[2..]);
        id[6] = 0x70;
        id[8..].copy_from_slice(&(rng.draw() | 1 << 63).to_be_bytes());
        report.run = uuid::Uuid::from_bytes(id).to_string();
        report.started_at = jiff::Timestamp::from_millisecond(ms).expect("a time").to_string();
        report.port.name = format!("quay{}", rng.draw() % 50);
        report.cable = rng.draw().is_multiple_of(2).then(|| format!("Q-{}", n % 200));
        if rng.draw().is_multiple_of(20) {
            report.verdict.outcome = turnback_core::judge::Outcome::Fault;
        }
        lines.push_str(&serde_json::to_string(&report).expect("a document"));
        lines.push('\n');
        if n % 2000 == 1999 || n + 1 == number {
            store.import(Form::JsonLines, "bench", lines.as_bytes()).expect("room");
            lines.clear();
        }
    }
}

fn model() -> Report {
    let mut profile = Profile::named("quick").expect("it is built in");
    profile.time = Duration::from_millis(1);
    let options = CheckOptions {
        profile,
        placement: None,
        cable: None,
        labels: Default::default(),
        machine: "cabinet3".into(),
        speed_mbps: None,
        seed: 1,
        run: String::new(),
        started_at: String::new(),
        although_in_service: false,
        confirm: false,
        line: turnback::engine::LineOptions::default(),
    };
    let mut port = SimulatedPort::open("good", 1).expect("it is built in");
    check(&mut port, None, options, &mut |_| {}, &Cancel::default()).expect("a report")
}

/// The whole program, from its start to its end.
fn ask(path: &Path, words: &[&str]) {
    let status = Command::new(env!("CARGO_BIN_EXE_turnback"))
        .args(["records", "list", "--store"])
        .arg(path)
        .args(words)
        .stdout(Stdio::null())
        .stderr(Stdio::null())
        .status();
    assert!(status.expect("it starts").success());
}

fn step_through(path: &Path, rows: u64) {
    let db = Connection::open(path).expect("the records");
    let mut statement = db.prepare("SELECT started_ms FROM run LIMIT ?1").expect("a statement");
    let mut rows = statement.query([rows]).expect("rows");
    while let Some(row) = rows.next().expect("a row") {
        std::hint::black_box(row.get_ref(0).expect("a column"));
    }
}

fn median(times: usize, mut work: impl FnMut()) -> Duration {
    let mut taken: Vec<_> = (0..times)
        .map(|_| {
            let began = Instant::now();
            work();
            began.elapsed()
        })
        .collect();
    taken.sort_unstable();
    taken[times / 2]
}
