//! `turnback agent`: the daemon, its demo, and asking how it fares. `keys` is about who may ask.

mod keys;

use std::{
    io,
    path::{Path, PathBuf},
    process::ExitCode,
    sync::Arc,
};

use serde_json::Value;

use super::{
    NOT_TESTED, USAGE,
    args::{Agent, AgentCommand, AgentPace},
    check, complain, print,
};
use crate::{
    archive::{logbook::Logbook, memory::Memory, sqlite::Store},
    config::{Config, HttpConfig},
    daemon::{
        agent::FleetFigures,
        control::{self, Question},
        error::NotStarted,
        host::{
            demo::{self, Harbour, Pace},
            this_machine::{self, ThisMachine},
        },
        review::{Review, RoundReview, review},
        service::{self, Page, Start},
    },
    error_chain::{plain, with_causes},
    guard::state,
    http,
    ports::cards::{CardEntry, cards},
    show::{
        figure,
        lines::{output_width, tell, wrapped},
        table,
    },
};

/// Runs the agent, or what was asked instead.
pub fn run(args: Agent) -> ExitCode {
    match &args.command {
        Some(AgentCommand::Status { json }) => return status(*json),
        Some(AgentCommand::Token(command)) => return keys::token(command),
        Some(AgentCommand::Pair { role }) => return keys::pair(*role),
        None if args.demo => return run_demo(&args),
        None => {}
    }
    let Some(file) = &args.config else { return ExitCode::from(USAGE) };
    let config = match Config::read(file) {
        Ok(config) => config,
        Err(error) => {
            complain(&error, None);
            return ExitCode::from(USAGE);
        }
    };
    if args.check_config {
        return check_config(file, &config);
    }
    let state = match state_directory() {
        Ok(state) => state,
        Err(error) => {
            complain(&error, None);
            return ExitCode::from(NOT_TESTED);
        }
    };
    let place = config.store.clone().unwrap_or_else(|| state.join("records.db"));
    let store = match Store::open(&place) {
        Ok(store) => store,
        Err(error) => {
            complain(&error, error.hint());
            return ExitCode::from(NOT_TESTED);
        }
    };
    let _only = match control::only_one_on(store.path()) {
        Ok(lock) => lock,
        Err(error) => return ended(Err(error)),
    };
    check::restore_and_tell();
    let page = page(&config.http, state.join("token"), WhenTaken::Refuse);
    ended(service::run(Start {
        host: Arc::new(ThisMachine),
        config,
        logbook: Box::new(store),
        state: Some(state),
        demo: false,
        page,
    }))
}

/// Says what a configuration means on this machine.
fn check_config(file: &Path, config: &Config) -> ExitCode {
    let named = config.named_ports().map(str::to_owned).collect();
    let (ports, unlisted) = match this_machine::list(named) {
        Ok(ports) => (ports, None),
        Err(error) => (Vec::new(), Some(format!("the ports of this machine cannot be listed: {error}"))),
    };
    let is_bench = config.bench.as_ref().is_some_and(|bench| bench.rig.is_none());
    let listed = if is_bench { cards() } else { Ok(Vec::new()) };
    let unlisted_cards =
        listed.as_ref().err().map(|error| format!("the cards cannot be listed: {}", with_causes(error)));
    let cards: Vec<CardEntry> = listed.unwrap_or_default().into_iter().map(|(entry, _)| entry).collect();
    let Review { rounds, bench, warnings } = review(config, &ports, &cards, jiff::Timestamp::now());
    let (entries, targets) = (config.ports.len(), config.targets.len());
    let counted = |n: usize, one: &str| figure::counted(n as u64, one);
    let (rounds_told, targets) = (counted(rounds.len(), "round"), counted(targets, "target"));
    let entries = match entries {
        1 => "1 entry".to_owned(),
        n => format!("{n} entries"),
    };
    let mut told = format!("{}: {rounds_told}, {entries} for ports, {targets}\n", file.display());
    for RoundReview { name, ports, times } in rounds {
        let ports = if ports.is_empty() { "none".to_owned() } else { ports.join(", ") };
        told.push_str(&format!("round {name}\n  ports now: {ports}\n  next: {}\n", times.join("; ")));
    }
    if let Some(bench) = bench {
        told.push_str(&format!("{bench}\n"));
    }
    let warnings: Vec<String> = unlisted.into_iter().chain(unlisted_cards).chain(warnings).collect();
    warnings.iter().for_each(|warning| told.push_str(&format!("warning: {warning}\n")));
    told.push_str(if warnings.is_empty() { "nothing is wrong\n" } else { "no mistake; see the warnings\n" });
    print(&told, ExitCode::SUCCESS)
}

