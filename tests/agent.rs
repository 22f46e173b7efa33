//! The daemon as a process: real time, real sockets, signals, and deaths at bad moments.

use std::{
    cell::RefCell,
    collections::BTreeSet,
    fs,
    io::{Read, Write},
    net::TcpListener,
    path::Path,
    process::Command,
    sync::{Arc, Mutex},
    thread,
    time::{Duration, Instant},
};

use serde_json::Value;
use turnback::archive::{Archive, filter::Filter, logbook::Logbook, sqlite::Store};
use turnback_core::{
    base::rng::Rng,
    document::{Document, DocumentKind},
    watch::standing::State,
};

use crate::harness::netns::{add_cable, fit_plug, in_fresh_namespace, run};
use crate::harness::program::{Program, Running, TapPlug};
use crate::harness::pty::{PtyPlug, settings};
use crate::harness::setting::kills;

/// More than any of these takes on a loaded machine; only a hang lasts longer.
pub(crate) const LIMIT: Duration = Duration::from_secs(120);

/// A profile that takes a second and proves little, gently.
const PROFILE: &str = "name = 'short'\nkind = 'steps'\nsizes_bytes = [512]\npatterns = ['prbs31']\ntime = '300ms'\n\
    rate = '2000'\nlatency_probes = 4\nlisten = '100ms'\nsettle = '100ms'\ntarget_ber = 1e-5\nserial_target_ber = 1e-4\n";

fn configure(program: &Program, text: &str) -> String {
    fs::write(program.state().join("short.toml"), PROFILE).unwrap();
    let path = program.state().join("agent.toml");
    fs::write(&path, text).unwrap();
    format!("agent --config {}", path.display())
}

fn round(more: &str) -> String {
    format!(
        "[http]\nenabled = false\n[limits]\ncpu_share = 1.0\nruns_at_once = 2\n[[round]]\nname = 'often'\n\
         select = [{{ spare = true }}]\nschedule = '* * * * * *'\nprofile = 'short.toml'\nrepeat_after = '500ms'\n\
         side_by_side = true\n{more}\n"
    )
}

fn spare(name: &str) -> String {
    format!("[[port]]\nselect = {{ name = '{name}' }}\nspare = true\n")
}

/// Asks until the answer is right.
fn wait_until(program: &Program, what: &str, right: impl Fn(&Value) -> bool) -> Value {
    let began = Instant::now();
    let mut last = Value::Null;
    while began.elapsed() < LIMIT {
        let asked = program.run("agent status --json");
        if let Ok(status) = serde_json::from_str::<Value>(&asked.stdout) {
            if right(&status) {
                return status;
            }
            last = status;
        }
        thread::sleep(Duration::from_millis(50));
    }
    panic!("never {what}: {last:#}");
}

fn state<'a>(status: &'a Value, port: &str) -> &'a str {
    let ports = status["ports"].as_array().map_or(&[][..], Vec::as_slice);
    ports.iter().find(|p| p["name"] == port).and_then(|p| p["standing"]["state"].as_str()).unwrap_or("")
}

fn wait_for_state(program: &Program, port: &str, wanted: &str) -> Value {
    wait_until(program, wanted, |status| state(status, port) == wanted)
}

pub(crate) fn end(agent: Running) {
    agent.signal(libc::SIGTERM);
    let finished = agent.finish();
    assert_eq!(finished.code, Some(0), "{}", finished.stderr);
}

/// Sends one request with these head lines to the page; the whole answer.
pub(crate) fn ask(page: &str, what: &str, head: &str, body: &str) -> String {
    let address = page.strip_prefix("http://").unwrap();
    let mut stream = std::net::TcpStream::connect(address).unwrap();
    let length = body.len();
    write!(
        stream,
        "{what} HTTP/1.1\r\nHost: {address}\r\n{head}\r\nConnection: close\r\nContent-Length: {length}\r\n\r\n{body}"
    )
    .unwrap();
    let mut answer = String::new();
    stream.read_to_string(&mut answer).unwrap();
    answer
}

