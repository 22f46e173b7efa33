//! The fleet's page: over tables that hold a few machines, for people with and without tokens; the demo as a whole; and
//! a walk through it in a browser, with three hundred machines.

use std::{
    collections::BTreeSet,
    fs,
    io::{BufRead, BufReader},
    net::SocketAddr,
    path::Path,
    process::{Child, Command, Stdio},
    thread,
    time::{Duration, Instant},
};

use turnback::{fleet::payload, http::fleet as page};
use turnback_core::document::{Document, run::Report};

use crate::{
    harness::{
        fleet::{Fleet, LIMIT, Part, wait_until},
        skip::installed,
        web::{Answer, Caller},
    },
    page::Visit,
};

const RUN: &str = include_str!("fixtures/format1/ethernet-run.json");

/// A `turnback fleet` command that serves a page, and what it said.
struct Serving {
    child: Child,
    caller: Caller,
    url: String,
}

impl Serving {
    fn start(arguments: &[&str], folder: &Path) -> Self {
        let log = fs::File::create(folder.join("serve.log")).expect("a log");
        let mut command = Command::new(env!("CARGO_BIN_EXE_turnback"));
        command.arg("fleet").args(arguments).env("TMPDIR", folder).env("NO_COLOR", "1");
        let mut child = command.stdin(Stdio::null()).stdout(Stdio::piped()).stderr(log).spawn().expect("it starts");
        let mut url = String::new();
        BufReader::new(child.stdout.take().expect("piped")).read_line(&mut url).expect("its address");
        let url = url.trim().to_owned();
        let said = || fs::read_to_string(folder.join("serve.log")).unwrap_or_default();
        let address: Option<SocketAddr> = url.strip_prefix("http://").and_then(|address| address.parse().ok());
        let address = address.unwrap_or_else(|| panic!("no address: {}", said()));
        Self { child, caller: Caller { address, token: String::new() }, url }
    }

    fn get(&self, path: &str) -> Answer {
        self.caller.get(path)
    }

    /// Ends it by a signal, as Ctrl-C does; its exit status.
    fn interrupt(&mut self) -> Option<i32> {
        // SAFETY: kill takes any numbers; the child was not waited for, so the number is its own.
        unsafe { libc::kill(self.child.id() as i32, libc::SIGINT) };
        let began = Instant::now();
        while began.elapsed() < LIMIT {
            if let Some(status) = self.child.try_wait().expect("it can be waited for") {
                return status.code();
            }
            std::thread::sleep(Duration::from_millis(50));
        }
        None
    }
}