fn run_demo(args: &Agent) -> ExitCode {
    let mut config = match Config::parse("the demo's configuration", demo::CONFIG) {
        Ok(config) => config,
        Err(error) => {
            complain(&error, None);
            return ExitCode::from(USAGE);
        }
    };
    if let Some(listen) = args.listen {
        if !listen.ip().is_loopback() {
            tell("error: ", format_args!("listen `{listen}` is not allowed: the demo is for 127.0.0.1 and [::1] only"));
            return ExitCode::from(USAGE);
        }
        config.http.listen = listen;
    }
    let mut lock = None;
    let logbook: Box<dyn Logbook> = match &args.store {
        None => Box::new(Memory::default()),
        Some(file) => match Store::open(file) {
            Ok(store) => match control::only_one_on(store.path()) {
                Ok(held) => {
                    lock = Some(held);
                    Box::new(store)
                }
                Err(error) => return ended(Err(error)),
            },
            Err(error) => {
                complain(&error, error.hint());
                return ExitCode::from(NOT_TESTED);
            }
        },
    };
    let pace = match args.pace {
        AgentPace::Real => Pace::Real,
        AgentPace::Fast => Pace::Fast,
    };
    tell("", "The harbour's spare ports, simulated; faults are in the making. End with Ctrl-C.");
    for (name, about) in demo::PORTS {
        tell("", format_args!("  {name:10} {about}"));
    }
    // Beside a real agent's token and socket, not in their place.
    let (token_file, state) =
        match state_directory().and_then(|state| Ok((state.join("demo-token"), demo_state(state)?))) {
            Ok(places) => places,
            Err(error) => {
                complain(&error, None);
                return ExitCode::from(NOT_TESTED);
            }
        };
    tell("", format_args!("Its token, for starting checks on the page: {}", token_file.display()));
    if let Some(state) = &state {
        tell(
            "",
            format_args!("Its status: {}={} turnback agent status", state::STATE_DIRECTORY_VARIABLE, state.display()),
        );
    }
    // Nobody asked for that very address.
    let when_taken = if args.listen.is_none() { WhenTaken::AnyFree } else { WhenTaken::Refuse };
    let page = page(&config.http, token_file, when_taken);
    let done = ended(service::run(Start { host: Harbour::new(pace), config, logbook, state, demo: true, page }));
    drop(lock);
    done
}

/// Where a demo answers questions: in the state directory that was named for it, else in one of its own under the usual
/// one. A second demo beside the first has none.
fn demo_state(usual: PathBuf) -> Result<Option<PathBuf>, state::StateError> {
    if std::env::var_os(state::STATE_DIRECTORY_VARIABLE).is_some() {
        return Ok(Some(usual));
    }
    let own = usual.join("demo");
    state::make_private(&own)?;
    let is_free = control::only_one(&own).is_ok();
    Ok(is_free.then_some(own))
}

/// What to do when another program listens at the page's address.
#[derive(Clone, Copy, PartialEq, Eq)]
enum WhenTaken {
    Refuse,
    /// Take any free one of the same machine.
    AnyFree,
}

/// Page, API and metrics, unless they are off; the token is in `token_file` where the configuration names no other.
fn page(config: &HttpConfig, token_file: PathBuf, when_taken: WhenTaken) -> Option<Page> {
    let mut config = config.enabled.then(|| config.clone())?;
    let token_file = config.token_file.clone().unwrap_or(token_file);
    Some(Box::new(move |agent, shared| {
        Box::pin(async move {
            let keys = || Arc::clone(&shared.keys);
            let stop = || shared.stopped.watch();
            let mut started = http::start(Arc::clone(&agent), keys(), &config, &token_file, stop()).await;
            if let Err(error) = &started
                && error.is_taken()
                && when_taken == WhenTaken::AnyFree
            {
                let taken = config.listen;
                tell("", format_args!("{taken} is taken, perhaps by another agent: the page is at a free port"));
                config.listen.set_port(0);
                started = http::start(agent, keys(), &config, &token_file, stop()).await;
            }
            started.map_err(|error| NotStarted { text: with_causes(&error), hint: error.hint() })
        })
    }))
}

