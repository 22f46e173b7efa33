//! Cases led from the daemon's API on real ports: every stage that the terminal does, under the daemon's rules.

use std::{
    fs,
    path::Path,
    thread,
    time::{Duration, Instant},
};

use serde_json::{Value, json};
use turnback::guard::lock::PortLock;

use crate::harness::netns::{add_cable, fit_plug, in_fresh_namespace, run};
use crate::harness::program::{Program, Running, TapPlug};
use crate::harness::pty::{PtyPlug, settings};
use crate::harness::web::Caller;

/// More than any stage takes on a loaded machine.
const LIMIT: Duration = Duration::from_secs(120);

/// Takes a second and proves little, gently.
const PROFILE: &str = "name = 'short'\nkind = 'steps'\nsizes_bytes = [512]\npatterns = ['prbs31']\ntime = '300ms'\n\
    rate = '2000'\nlatency_probes = 4\nlisten = '100ms'\nsettle = '500ms'\ntarget_ber = 1e-5\nserial_target_ber = 1e-4\n";

/// A daemon whose rounds are never due, and a way to call it.
fn agent(program: &Program, ports: &[&str]) -> (Running, Caller) {
    let path = program.state().join("agent.toml");
    fs::write(program.state().join("short.toml"), PROFILE).unwrap();
    let spare = |name: &&str| format!("[[port]]\nselect = {{ name = '{name}' }}\nspare = true\n");
    let text = format!(
        "[http]\nlisten = '127.0.0.1:0'\n[[round]]\nname = 'yearly'\nselect = [{{ spare = true }}]\nschedule = '0 0 0 \
         1 1 *'\n\
         profile = 'short.toml'\n{}",
        ports.iter().map(spare).collect::<String>()
    );
    fs::write(&path, text).unwrap();
    let mut agent = program.start(&format!("agent --config {}", path.display()));
    let url = agent.line();
    let address = url.trim().rsplit('/').next().and_then(|a| a.parse().ok()).unwrap_or_else(|| panic!("{url}"));
    let token = fs::read_to_string(program.state().join("token")).unwrap().trim().to_owned();
    (agent, Caller { address, token })
}

fn end(agent: Running) {
    agent.signal(libc::SIGTERM);
    let finished = agent.finish();
    assert_eq!(finished.code, Some(0), "{}", finished.stderr);
}

/// Asks until nothing of the case is on.
fn settled(desk: &Caller, case: &str) -> Value {
    let began = Instant::now();
    loop {
        let now = desk.get(&format!("/api/1/cases/{case}")).json();
        let stage = &now["stages"].as_array().unwrap().last().map_or(Value::Null, |stage| stage["result"].clone());
        if now["running"].is_null() && stage != "running" {
            return now;
        }
        assert!(began.elapsed() < LIMIT, "never over: {now:#}");
        thread::sleep(Duration::from_millis(50));
    }
}

fn open(desk: &Caller, port: &str) -> String {
    let opened = desk.post("/api/1/cases", &json!({"port": port, "cable": "Q-12"}));
    assert_eq!(opened.status, 201, "{opened:?}");
    opened.json()["case"].as_str().unwrap().to_owned()
}

fn perform(desk: &Caller, case: &str, order: &Value) -> Value {
    let begun = desk.post(&format!("/api/1/cases/{case}/stages"), order);
    assert!(matches!(begun.status, 200 | 202), "{order}: {begun:?}");
    settled(desk, case)
}

fn standing(desk: &Caller, port: &str) -> Value {
    desk.get(&format!("/api/1/ports/{}", port.replace('/', "%2F"))).json()["standing"]["state"].clone()
}