/// Takes announcements; the bodies of the requests.
pub(crate) fn receiver(address: &str) -> Arc<Mutex<Vec<Value>>> {
    let listener = TcpListener::bind(address).unwrap();
    let told = Arc::new(Mutex::new(Vec::new()));
    let taken = Arc::clone(&told);
    thread::spawn(move || {
        for stream in listener.incoming() {
            let Ok(mut stream) = stream else { return };
            let mut came = Vec::new();
            let mut piece = [0; 4096];
            while let Ok(n) = stream.read(&mut piece) {
                came.extend_from_slice(&piece[..n]);
                if n == 0 || came.ends_with(b"}") {
                    break;
                }
            }
            let text = String::from_utf8_lossy(&came);
            if let Some((_, body)) = text.split_once("\r\n\r\n")
                && let Ok(body) = serde_json::from_str(body)
            {
                taken.lock().unwrap().push(body);
            }
            let _ = stream.write_all(b"HTTP/1.1 204 No Content\r\nConnection: close\r\n\r\n");
        }
    });
    told
}

fn flags(interface: &str) -> String {
    let output = Command::new("ip").args(["-o", "link", "show", "dev", interface]).output().unwrap();
    let text = String::from_utf8(output.stdout).unwrap();
    text.split(['<', '>']).nth(1).unwrap_or_default().to_owned()
}

/// Good, faulty from `spoil` on, good again from `mend` on: what becomes of the port, and that each change is told
/// although nobody listens until the fault is found. The first suspicion names `rule`.
fn fault_and_repair(port: &str, rule: &str, spoil: impl FnOnce(), mend: impl FnOnce()) {
    // Nobody listens there until the fault is found.
    let address = TcpListener::bind("127.0.0.1:0").unwrap().local_addr().unwrap().to_string();
    let program = Program::new();
    let target = format!("[[announce]]\nname = 'office'\nwebhook = 'http://{address}/ports'\ntime_limit = '5s'\n");
    let agent = program.start(&configure(&program, &(round("") + &spare(port) + &target)));
    wait_for_state(&program, port, "proven");
    spoil();
    wait_for_state(&program, port, "failed");
    let status = wait_until(&program, "a failed attempt", |s| s["outbox"][0]["attempts"].as_u64() > Some(0));
    assert!(status["outbox"].as_array().unwrap().len() >= 3, "{}", status["outbox"]);
    let told = receiver(&address);
    mend();
    wait_for_state(&program, port, "proven");
    wait_until(&program, "an empty outbox", |status| status["outbox"].as_array().is_some_and(Vec::is_empty));
    let mut told = told.lock().unwrap().clone();
    told.sort_by_key(|a| a["id"].as_str().unwrap().to_owned());
    told.dedup_by_key(|a| a["id"].as_str().unwrap().to_owned());
    // Nothing is missing: each begins where the last ended. On a loaded machine some runs decide nothing, so that the
    // port may be undecided in between.
    let to = |n: usize| told[n]["to"].as_str().unwrap();
    assert!((1..told.len()).all(|n| told[n]["from"].as_str().unwrap() == to(n - 1)), "{told:#?}");
    let known: Vec<_> = (0..told.len()).map(to).filter(|state| *state != "undecided").collect();
    let mut distinct = known.clone();
    distinct.dedup();
    assert_eq!(distinct, ["proven", "suspect", "failed", "proven"], "{told:#?}");
    let suspect = told.iter().find(|a| a["to"] == "suspect").unwrap();
    assert!(suspect["why"].as_str().unwrap().contains(rule), "{suspect}");
    end(agent);
}

#[test]
fn a_fault_is_found_announced_through_an_outage_and_its_repair_is_seen() {
    in_fresh_namespace(|| {
        if !Path::new("/dev/net/tun").exists() {
            return;
        }
        run("ip link set lo up");
        let Some(plug) = TapPlug::start("--seed 5") else { return };
        let before = flags("quay0");
        let plug = RefCell::new(plug);
        let set = |drop: &str| {
            plug.borrow_mut().tell(&format!("set drop {drop}"));
        };
        fault_and_repair("quay0", "frames-lost", || set("0.05"), || set("0"));
        assert_eq!(flags("quay0"), before);
        plug.into_inner().end();
    });
}