fn ended(done: Result<(), NotStarted>) -> ExitCode {
    match done {
        Ok(()) => ExitCode::SUCCESS,
        Err(error) => {
            let hint = error.hint.clone();
            complain(&error, hint);
            ExitCode::from(NOT_TESTED)
        }
    }
}

fn state_directory() -> Result<PathBuf, state::StateError> {
    let directory = state::directory()?;
    state::make_private(&directory)?;
    Ok(directory)
}

/// Asks the running agent; says why there is no answer.
fn ask(question: &Question) -> Result<Value, ()> {
    let asked = state::directory().map_err(|error| error.to_string()).and_then(|directory| {
        control::ask(&directory, question).map_err(|error| {
            let why = match error.kind() {
                io::ErrorKind::NotFound | io::ErrorKind::ConnectionRefused => "none is running".to_owned(),
                _ => plain(&error),
            };
            format!("no agent answers at {}: {why}", control::socket(&directory).display())
        })
    });
    asked.map_err(|text| {
        tell("error: ", &text);
        tell(
            "hint: ",
            "ask as the agent's user or as root; TURNBACK_STATE_DIR names another state directory. A demo prints how \
             to ask it",
        );
    })
}

fn status(json: bool) -> ExitCode {
    let Ok(status) = ask(&Question::Status) else { return ExitCode::from(NOT_TESTED) };
    let told = match json {
        true => format!("{status:#}\n"),
        false => render(&status, jiff::Timestamp::now().as_millisecond(), output_width()),
    };
    print(&told, ExitCode::from(status_code(&status)))
}

fn status_code(status: &Value) -> u8 {
    // A port that no round chooses is in no count.
    let watched = || ports(status).iter().filter(|port| port["watch"] == "watched");
    let any = |state: &str| watched().any(|port| port["standing"]["state"] == state);
    let fine = |port: &Value| ["proven", "skipped"].iter().any(|state| port["standing"]["state"] == *state);
    match () {
        () if any("failed") => 1,
        () if !watched().all(fine) || status["health"]["ok"] != true => 3,
        () => 0,
    }
}

fn ports(status: &Value) -> &[Value] {
    status["ports"].as_array().map_or(&[], Vec::as_slice)
}