impl Drop for Serving {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

/// Tables with two machines: a failed port with a run, the same adapter at the other machine, and a silent machine.
fn filled() -> Option<Fleet> {
    let fleet = Fleet::start()?;
    let (code, said) = fleet.run("init");
    assert_eq!(code, Some(0), "{said}");
    let run = |id: &str, machine: u32, port: u32, outcome: &str| {
        let Ok(Document::Run(report)) = Document::read(RUN) else { panic!("a run") };
        let report = Report { run: id.into(), ..*report };
        let packed = payload::pack_document(&report.into()).expect("packed").bytes;
        let hex: String = packed.iter().map(|byte| format!("{byte:02x}")).collect();
        format!(
            "INSERT INTO run VALUES ('{id}', {machine}, {port}, now(), now(), 'ethernet', true, '02:00:5e:00:00:01', \
             NULL, 'Q-12', NULL, NULL, NULL, 'at-port', 'quick', '{outcome}', 'cable', 'bit-errors', 0, 1e-9, 0, 5000, \
             1000, 'turnback', false, decode('{hex}', 'hex'));"
        )
    };
    let sql = [
        "INSERT INTO machine (site, name, heard_at, number) VALUES ('north-quay', 'closet-3', now(), 1),
            ('lock <gate>', 'closet-9', now() - interval '1 hour', 1);
         INSERT INTO port (machine_id, name, number, kind, label, cable, cabinet, permanent_address, watched, state,
            since, why, location, next_action, needs_attention, proof_ends_at)
         VALUES (1, 'quay3', 1, 'ethernet', 'A-14', 'Q-12', 'quay cabinet 3', '02:00:5e:00:00:01', true, 'failed',
            now(), 'bit-errors: 7 of 10', 'cable', 'Replace the cable. Then test again.', true, NULL),
            (2, '/dev/ttyS4', 1, 'serial', NULL, 'Q-12', NULL, NULL, true, 'proven', now(), 'passed', '', NULL, false,
            now() + interval '1 day');
         INSERT INTO state_change SELECT gen_random_uuid(), 1, 1, now(), now() - interval '1 hour' * h, 'proven',
            'failed', 'bit-errors' FROM unnest(ARRAY[1, 23, 25]) h;
         INSERT INTO card_test VALUES (gen_random_uuid(), 2, 1, 'K-7', 'lot-1', 'SN0042', ARRAY['02:00:5e:00:00:01'],
            'accepted', 'pass', now(), now(), now(), '\\x00');"
            .to_owned(),
        run(RUNS[0], 1, 1, "fault"),
        run(RUNS[1], 2, 2, "pass"),
    ];
    assert!(fleet.ask(&sql.concat()).is_some(), "the tables are filled");
    Some(fleet)
}

const RUNS: [&str; 2] = ["01a22700-0000-7000-8000-000000000001", "01a22700-0000-7000-8000-000000000002"];

#[test]
fn the_port_whose_label_was_typed_comes_before_all_that_begin_so() {
    let Some(fleet) = filled() else { return };
    // More than one look into an index takes, all of them worse, and the one that is meant among the last.
    let many = "INSERT INTO port (machine_id, name, kind, label, cable, watched, state)
        SELECT 1, 'lock' || n, 'ethernet', 'B-7' || n, 'C-7' || n, true, 'failed' FROM generate_series(1, 1200) n;
        INSERT INTO port (machine_id, name, kind, label, cable, watched, state)
        VALUES (1, 'slip1', 'ethernet', 'B-7', 'D-1', true, 'proven'),
            (1, 'slip2', 'ethernet', 'D-2', 'C-7', true, 'proven')";
    assert!(fleet.ask(many).is_some());
    let (config, folder) = with_view(&fleet);
    let serving = Serving::start(&["serve", "--config", &config], &folder);
    for (typed, meant) in [("b-7", "slip1"), ("C-7", "slip2")] {
        let (mut after, mut names) = (String::new(), Vec::new());
        loop {
            let page = serving.get(&format!("/api/1/ports?q={typed}&limit=400&after={after}")).json();
            names.extend(page["ports"].as_array().expect("ports").iter().map(|port| port["port"].to_string()));
            match page["next"].as_str() {
                Some(next) => next.clone_into(&mut after),
                None => break,
            }
        }
        assert_eq!(names[0], format!("\"{meant}\""));
        let all: BTreeSet<&String> = names.iter().collect();
        assert_eq!((all.len(), all.len() >= 1000), (names.len(), true), "each once, over several pages");
    }
}

#[test]
fn what_the_tables_hold_is_on_the_page_in_the_api_and_in_the_tables_for_a_spreadsheet() {
    let Some(fleet) = filled() else { return };
    let (config, folder) = with_view(&fleet);
    let mut serving = Serving::start(&["serve", "--config", &config], &folder);
    for (path, parts) in [
        ("/", &["1 port needs attention", "Silent machines", "closet-9", "quay cabinet 3", "Replace the cable."][..]),
        ("/sites/north-quay", &["closet-3", "quay3"]),
        ("/sites/lock%20%3Cgate%3E", &["lock &#60;gate&#62;"]),
        ("/ports?q=a-14", &["quay3"]),
        ("/ports?q=02:00:5E", &["quay3"]),
        ("/ports?q=02:00:5E:00:00:01", &["quay3", "K-7"]),
        ("/ports?q=sn0042", &["quay3", "K-7"]),
        ("/ports?q=q-12", &["quay3", "/dev/ttyS4"]),
        ("/ports?q=%25", &["No port fits"]),
        ("/ports?state=attention", &["quay3"]),
        ("/ports?state=stale", &["/dev/ttyS4"]),
        ("/ports?state=proven", &["No port fits"]),
        ("/ports?state=silent", &["/dev/ttyS4", "It was proven when its machine was last heard."]),
        ("/machines/lock%20%3Cgate%3E/closet-9/%2Fdev%2FttyS4", &["silent", "Look at its machine first"]),
        ("/api/1/ports?state=silent", &["\"state\":\"silent\"", "\"told\":\"proven\""]),
        ("/machines/north-quay/closet-3/quay3", &["failed", "The same adapter at other ports", "/dev/ttyS4", "K-7"]),
        ("/failures", &["2 changes for the worse"]),
        ("/runs?outcome=fault", &["quay3"]),
        ("/runs?address=02:00:5e:00:00:01", &["quay3", "/dev/ttyS4"]),
        (&*format!("/runs/{}", RUNS[0]), &["Report of a run", "closet-3"]),
        (&*format!("/compare?a={}&b={}", RUNS[0], RUNS[1]), &["What changed", "closet-9 /dev/ttyS4"]),
        (&*format!("/compare?a={}&b=x", RUNS[0]), &["there is no run `x`"]),
        ("/ports.csv", &["north-quay,closet-3,quay3,failed,"]),
        ("/machines.csv", &["closet-9"]),
        ("/failures.csv", &["closet-3"]),
        ("/runs.csv", &[RUNS[1]]),
        ("/metrics", &["turnback_fleet_ports{site=\"north-quay\",state=\"failed\"} 1", "state=\"silent\"} 1", "# EOF"]),
        ("/health", &["\"ok\":true"]),
        ("/api/1/overview", &["\"needs_attention\":1", "\"failures_day\":2"]),
        ("/api/1/ports?q=sn0042", &["\"port\":\"quay3\""]),
        ("/api/1/machines/north-quay/closet-3/quay3/elsewhere", &[RUNS[1]]),
        (&*format!("/api/1/compare?a={}&b={}", RUNS[0], RUNS[1]), &["\"says\""]),
    ] {
        let answer = serving.get(path);
        assert_eq!(answer.status, 200, "{path}: {answer:?}");
        for part in parts {
            assert!(answer.body.contains(part), "{path} lacks {part}: {}", answer.body);
        }
    }
    for (path, status, code) in [
        ("/api/1/machines/north-quay/closet-4", 404, "unknown-machine"),
        ("/api/1/runs/x", 404, "unknown-run"),
        ("/api/1/ports?after=x", 422, "value-not-allowed"),
        ("/api/1/ports?limit=0", 422, "value-not-allowed"),
        ("/api/1/ports?colour=red", 400, "query-not-understood"),
        ("/api/1/nothing", 404, "unknown-route"),
    ] {
        let answer = serving.get(path);
        assert_eq!((answer.status, answer.code().as_str()), (status, code), "{path}: {answer:?}");
    }
    for path in ["/sites/nowhere", "/machines/a/b/c", "/runs/x", "/cards/x", "/nothing"] {
        assert_eq!(serving.get(path).status, 404, "{path}");
    }
    // A card test that cannot be read is an error of its own, and no end of the page.
    assert_eq!(serving.get(&format!("/cards/{}", fleet.ask("SELECT id FROM card_test").expect("one"))).status, 500);
    assert_eq!(serving.interrupt(), Some(0));
}

#[test]
fn a_token_counts_from_when_it_is_made_until_it_is_revoked() {
    let Some(fleet) = filled() else { return };
    let (config, folder) = with_view(&fleet);
    let made = |name: &str, role: &str| fleet.run(&format!("token make {name} --role {role}"));
    let (code, secret) = made("night-shift", "read");
    assert_eq!(code, Some(0), "{secret}");
    let serving = Serving::start(&["serve", "--config", &config], &folder);
    let with = |token: &str| Caller { address: serving.caller.address, token: token.trim().to_owned() };
    // A change needs a token with the role for it; whether there is such a call is told to nobody else.
    let change = |caller: &Caller| caller.post("/api/1/nothing", &serde_json::json!({}));
    assert_eq!(change(&with("0123")).code(), "wrong-token");
    assert_eq!(change(&with(&secret)).code(), "role-too-low");
    let (code, secret) = made("desk", "write");
    assert_eq!(code, Some(0), "{secret}");
    wait_until("the new token counts", || change(&with(&secret)).code() == "unknown-route");
    assert_eq!(made("desk", "write").0, Some(2));
    let (_, listed) = fleet.run("token list");
    assert!(listed.contains("night-shift") && listed.contains("write"), "{listed}");
    assert!(!listed.contains(secret.trim()) && !fleet.logs().contains(secret.trim()), "a secret was told");
    assert_eq!(fleet.run("token revoke desk").0, Some(0));
    wait_until("the revoked token counts no more", || change(&with(&secret)).code() == "wrong-token");
    assert_eq!(fleet.run("token revoke desk").0, Some(2));
}

#[test]
fn a_session_outlives_its_process_counts_in_another_and_ends_with_its_token() {
    let Some(fleet) = filled() else { return };
    let (config, folder) = with_view(&fleet);
    let secret = fleet.run("token make desk --role write").1;
    let start = || Serving::start(&["serve", "--config", &config], &folder);
    let mut serving = start();
    let form = ("Content-Type", "application/x-www-form-urlencoded");
    let enter = |serving: &Serving| {
        let form = [form, ("Origin", serving.url.as_str())];
        let entered = serving.caller.send("POST", "/enter", &form, &format!("token={}", secret.trim()));
        assert_eq!(entered.status, 303, "{entered:?}");
        entered.header("set-cookie").split(';').next().expect("a cookie").to_owned()
    };
    // Only who may change something is told that there is no such call.
    let counts = |serving: &Serving, cookie: &str| {
        let headers = [("Cookie", cookie), ("Origin", serving.url.as_str()), ("Content-Type", "application/json")];
        let code = serving.caller.send("POST", "/api/1/nothing", &headers, "{}").code();
        assert_ne!(code, "too-often");
        code == "unknown-route"
    };
    // No faster than the page takes changes from one address.
    let slowly = || std::thread::sleep(Duration::from_secs(1));
    let cookie = enter(&serving);
    assert!(counts(&serving, &cookie) && !counts(&serving, "turnback_session=00"));
    assert_eq!(serving.interrupt(), Some(0));
    let (first, second) = (start(), start());
    assert!(counts(&first, &cookie), "after a restart");
    assert!(counts(&second, &cookie), "at another process");
    // Left at one it ends at both; another one goes on.
    let other = enter(&second);
    wait_until("the other counts at the first", || {
        slowly();
        counts(&first, &other)
    });
    let left = first.caller.send("POST", "/leave", &[form, ("Cookie", &cookie), ("Origin", &first.url)], "");
    assert_eq!(left.status, 303, "{left:?}");
    assert!(!counts(&first, &cookie));
    wait_until("it ended at the second", || {
        slowly();
        !counts(&second, &cookie)
    });
    assert!(counts(&first, &other) && counts(&second, &other));
    let secret = other.split('=').next_back().expect("its name");
    assert_eq!(fleet.count(&format!("SELECT count(*) FROM view_session WHERE digest = sha256('{secret}')")), 1);
    assert_eq!(fleet.run("token revoke desk").0, Some(0));
    wait_until("it ended with its token", || {
        slowly();
        !counts(&first, &other) && !counts(&second, &other)
    });
    assert_eq!(fleet.count("SELECT count(*) FROM view_session"), 0);
}

#[test]
fn a_page_without_its_database_says_so_and_comes_back() {
    let Some(mut fleet) = filled() else { return };
    let (config, folder) = with_view(&fleet);
    let serving = Serving::start(&["serve", "--config", &config], &folder);
    assert_eq!(serving.get("/health").status, 200);
    fleet.kill(Part::Database);
    // Connections live until their own process notices.
    wait_until("the page says so", || {
        let answer = serving.get("/api/1/ports");
        (answer.status, answer.code().as_str()) == (503, "store-unavailable")
    });
    wait_until("it is not well", || serving.get("/health").status == 503);
    fleet.revive(Part::Database);
    wait_until("the page is back", || serving.get("/ports").status == 200);
}

#[test]
fn the_document_lists_every_route_and_metric() {
    let document = fs::read_to_string(Path::new(env!("CARGO_MANIFEST_DIR")).join("../docs/fleet.md")).expect("docs");
    for (method, path, what) in page::api::ROUTES {
        let line = format!("| `{method} {path}` | {what} |");
        assert!(document.contains(&line), "docs/fleet.md lacks the line: {line}");
    }
    let calls = ["| `GET /", "| `POST /api/1/"].map(|call| document.matches(&format!("\n{call}")).count());
    let listed = calls.iter().sum::<usize>();
    assert_eq!(listed, page::api::ROUTES.len());
}

/// Its configuration with a page at any free port, and a folder for what the page says.
fn with_view(fleet: &Fleet) -> (String, std::path::PathBuf) {
    let config = fleet.path("fleet.toml");
    let text = fs::read_to_string(&config).expect("a configuration");
    fs::write(&config, format!("{text}\n[view]\nlisten = \"127.0.0.1:0\"\n")).expect("written");
    (config.display().to_string(), fleet.path(""))
}

#[test]
fn the_demo_shows_a_fleet_and_leaves_nothing_behind() {
    // Only to skip where a server is not installed.
    let Some(fleet) = Fleet::start() else { return };
    drop(fleet);
    let folder = tempfile::tempdir().expect("a temporary directory");
    fs::set_permissions(folder.path(), std::os::unix::fs::PermissionsExt::from_mode(0o711)).expect("a mode");
    let mut demo = Serving::start(&["demo", "--machines", "2", "--listen", "127.0.0.1:0"], folder.path());
    wait_until("both machines are seen with their ports", || {
        let found = demo.get("/api/1/overview").json();
        found["counts"]["machines"] == 2 && found["counts"]["ports"].as_u64() >= Some(20)
    });
    wait_until("a run is there", || demo.get("/api/1/runs").json()["runs"].as_array().is_some_and(|r| !r.is_empty()));
    let run = demo.get("/api/1/runs").json()["runs"][0]["run"].as_str().expect("an id").to_owned();
    assert_eq!(demo.get(&format!("/runs/{run}")).status, 200);
    asks_for_checks(&mut demo, folder.path());
    assert_eq!(demo.interrupt(), Some(0), "{}", fs::read_to_string(folder.path().join("serve.log")).expect("a log"));
    let left: Vec<_> =
        fs::read_dir(folder.path()).expect("a folder").flatten().map(|entry| entry.file_name()).collect();
    assert_eq!(left, ["serve.log"]);
    assert_eq!(processes_that_name(folder.path()), Vec::<String>::new());
}

/// A check of a far machine, asked for by somebody who may: it is refused or carried out there, and all of it is on
/// record.
fn asks_for_checks(demo: &mut Serving, folder: &Path) {
    let own = fs::read_dir(folder).expect("a folder").flatten().map(|entry| entry.path().join("token"));
    let token = own.filter_map(|file| fs::read_to_string(file).ok()).next().expect("the demo's token");
    let order = |port: &str, profile: &str| serde_json::json!({"site": "north-quay", "machine": "closet-1", "port": port, "profile": profile});
    assert_eq!(demo.caller.post("/api/1/checks", &order("quay0", "")).status, 401);
    let caller = Caller { address: demo.caller.address, token: token.trim().to_owned() };
    let asked = |order: &serde_json::Value| {
        let answer = caller.post("/api/1/checks", order);
        assert_eq!(answer.status, 202, "{answer:?}");
        answer.json()["request"].as_str().expect("an id").to_owned()
    };
    let what_became_of = |request: &str| demo.get(&format!("/api/1/checks/{request}")).json();
    let refused = asked(&order("quay0", "no-such-profile"));
    wait_until("the machine refused it", || what_became_of(&refused)["state"] == "refused");
    let why = what_became_of(&refused);
    assert!(why["says"].as_str().expect("why").contains("no-such-profile"), "{why}");
    let mut done = asked(&order("quay0", "quick"));
    wait_until("the run is over and its report is here", || {
        let found = what_became_of(&done);
        // The demo tests by itself as well, and two runs of one port at once there are not.
        if found["state"] == "refused" && found["says"].to_string().contains("a run of it is on") {
            thread::sleep(Duration::from_secs(1));
            done = asked(&order("quay0", "quick"));
            return false;
        }
        found["state"] == "done" && found["is_here"] == true
    });
    let found = what_became_of(&done);
    assert_eq!(found["by"], "demo");
    let page = demo.get(&format!("/asked/{done}")).body;
    assert!(page.contains(&format!("/runs/{}", found["run"].as_str().expect("a run"))), "{page}");
    assert_eq!(caller.post("/api/1/checks", &order("quay99", "")).code(), "unknown-port");
}

/// Command lines of all processes that name this folder.
fn processes_that_name(folder: &Path) -> Vec<String> {
    let all = fs::read_dir("/proc").expect("processes").flatten();
    let lines = all.filter_map(|entry| fs::read_to_string(entry.path().join("cmdline")).ok());
    lines.filter(|line| line.contains(&folder.display().to_string())).collect()
}

#[test]
#[ignore = "needs Chromium and a minute; scripts/page-check runs it"]
fn the_page_of_three_hundred_machines_reads_well() {
    // For scripts/fleet-fill.
    if !installed("zstd", "zstd") || !installed("psql", "postgresql-client") {
        return;
    }
    let Some(mut visit) = Visit::start() else { return };
    let Some(fleet) = Fleet::start() else { return };
    assert_eq!(fleet.run("init").0, Some(0));
    let connection = format!("host={} user=turnback dbname=postgres", fleet.path("socket").display());
    let script = Path::new(env!("CARGO_MANIFEST_DIR")).join("../scripts/fleet-fill");
    let mut fill = Command::new(script);
    fill.args([&connection, "300", "15", "20000"]).env("TURNBACK", env!("CARGO_BIN_EXE_turnback"));
    let output = fill.stdin(Stdio::null()).output().expect("scripts/fleet-fill");
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    let (config, folder) = with_view(&fleet);
    let serving = Serving::start(&["serve", "--config", &config], &folder);
    let runs =
        fleet.ask("SELECT string_agg(id::text, ' ') FROM (SELECT id FROM run WHERE length(document) > 9 LIMIT 2) r");
    let runs = runs.expect("two runs with reports");
    let (a, b) = runs.split_once(' ').expect("two");
    let failed = "/machines/site-000/closet-1/quay10";
    for (name, path) in [
        ("fleet", "/"),
        ("fleet-site", "/sites/site-002"),
        ("fleet-search", "/ports?q=closet-17"),
        ("fleet-failed", "/ports?state=failed"),
        ("fleet-port", failed),
        ("fleet-machines", "/machines"),
        ("fleet-machine", "/machines/site-000/closet-7"),
        ("fleet-last-day", "/failures"),
        ("fleet-runs", "/runs?cable=Q-17"),
        ("fleet-compare", &*format!("/compare?a={a}&b={b}")),
        ("fleet-cards", "/cards?q=SN000000"),
        ("fleet-asked", "/asked"),
        ("fleet-nothing", "/ports?q=nothing-is-called-so"),
        ("fleet-enter", "/enter"),
    ] {
        visit.browser.go(&format!("{}{path}", serving.url));
        visit.look(name);
    }
    // A search by hand leads to a port.
    visit.browser.go(&format!("{}/", serving.url));
    visit.browser.value("document.querySelector('[type=search]').value = 'A-11'");
    visit.browser.follow("form[role=search] button");
    visit.browser.until("document.querySelector('.lines .name').textContent.includes('quay10')");
    visit.browser.follow(".lines .name");
    visit.browser.until(&format!("location.pathname === {failed:?}"));
    visit.end();
}