#[test]
fn a_port_and_its_plug_are_told_apart_on_a_second_port() {
    in_fresh_namespace(|| {
        if !Path::new("/dev/net/tun").exists() {
            return;
        }
        run("ip link set lo up");
        add_cable(1500);
        fit_plug();
        run("ip link set near down");
        let Some(plug) = TapPlug::start("--seed 7 --spare-bytes 14 --drop 0.2") else { return };
        let program = Program::new();
        let (agent, desk) = agent(&program, &["quay0", "near"]);
        let case = open(&desk, "quay0");
        let mut now = settled(&desk, &case);
        assert_eq!(now["next"]["cautions"], json!([]), "a virtual port carries no power and no light: {now:#}");
        // Somebody at a terminal is at work on it.
        let at_a_terminal = PortLock::named("the case", &format!("case/{case}")).unwrap();
        let refused = desk.post(&format!("/api/1/cases/{case}/stages"), &json!({"stage": "at-port"}));
        assert!(refused.status == 409 && refused.body.contains("under test already, by process"), "{refused:?}");
        drop(at_a_terminal);
        // The same stage until the plug has been seated again, then another plug; whatever is tried, frames are lost.
        for stage in ["at-port", "at-port", "other-plug"] {
            assert_eq!(now["next"]["stage"], stage, "{now:#}");
            assert_eq!(now["next"]["known_good"], Value::Null);
            now = perform(&desk, &case, &json!({"stage": stage}));
        }
        while now["next"]["stage"] == "other-plug" {
            now = perform(&desk, &case, &json!({"stage": "other-plug", "plug": "P-2"}));
        }
        assert_eq!(now["next"]["stage"], "known-good-port", "{now:#}");
        assert_eq!(now["next"]["known_good"], json!(["far", "near"]));
        // In service, the case's own, none at all, of another kind: refused with the way out.
        let stages = format!("/api/1/cases/{case}/stages");
        run("ip addr add 192.0.2.1/24 dev near");
        let began = Instant::now();
        loop {
            // The daemon lists its ports anew before it touches one.
            let refused = desk.post(&stages, &json!({"stage": "known-good-port", "on": "near"}));
            let told = settled(&desk, &case);
            let last = told["stages"].as_array().unwrap().last().unwrap()["result"].to_string();
            if refused.body.contains("in service") || last.contains("in service") {
                assert!(!last.contains("passes"), "{told:#}");
                break;
            }
            assert!(began.elapsed() < LIMIT, "{refused:?}");
        }
        run("ip addr del 192.0.2.1/24 dev near");
        for (order, word) in [
            (json!({"stage": "known-good-port"}), "shows"),
            (json!({"stage": "known-good-port", "on": "quay0"}), "not the one under test"),
            (json!({"stage": "known-good-port", "on": "quay9"}), "quay9"),
            (json!({"stage": "at-port", "on": "far"}), "known-good-port only"),
            (json!({"stage": "known-good-port", "shows": "hums"}), "hums"),
        ] {
            let refused = desk.post(&stages, &order);
            assert!((400..500).contains(&refused.status) && refused.body.contains(word), "{order}: {refused:?}");
        }
        // The failure must follow the port: with either plug here, and never with this plug there.
        let began = Instant::now();
        while let Some(stage) = now["next"]["stage"].as_str().map(str::to_owned) {
            let order = match stage.as_str() {
                "known-good-port" => json!({"stage": stage, "on": "near"}),
                _ => json!({"stage": stage}),
            };
            let begun = desk.post(&stages, &order);
            now = settled(&desk, &case);
            assert!(began.elapsed() < LIMIT, "{begun:?} {now:#}");
        }
        assert_eq!((&now["state"], &now["verdict"]["location"]), (&json!("decided"), &json!(["port"])), "{now:#}");
        // The port that was lent keeps its standing and its settings; its run is on record.
        assert_eq!(
            standing(&desk, "near"),
            "skipped",
            "it was in service for a while, and nothing is said of it since"
        );
        assert_ne!(standing(&desk, "quay0"), "proven");
        let lent = desk.get("/api/1/runs?port=near").json();
        assert!(lent.as_array().unwrap().iter().any(|line| line["outcome"] == "pass"), "{lent}");
        assert!(
            fs::read_to_string("/sys/class/net/near/flags").unwrap().trim_end().ends_with('2'),
            "it is off as before"
        );
        // Who does not stand by a stage has the case opened again; a cable test that is not offered leaves nothing
        // behind.
        let aside = desk.post(&format!("/api/1/cases/{case}/asides"), &json!({"stage": "known-good-port"}));
        assert_eq!((aside.status, &aside.json()["state"]), (200, &json!("open")), "{aside:?}");
        let stages_before = aside.json()["stages"].clone();
        let now = perform(&desk, &case, &json!({"stage": "cable-test"}));
        assert_eq!(now["stages"], stages_before);
        // What the person saw elsewhere stands in its place: then all fail alike, and nobody is blamed.
        let now = perform(&desk, &case, &json!({"stage": "known-good-port", "shows": "fails"}));
        assert_eq!(now["verdict"]["location"], json!([]), "{now:#}");
        end(agent);
        assert_eq!(fs::read_dir(program.state().join("restore")).map_or(0, Iterator::count), 0);
        plug.end();
    });
}