/// The status for people.
fn render(status: &Value, now_ms: i64, width: usize) -> String {
    let health = &status["health"];
    let text = |value: &Value| value.as_str().unwrap_or_default().to_owned();
    let since = |value: &Value| value.as_i64().filter(|ms| *ms > 0).map_or_else(|| "-".into(), |ms| age(now_ms - ms));
    let mut out = format!("agent {}, up {}", text(&health["version"]), since(&health["started_ms"]));
    if let Some(page) = status["page"].as_str() {
        out.push_str(&format!(", {page}"));
    }
    out.push('\n');
    for trouble in health["troubles"].as_array().into_iter().flatten() {
        out.push_str(&format!("trouble: {}\n", text(trouble)));
    }
    let waiting = status["outbox"].as_array().map_or(0, Vec::len);
    if waiting > 0 {
        out.push_str(&format!("{waiting} announcements wait for delivery\n"));
    }
    if let Ok(fleet) = serde_json::from_value::<FleetFigures>(health["fleet"].clone()) {
        out.push_str(&format!("fleet {}\n", fleet.says(now_ms, age)));
    }
    for pause in status["pauses"].as_array().into_iter().flatten() {
        let of = pause["cabinet"].as_str().unwrap_or("all ports");
        out.push_str(&format!("paused: {of}, by {} {} ago\n", text(&pause["by"]), since(&pause["at_ms"])));
    }
    for entry in status["queue"].as_array().into_iter().flatten() {
        let begins =
            entry["begins_ms"].as_i64().map_or_else(String::new, |ms| format!(", in about {}", age(ms - now_ms)));
        out.push_str(&format!("waits: {}: {}{begins}\n", text(&entry["port"]), text(&entry["reason"])));
    }
    out.push_str(&bench(&status["bench"], now_ms, width));
    // Below the table: it would leave a sentence no room.
    let why = |port: &Value| {
        let is_proven = port["standing"]["state"] == "proven";
        let mut why = vec![if is_proven { String::new() } else { text(&port["standing"]["why"]) }];
        let ends_ms = port["proof_ends_ms"].as_i64().map(|ms| ms - now_ms);
        why.extend(ends_ms.filter(|ms| *ms < ENDS_SOON_MS).map(|ms| format!("the proof ends in {}", age(ms))));
        let leaning = port["leaning"].as_array().into_iter().flatten();
        why.extend(leaning.map(|lean| format!("{} begin to drift", text(&lean["figure"]))));
        why.extend(port["acknowledged"]["by"].as_str().map(|by| format!("acknowledged by {by}")));
        why.retain(|why| !why.is_empty());
        why.join("; ")
    };
    let row = |port: &Value| {
        let standing = &port["standing"];
        let doing = match (&port["running"]["run"], port["hung"].as_bool(), &port["diagnosis"]) {
            (_, Some(true), _) => "hangs".into(),
            (Value::String(_), ..) => "runs".into(),
            (_, _, Value::Object(_)) => "under diagnosis".into(),
            _ => match port["next_due_ms"].as_i64() {
                Some(ms) if ms > now_ms => format!("in {}", age(ms - now_ms)),
                Some(_) => "due".into(),
                None => "-".into(),
            },
        };
        vec![
            text(&port["name"]),
            text(&port["cabinet"]),
            text(&standing["state"]),
            since(&standing["since_ms"]),
            since(&standing["proven_ms"]),
            doing,
        ]
    };
    let (watched, others): (Vec<&Value>, Vec<&Value>) =
        ports(status).iter().partition(|port| port["watch"] == "watched");
    let rows: Vec<Vec<String>> = watched.iter().copied().map(row).collect();
    out.push_str(&table::render(&["port", "cabinet", "state", "for", "proven", "next run"], &rows, width));
    for port in watched {
        let why = why(port);
        if !why.is_empty() {
            out.push_str(&format!("{}\n", wrapped(&format!("{}: ", text(&port["name"])), &why, width)));
        }
    }
    if !others.is_empty() {
        let names: Vec<String> = others.iter().map(|port| text(&port["name"])).collect();
        out.push_str(&format!("not watched: {}\n", names.join(", ")));
    }
    out
}

/// The bench: how far its lot is, what is tested and what waits for hands; nothing where this machine is none.
fn bench(bench: &Value, now_ms: i64, width: usize) -> String {
    let text = |value: &Value| value.as_str().unwrap_or_default().to_owned();
    let (Some(slots), Some(name)) = (bench["slots"].as_array(), bench["bench"].as_str()) else { return String::new() };
    let lot = &bench["lot"];
    let so_far = match lot["label"].as_str() {
        Some(label) => {
            let counts = ["accepted", "limited", "rejected"].map(|grade| format!("{} {grade}", lot[grade]));
            format!("lot {label}, {} of {} cards tested: {}", lot["tested"], lot["to_test"], counts.join(", "))
        }
        None => "no lot".to_owned(),
    };
    let mut out = format!("{}\n", wrapped(&format!("bench {name}: "), &so_far, width));
    let mut say = |slot: &Value, words: String| {
        let at = match slot["card"].as_str() {
            Some(card) if slot["slot"] != card => format!("{}, card {card}", text(&slot["slot"])),
            _ => text(&slot["slot"]),
        };
        out.push_str(&format!("{}\n", wrapped(&format!("  {at}: "), &words, width)));
    };
    for slot in slots {
        let (testing, hands) = (&slot["testing"], &slot["hands"]);
        if let Some(test) = testing["test"].as_str() {
            let began = testing["began_ms"].as_i64().unwrap_or(now_ms);
            let left_s = testing["takes_s"].as_f64().map(|takes_s| takes_s - (now_ms - began) as f64 / 1e3);
            let left_s = left_s.map(|s| s.max(0.0) + testing["then_s"].as_f64().unwrap_or_default());
            let left = left_s.map_or_else(String::new, |s| format!(", about {} left for it", age((s * 1e3) as i64)));
            say(slot, format!("test {test}, {} of {}{left}", testing["number"], testing["of"]));
        } else if let Some(act) = hands["act"].as_str() {
            let since = hands["since_ms"].as_i64().map_or_else(String::new, |ms| age(now_ms - ms));
            say(slot, format!("hands are needed, for {since}: {act}"));
        }
    }
    out
}