#[test]
fn a_serial_line_goes_the_same_way() {
    let plug = RefCell::new(PtyPlug::start("--seed 5"));
    let port = plug.borrow().port().to_owned();
    let before = settings(&port);
    // Wrong bytes, not lost ones: a run waits two seconds for each byte that never comes.
    let set = |ratio: &str| {
        plug.borrow_mut().tell(&format!("set flip-ratio {ratio}"));
    };
    fault_and_repair(&port, "bytes-damaged", || set("0.002"), || set("0"));
    assert_eq!(settings(&port), before, "the line is as before");
    plug.into_inner().end();
}

#[test]
fn a_port_that_comes_into_service_is_left_alone_and_a_reload_drops_nothing() {
    in_fresh_namespace(|| {
        add_cable(1500);
        fit_plug();
        let program = Program::new();
        let command = configure(&program, &(round("") + &spare("near")));
        let agent = program.start(&command);
        wait_for_state(&program, "near", "proven");
        // A documentation address (RFC 5737).
        run("ip addr add 192.0.2.1/24 dev near");
        let status = wait_for_state(&program, "near", "skipped");
        assert!(status.to_string().contains("192.0.2.1"), "{status}");
        let packets = || fs::read_to_string("/sys/class/net/near/statistics/tx_packets").unwrap();
        // The run that met the address may have been on its last frames; from its end on there are none.
        wait_until(&program, "idle", |s| s["ports"].as_array().unwrap().iter().all(|p| p["running"].is_null()));
        let sent = packets();
        let skips = |s: &Value| {
            let port = s["ports"].as_array().unwrap().iter().find(|p| p["name"] == "near").unwrap();
            port["skips"].as_u64().unwrap()
        };
        let at_first = skips(&status);
        wait_until(&program, "skipped again and again", |s| skips(s) >= at_first + 3);
        assert_eq!(packets(), sent);
        run("ip addr del 192.0.2.1/24 dev near");
        wait_for_state(&program, "near", "proven");
        // A mistake in the file changes nothing; a good file comes into force.
        configure(&program, "zoen = 'UTC'\n");
        agent.signal(libc::SIGHUP);
        let status = wait_until(&program, "trouble", |s| s["health"]["ok"] == false);
        assert!(status["health"]["troubles"].to_string().contains("agent.toml:1: there is no key"), "{status}");
        configure(
            &program,
            &(round("") + &spare("near").replace("spare = true", "spare = true\ncabinet = 'quay cabinet 3'")),
        );
        agent.signal(libc::SIGHUP);
        wait_until(&program, "the new cabinet", |s| {
            s["health"]["ok"] == true && s.to_string().contains("quay cabinet 3")
        });
        // One daemon for one state directory, and for one file of records.
        let elsewhere = Program::new();
        let records = program.state().join("records.db");
        let own = configure(&elsewhere, &format!("store = '{}'\n{}", records.display(), round("")));
        let other = elsewhere.run(&own);
        assert_eq!(other.code, Some(4), "{other:?}");
        assert!(other.stderr.contains("another agent uses the records in"), "{}", other.stderr);
        let second = program.run(&command);
        assert_eq!(second.code, Some(4));
        assert!(second.stderr.contains("another agent") && second.stderr.contains("\nhint: "), "{}", second.stderr);
        end(agent);
    });
}