#[test]
fn a_serial_case_is_led_from_the_desk_too() {
    in_fresh_namespace(|| {
        run("ip link set lo up");
        let mut bad = PtyPlug::start("--seed 5 --flip-ratio 0.002");
        let mut good = PtyPlug::start("--seed 6");
        let (port, other) = (bad.port().to_owned(), good.port().to_owned());
        let before = settings(&port);
        let program = Program::new();
        let (agent, desk) = agent(&program, &[&port, &other]);
        let case = open(&desk, &port);
        let mut now = settled(&desk, &case);
        for _ in 0..12 {
            let Some(stage) = now["next"]["stage"].as_str() else { break };
            let order = match &now["next"]["known_good"] {
                Value::Null => json!({"stage": stage}),
                ports => {
                    let ports = ports.as_array().unwrap();
                    assert!(ports.contains(&json!(other)) && !ports.contains(&json!(port)), "{ports:?}");
                    assert!(ports.iter().all(|name| name.as_str().unwrap().starts_with('/')), "lines only: {ports:?}");
                    json!({"stage": stage, "on": other})
                }
            };
            now = perform(&desk, &case, &order);
        }
        assert_eq!((&now["state"], &now["verdict"]["location"]), (&json!("decided"), &json!(["port"])), "{now:#}");
        assert_eq!(standing(&desk, &other), "never-tested");
        end(agent);
        assert_eq!(settings(&port), before, "the line is as before");
        bad.end();
        good.end();
    });
}

/// What a killed run left is told by `ports`, and restored by whatever starts next and may.
#[test]
fn what_a_killed_run_left_is_told_and_restored() {
    in_fresh_namespace(|| {
        run("ip link set lo up");
        add_cable(1500);
        fit_plug();
        run("ip link set near down");
        let program = Program::new();
        let is_up = || !fs::read_to_string("/sys/class/net/near/flags").unwrap().trim_end().ends_with('2');
        let kill = || {
            let running = program.start_until("check near --profile soak --for 1h --rate 1000 --json", "step-started");
            running.signal(libc::SIGKILL);
            running.finish();
            fs::remove_file(program.state().join("events.jsonl")).unwrap();
            assert!(is_up());
        };
        kill();
        let told = program.run("ports --json");
        assert!(told.stderr.contains("near") && told.stderr.contains("ports --restore"), "{}", told.stderr);
        let near = told.report().as_array().unwrap().iter().find(|p| p["name"] == "near").unwrap().clone();
        assert!(near["left_changed"][0].as_str().unwrap().contains("near"), "{near}");
        assert!(is_up(), "telling touches nothing");
        // Without rights it cannot be restored; that is said, and the note is kept.
        let refused = program.without_rights("ports --put-back");
        assert!(refused.stderr.contains("kept for later") && is_up(), "{}", refused.stderr);
        let restored = program.run("ports --restore");
        assert!(restored.stderr.contains("restored") && !restored.stderr.contains("hint"), "{}", restored.stderr);
        assert!(!is_up());
        assert_eq!(program.run("ports").stderr, "");
        // The agent does it when it starts, also where it has nothing to do with that port.
        kill();
        let (agent, _) = agent(&program, &["quay9"]);
        assert!(!is_up());
        end(agent);
    });
}