/// From this age of a proof on its end is told.
const ENDS_SOON_MS: i64 = 3 * 86_400_000;

/// A time in its largest unit.
fn age(ms: i64) -> String {
    let seconds = (ms / 1000).max(0);
    match seconds {
        0..120 => format!("{seconds} s"),
        120..7200 => format!("{} min", seconds / 60),
        7200..172_800 => format!("{} h", seconds / 3600),
        _ => format!("{} d", seconds / 86_400),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn only_watched_ports_count_and_whatever_is_not_proven_is_told() {
        let status = |state: &str, watch: &str| {
            serde_json::json!({
                "health": {"ok": true},
                "ports": [
                    {"watch": watch, "standing": {"state": state}},
                    {"watch": "not-watched", "standing": {"state": "failed"}},
                    {"watch": "remembered", "standing": {"state": "suspect"}},
                ],
            })
        };
        for (state, watch, code) in [
            ("proven", "watched", 0),
            ("skipped", "watched", 0),
            ("never-tested", "watched", 3),
            ("expired", "watched", 3),
            ("undecided", "watched", 3),
            ("chip-proven", "watched", 3),
            ("suspect", "watched", 3),
            ("gone", "watched", 3),
            ("failed", "watched", 1),
            ("failed", "not-watched", 0),
        ] {
            assert_eq!(status_code(&status(state, watch)), code, "{state} {watch}");
        }
    }

    #[test]
    fn a_status_reads_well() {
        let status = serde_json::json!({
            "health": {"version": "1", "started_ms": 1000, "troubles": ["store: full"], "ok": false,
                "fleet": {"member": "north-quay.closet-3", "connected": false, "waiting": 12, "oldest_ms": 1000,
                    "sent": 0, "given_up": 0, "trouble": "the broker is away"}},
            "outbox": [{}],
            "queue": [{"port": "lock0", "reason": "a run is on, on lock1", "begins_ms": 91_000}],
            "bench": {"bench": "stores-bench", "lot": {"label": "stores-7", "tested": 5, "to_test": 16, "accepted": 3,
                "limited": 1, "rejected": 1}, "slots": [
                {"slot": "slot-1", "card": "stores-7-06", "testing": {"test": "links", "number": 3, "of": 7,
                    "began_ms": 21_000, "takes_s": 30.0, "then_s": 70.0}},
                {"slot": "slot-2", "card": "stores-7-07", "testing": null,
                    "hands": {"act": "exchange the plugs of port 1 and 2", "since_ms": 1000}},
                {"slot": "slot-3", "card": null, "testing": null, "hands": null}]},
            "pauses": [{"cabinet": "tide gauge", "by": "night-shift", "at_ms": 1000}],
            "ports": [{"name": "quay9", "watch": "not-watched", "standing": {}},
                {"name": "quay3", "watch": "watched", "proof_ends_ms": 131_000, "leaning": [{"figure": "errors"}],
                "cabinet": "quay cabinet 3", "next_due_ms": 61_000, "running": null,
                "hung": false,
                "standing": {"state": "suspect", "since_ms": 2000, "proven_ms": null, "why": "bit-errors: 7 of 10"}}],
        });
        let text = render(&status, 31_000, 100);
        for part in [
            "up 30 s",
            "trouble: store: full",
            "1 announcements wait",
            "fleet north-quay.closet-3: 12 documents wait, the oldest for 30 s; the broker is away",
            "quay3",
            "suspect",
            "in 30 s",
            "bit-errors",
            "waits: lock0: a run is on, on lock1, in about 60 s",
            "paused: tide gauge, by night-shift 30 s ago",
            "bench stores-bench: lot stores-7, 5 of 16 cards tested: 3 accepted, 1 limited, 1 rejected",
            "  slot-1, card stores-7-06: test links, 3 of 7, about 90 s left for it",
            "  slot-2, card stores-7-07: hands are needed, for 30 s: exchange the plugs of port 1 and 2",
            "not watched: quay9",
            "proof ends",
            "errors begin",
        ] {
            assert!(text.contains(part), "{part} in {text}");
        }
    }
}