#[test]
fn killed_at_any_moment_it_loses_nothing_that_was_recorded_or_announced() {
    let kills = kills(4);
    let began = Instant::now();
    in_fresh_namespace(|| {
        add_cable(1500);
        fit_plug();
        run("ip link set near down");
        run("ip link set lo up");
        let before = flags("near");
        let program = Program::new();
        let (rig, told) = (program.state().join("rig.toml"), program.state().join("told"));
        let write_rig = |bad: bool| {
            let fault = "[[faults]]\nplace = 'plug'\nkind = { bit-errors = { ratio = 1e-4 } }\n";
            fs::write(&rig, format!("name = 'quay9'\n{}", if bad { fault } else { "" })).unwrap();
        };
        write_rig(false);
        let simulated = format!("sim:{}", rig.display());
        // The third port is under diagnosis all the time, and muted.
        let reserved = "sim:good";
        let script = format!("[ $TURNBACK_PORT = {reserved} ] || echo $TURNBACK_ID >> {}", told.display());
        let target = format!("[[announce]]\nname = 'watch'\ncommand = ['/bin/sh', '-c', '{script}']\n");
        let listening = round("").replace("enabled = false", "listen = '127.0.0.1:0'");
        let ports = spare("near") + &spare(&simulated) + &spare(reserved);
        let command = configure(&program, &(listening + &ports + &target));
        let agent = program.start(&command);
        let status = wait_for_state(&program, reserved, "proven");
        assert!(program.run("agent token make night-shift --role test").stdout.trim().len() >= 32);
        let page = status["page"].as_str().unwrap().to_owned();
        let token = fs::read_to_string(program.state().join("token")).unwrap();
        let post = |path: &str, body: &str| {
            let head = format!("Authorization: Bearer {}\r\nContent-Type: application/json", token.trim());
            let answer = ask(&page, &format!("POST {path}"), &head, body);
            assert!(answer.starts_with("HTTP/1.1 20"), "{answer}");
            let body = answer.split_once("\r\n\r\n").map(|(_, body)| body).unwrap_or_default();
            serde_json::from_str::<Value>(body).unwrap_or_default()
        };
        let enter = |page: &str, code: &Value| {
            let head = format!("Origin: {page}\r\nContent-Type: application/x-www-form-urlencoded");
            ask(page, "POST /pair", &head, &format!("code={}", code.as_str().unwrap()))
        };
        // One phone is let in now, the code of another is still unused when the agent is killed.
        let code = || post("/api/1/pairings", r#"{"role": "test"}"#)["code"].clone();
        let (used, unused) = (code(), code());
        let entered = enter(&page, &used);
        let phone = entered.lines().find_map(|line| line.strip_prefix("set-cookie: ")?.split(';').next());
        let phone = format!("Cookie: {}", phone.unwrap_or_else(|| panic!("{entered}")));
        let until_ms = jiff::Timestamp::now().as_millisecond() + 86_400_000;
        post("/api/1/ports/sim:good/mute", &format!(r#"{{"until_ms": {until_ms}}}"#));
        post("/api/1/cases", &format!(r#"{{"port": "{reserved}", "cable": "Q-12"}}"#));
        let runs_of_reserved = |store: &Path| {
            let records = Store::open(store).unwrap().runs(&Filter::default(), None).unwrap();
            records.into_iter().filter(|record| record.port == reserved).count()
        };
        // One that began before is over by then.
        wait_until(&program, "the case alone", |s| {
            s["ports"]
                .as_array()
                .unwrap()
                .iter()
                .any(|port| port["name"] == reserved && port["diagnosis"].is_object() && port["running"].is_null())
        });
        agent.signal(libc::SIGKILL);
        agent.finish();
        let before_kills = runs_of_reserved(&program.state().join("records.db"));
        let mut rng = Rng::new(17);
        let mut recorded = BTreeSet::new();
        let store = program.state().join("records.db");
        for life in 0..kills {
            write_rig(life % 3 == 1);
            let agent = program.start(&command);
            thread::sleep(Duration::from_millis(50 + rng.below(2500)));
            agent.signal(libc::SIGKILL);
            assert_eq!(agent.finish().code, None);
            if store.exists() {
                let records = Store::open(&store).unwrap().runs(&Filter::default(), None).unwrap();
                let now: BTreeSet<String> = records.into_iter().map(|record| record.run).collect();
                assert!(recorded.is_subset(&now), "life {life}: {:?} lost", recorded.difference(&now));
                recorded = now;
            }
        }
        write_rig(false);
        let agent = program.start(&command);
        wait_for_state(&program, "near", "proven");
        let empty = |status: &Value| status["outbox"].as_array().is_some_and(Vec::is_empty);
        let status = wait_until(&program, "an empty outbox", empty);
        let kept = status["ports"].as_array().unwrap().iter().find(|port| port["name"] == reserved).unwrap();
        assert!(kept["diagnosis"].is_object() && kept["muted"].is_object(), "{kept}");
        let tokens = program.run("agent token list").stdout;
        assert!(tokens.contains("night-shift"), "{tokens}");
        let page = status["page"].as_str().unwrap();
        let seen = ask(page, &format!("GET /ports/{reserved}"), &phone, "");
        assert!(seen.contains("action=\"/leave\""), "the phone is still let in: {seen}");
        // A code lasts for ten minutes; hundreds of kills may take longer.
        if began.elapsed() < Duration::from_secs(540) {
            assert!(enter(page, &unused).starts_with("HTTP/1.1 303"), "the code of before is still good");
        }
        assert!(enter(page, &used).starts_with("HTTP/1.1 401"), "and good for one session only");
        end(agent);
        assert_eq!(runs_of_reserved(&store), before_kills, "nothing ran where the case is open");
        let store = Store::open(&store).unwrap();
        let told: BTreeSet<String> = fs::read_to_string(&told).unwrap().lines().map(str::to_owned).collect();
        let changes: usize =
            [simulated.as_str(), "near"].map(|port| store.changes(port, 100_000).unwrap().len()).iter().sum();
        let waiting = store.outbox().unwrap().len();
        assert_eq!(told.len() + waiting, changes, "each change was announced");
        assert!(store.changes("near", 100_000).unwrap().iter().all(|change| change.to != State::Failed));
        assert!(!recorded.is_empty() || kills < 4);
        assert_eq!(flags("near"), before, "the interface is as before");
        assert_eq!(fs::read_dir(program.state().join("restore")).map_or(0, Iterator::count), 0);
        println!("{kills} kills, {} runs on record, {changes} changes announced", recorded.len());
    });
}

#[test]
fn a_configuration_is_checked_without_running() {
    let program = Program::new();
    let command = configure(&program, &(round("") + &spare("quay0")));
    let fine = program.run(&format!("{command} --check-config"));
    assert_eq!((fine.code, fine.stdout.contains("no mistake; see the warnings")), (Some(0), true), "{fine:?}");
    for part in ["round often", "ports now: none", " UTC; ", "warning: there is no [[announce]]", "no such port"] {
        assert!(fine.stdout.contains(part), "{part:?} in {}", fine.stdout);
    }
    let target = "[[announce]]\nname = 'journal'\nlog = true\n";
    configure(&program, &(round("") + &spare("sim:good") + target));
    let fine = program.run(&format!("{command} --check-config"));
    assert!(fine.stdout.contains("ports now: sim:good") && fine.stdout.ends_with("nothing is wrong\n"), "{fine:?}");
    configure(&program, "zone = 'UTC'\n[limits]\nruns = 1\n");
    let wrong = program.run(&format!("{command} --check-config"));
    assert_eq!(wrong.code, Some(2));
    assert!(wrong.stderr.contains("agent.toml:3: there is no key `runs`"), "{}", wrong.stderr);
    assert_eq!(program.run("agent").code, Some(2));
    assert_eq!(program.run("agent status").code, Some(4));
}

#[test]
fn the_demo_needs_no_rights_and_comes_to_know_its_ports() {
    let program = Program::new();
    let agent = program.start("agent --demo --pace fast --listen 127.0.0.1:0");
    let status = wait_until(&program, "a proven port", |s| {
        s["ports"].as_array().is_some_and(|p| p.len() == 15 && p.iter().any(|p| p["standing"]["state"] == "proven"))
    });
    assert_eq!(status["health"]["demo"], true);
    let shown = program.run("agent status");
    assert!(shown.stdout.contains("lock-gate controller"), "{}", shown.stdout);
    end(agent);
}

#[test]
fn a_taken_address_is_named_with_the_way_out() {
    let taken = TcpListener::bind("127.0.0.1:0").unwrap();
    let address = taken.local_addr().unwrap();
    let (demo, configured) = (Program::new(), Program::new());
    let command = configure(&configured, &format!("[http]\nlisten = '{address}'\n"));
    for refused in [demo.run(&format!("agent --demo --listen {address}")), configured.run(&command)] {
        assert_eq!(refused.code, Some(4), "{refused:?}");
        for part in [format!("error: cannot listen on {address}: "), "\nhint: another program listens at ".into()] {
            assert!(refused.stderr.contains(&part), "{part:?} in {}", refused.stderr);
        }
        assert!(refused.stderr.contains("turnback agent status") && refused.stderr.contains("--listen"));
        assert_eq!(refused.stdout, "", "no address is told that does not listen");
    }
}

#[test]
fn a_demo_for_which_no_address_was_asked_takes_a_free_one_and_tells_it() {
    let usual = format!("127.0.0.1:{}", turnback::config::http::PORT);
    // Whoever has the usual port, this test or another program: it is taken.
    let _taken = TcpListener::bind(&usual);
    let program = Program::new();
    let mut agent = program.start("agent --demo --pace fast");
    let url = agent.line();
    let address = url.strip_prefix("http://").unwrap_or_else(|| panic!("{url}"));
    assert!(address.starts_with("127.0.0.1:") && address != usual, "{url}");
    let mut stream = std::net::TcpStream::connect(address).unwrap();
    write!(stream, "GET /health HTTP/1.1\r\nHost: {address}\r\nConnection: close\r\n\r\n").unwrap();
    let mut answer = String::new();
    stream.read_to_string(&mut answer).unwrap();
    assert!(answer.starts_with("HTTP/1.1 200"), "{answer}");
    agent.signal(libc::SIGTERM);
    let finished = agent.finish();
    assert_eq!(finished.code, Some(0), "{}", finished.stderr);
    assert!(finished.stderr.contains(&format!("{usual} is taken")), "{}", finished.stderr);
}

#[test]
fn a_serial_line_is_tested_in_its_own_format_and_with_its_own_plug() {
    let program = Program::new();
    // The rig's plug joins the data wires only, whatever is said of it: with the word `de9` the modem lines are judged.
    let port = |status: &Value| {
        let ports = status["ports"].as_array().unwrap();
        ports.iter().find(|port| port["name"] == "sim:serial-wrong-plug").unwrap().clone()
    };
    let said = |wiring: &str| spare("sim:serial-wrong-plug") + &format!("line = '19200,7E1'\nwiring = '{wiring}'\n");
    let agent = program.start(&configure(&program, &(round("") + &said("data-only"))));
    let status = wait_for_state(&program, "sim:serial-wrong-plug", "proven");
    assert_eq!(port(&status)["kind"], "serial");
    end(agent);
    let store = program.state().join("records.db");
    let report = |store: &mut Store| {
        let run = store.runs(&Filter::default(), Some(1)).unwrap().remove(0).run;
        match store.get(DocumentKind::Run, &run).unwrap() {
            Document::Run(report) => *report,
            _ => panic!("no run"),
        }
    };
    let kept = report(&mut Store::open(&store).unwrap());
    let line = kept.serial().unwrap();
    assert_eq!((line.format.to_string().as_str(), line.plug.to_string().as_str()), ("19200,7E1", "data-only"));
    // Named as a full plug it joins too little: nothing is proved any more.
    let agent = program.start(&configure(&program, &(round("inconclusive_to_doubt = 1") + &said("de9"))));
    wait_until(&program, "undecided for its plug", |status| {
        let standing = &port(status)["standing"];
        standing["state"] == "undecided"
            && standing["why"].as_str().is_some_and(|w| w.starts_with("plug-joins-data-only"))
    });
    end(agent);
}

#[test]
fn a_port_that_somebody_else_talks_on_is_skipped_whatever_it_carries() {
    let program = Program::new();
    let ports = ["sim:live-network", "sim:serial-console"];
    let agent = program.start(&configure(&program, &(round("") + &spare(ports[0]) + &spare(ports[1]))));
    for port in ports {
        wait_for_state(&program, port, "skipped");
    }
    end(agent);
}
