//! The web side from outside: who is let in, what is refused, and what rude callers get.

use std::io::{Read, Write};
use std::path::Path;
use std::process::Command;

use tokio::sync::broadcast::error::RecvError;
use turnback::config::HttpConfig;
use turnback::daemon::agent::{Agent, Happening, Told};
use turnback::http::{api::ROUTES, page};

use crate::harness::{
    skip::installed,
    web::{Answer, Web},
};

pub const FORM: (&str, &str) = ("Content-Type", "application/x-www-form-urlencoded");
pub const JSON: (&str, &str) = ("Content-Type", "application/json");

/// A path of a list of routes with names in it.
pub fn filled(path: &str) -> String {
    let names = [("{port}", "quay0")];
    let others = ["{run}", "{case}", "{cabinet}", "{name}", "{card}", "{lot}"].map(|part| (part, "none"));
    names.iter().chain(&others).fold(path.to_owned(), |path, (part, name)| path.replace(part, name))
}

/// Path and body of every changing route of the API, from its list.
pub fn changing() -> Vec<(String, &'static str)> {
    let body = |path: &str| match path.rsplit('/').next() {
        Some("runs" | "cases") => r#"{"port": "quay0"}"#,
        Some("stages" | "skips" | "asides") => r#"{"stage": "internal"}"#,
        Some("acknowledgement" | "mute" | "close") => "{}",
        Some("pauses") => r#"{"end": true}"#,
        Some("tokens") => r#"{"name": "night-shift", "role": "read"}"#,
        Some("pairings") => r#"{"role": "test"}"#,
        Some("answers") => r#"{"request": "none", "answer": "done"}"#,
        Some("again") => r#"{"card": "none"}"#,
        Some("end" | "revoke") => "",
        other => panic!("{other:?}: a changing route without a body in this test"),
    };
    ROUTES.iter().filter(|(method, ..)| *method != "GET").map(|(_, path, _)| (filled(path), body(path))).collect()
}

/// The same of the page; [`cookie`] enters the token, as a phone enters a code, and these are forms of their own. Leaving comes last: it ends the
/// session.
pub fn forms() -> Vec<(String, &'static str)> {
    let form = |path: &str| match path.rsplit('/').next() {
        Some("runs") => "profile=quick",
        Some("cases") => "cable=Q-12",
        Some("end") => "port=quay0",
        Some("stages" | "asides") => "stage=internal",
        Some("skips") => "stage=internal&why=no+key",
        Some("acknowledgements") => "note=seen",
        Some("mutes" | "pauses") => "hours=1",
        Some("checks") => "cabinet=none",
        Some("closings") => "why=moved",
        Some("phones") => "role=test",
        Some("answers") => "request=none&answer=done",
        Some("again") => "card=none",
        Some("leave") => "",
        other => panic!("{other:?}: a form without fields in this test"),
    };
    let all = page::ROUTES.iter().filter(|(method, path)| *method != "GET" && !["/enter", "/pair"].contains(path));
    let mut all: Vec<_> = all.map(|(_, path)| (filled(path), form(path))).collect();
    all.sort_by_key(|(path, _)| path == "/leave");
    all
}

pub fn cookie(web: &Web) -> String {
    let form = format!("token={}&then=%2Fports%2Fquay0", web.token);
    let entered = web.call("POST", "/enter", &[FORM, ("Origin", &web.url)], &form);
    assert_eq!((entered.status, entered.header("location")), (303, "/ports/quay0"), "{entered:?}");
    let set = entered.header("set-cookie");
    assert!(set.contains("HttpOnly") && set.contains("SameSite=Strict"), "{set}");
    set.split(';').next().expect("a cookie").to_owned()
}

#[test]
fn every_changing_call_needs_the_token() {
    let web = Web::start();
    let all = changing();
    for (path, body) in &all {
        let without = web.call("POST", path, &[JSON], body);
        assert_eq!((without.status, without.code().as_str()), (401, "token-needed"), "{path}");
        assert_eq!(without.header("www-authenticate"), "Bearer", "RFC 9110 11.6.1: a 401 names its scheme");
    }
    // More wrong tokens in a row would be guessing.
    for (path, body) in all.iter().step_by(2) {
        let wrong = web.call("POST", path, &[JSON, ("Authorization", "Bearer 0123456789abcdef")], body);
        assert_eq!((wrong.status, wrong.code().as_str()), (401, "wrong-token"), "{path}");
    }
    assert_eq!(web.desk.starts(), 0, "a refused call changed something");
    let web = Web::start();
    for (path, body) in &all {
        let right = web.post(path, body);
        assert!(matches!(right.status, 200..=299 | 404), "{path}: {right:?}");
    }
    assert_eq!(web.desk.starts(), 1);
}

#[test]
fn every_form_needs_a_session_and_a_page_of_ours() {
    let (web, forms) = (Web::start(), forms());
    for (path, form) in &forms {
        let without = web.call("POST", path, &[FORM, ("Origin", &web.url)], form);
        assert_eq!(without.status, 303, "{path}");
        assert!(without.header("location").starts_with("/enter?then=%2F"), "{path}: {without:?}");
    }
    // A new agent each time: none takes so many changes from one address at once.
    let send = |web: &Web, cookie: &str, origin: Option<&str>, (path, form): &(String, &str)| {
        let origin = origin.map(|origin| ("Origin", origin));
        let headers: Vec<_> = [FORM, ("Cookie", cookie)].into_iter().chain(origin).collect();
        web.call("POST", path, &headers, form)
    };
    for origin in [Some("http://evil.example"), None] {
        let web = Web::start();
        let cookie = cookie(&web);
        for form in &forms {
            assert_eq!(send(&web, &cookie, origin, form).status, 403, "{}: a form says where it comes from", form.0);
        }
        assert_eq!(web.desk.starts(), 0, "a refused form changed something");
    }
    let web = Web::start();
    let cookie = cookie(&web);
    for form in &forms {
        let right = send(&web, &cookie, Some(&web.url), form);
        // A code is shown on the page that made it.
        assert!(matches!(right.status, 303 | 404) || form.0 == "/phones", "{}: {right:?}", form.0);
    }
    assert_eq!(web.desk.starts(), 1);
    let after = send(&web, &cookie, Some(&web.url), &forms[0]);
    assert!(after.header("location").starts_with("/enter"), "the session was left: {after:?}");
}

#[test]
fn guessing_is_slowed_down() {
    let web = Web::start();
    // Slowly as the machine may be, a permit takes ten seconds to come back.
    let guess = |_| web.call("POST", "/api/1/runs", &[JSON, ("Authorization", "Bearer 0000")], "{}");
    let answers: Vec<_> = (0..25).map(guess).collect();
    assert_eq!(answers[0].status, 401);
    let slowed = answers.iter().find(|answer| answer.status == 429).expect("it never became too much");
    assert!(slowed.header("retry-after").parse::<u64>().expect("RFC 9110 10.2.3: seconds") >= 1);
    let right = web.post("/api/1/runs", r#"{"port": "quay0"}"#);
    assert_eq!(right.status, 202, "whoever has the token is not shut out: {right:?}");
}

#[test]
fn where_others_can_call_nothing_is_free() {
    let web = Web::elsewhere();
    let bearer = format!("Bearer {}", web.token);
    for path in ["/api/1/ports", "/metrics", "/health", "/api/1/happenings"] {
        assert_eq!(web.get(path).code(), "token-needed", "{path}");
    }
    for path in ["/", "/ports/quay0", "/runs?port=quay0"] {
        let led = web.get(path);
        assert_eq!(led.status, 303, "{path}");
        assert!(led.header("location").starts_with("/enter?then=%2F"), "{led:?}");
    }
    for path in ["/enter", "/pair"].iter().copied().chain(page::ASSETS.iter().copied()) {
        assert_eq!(web.get(path).status, 200, "{path}: needed to enter the token");
    }
    for path in ["/", "/api/1/ports", "/metrics", "/health"] {
        assert_eq!(web.call("GET", path, &[("Authorization", &bearer)], "").status, 200, "{path}");
    }
    assert_eq!(web.call("GET", "/", &[("Cookie", &cookie(&web))], "").status, 200);
}

#[test]
fn pages_of_other_sites_cannot_drive_it() {
    let web = Web::start();
    let bearer = format!("Bearer {}", web.token);
    for path in ["/", "/api/1/ports", "/metrics", "/health", "/enter", "/look.css"] {
        for host in ["evil.example", "127.0.0.1", "localhost", "127.0.0.1:1", ""] {
            let answer = web.call("GET", path, &[("Host", host), ("Authorization", &bearer)], "");
            // Without any host the request is broken (RFC 9112 3.2) and may be refused as such.
            assert!(matches!(answer.status, 421 | 400), "{path} as {host:?}: {answer:?}");
        }
        for origin in ["http://evil.example", "null", "https://127.0.0.1"] {
            let answer = web.call("GET", path, &[("Origin", origin), ("Authorization", &bearer)], "");
            assert_eq!(answer.status, 403, "{path} from {origin}");
        }
    }
    let two = format!("GET / HTTP/1.1\r\nHost: {0}\r\nHost: {0}\r\nConnection: close\r\n\r\n", web.address);
    assert!(matches!(web.raw(two.as_bytes()).status, 421 | 400));
    let own = web.call("GET", "/api/1/ports", &[("Origin", &web.url)], "");
    assert_eq!(own.status, 200);
    assert_eq!(own.header("access-control-allow-origin"), "", "no other page may read an answer");
}

#[test]
fn broken_and_oversize_requests_are_refused_and_harm_nobody() {
    let web = Web::start();
    let long = format!(r#"{{"port": "quay0", "cable": "{}"}}"#, "Q".repeat(20_000));
    assert_eq!(
        (web.post("/api/1/runs", &long).status, web.post("/api/1/runs", &long).code()),
        (413, "too-large".into())
    );
    let bearer = format!("Bearer {}", web.token);
    let no_type = web.call("POST", "/api/1/runs", &[("Authorization", &bearer)], "{}");
    assert_eq!((no_type.status, no_type.code().as_str()), (415, "not-json"));
    for body in ["", "{", "[]", r#"{"port": 7}"#, r#"{"port": "quay0", "prot": 1}"#, "\u{0}"] {
        let answer = web.post("/api/1/runs", body);
        assert!(matches!(answer.status, 400 | 422), "{body:?}: {answer:?}");
        assert_eq!(answer.code(), "body-not-understood", "{body:?}");
    }
    for (path, code) in [
        ("/api/1/runs?limit=x", "query-not-understood"),
        ("/api/1/runs?nonsense=1", "query-not-understood"),
        ("/api/1/ports/none", "unknown-port"),
        ("/api/1/runs/none", "unknown-run"),
        ("/api/1/cases/none", "unknown-case"),
        ("/api/1/none", "unknown-route"),
        ("/api/2/ports", "unknown-route"),
    ] {
        assert_eq!(web.get(path).code(), code, "{path}");
    }
    assert_eq!(web.call("DELETE", "/api/1/ports", &[("Authorization", &bearer)], "").code(), "wrong-method");
    let unknown_profile = web.post("/api/1/runs", r#"{"port": "quay0", "profile": "none"}"#);
    assert_eq!((unknown_profile.status, unknown_profile.code().as_str()), (422, "value-not-allowed"));
    let head = format!("GET / HTTP/1.1\r\nHost: {}\r\nX: {}\r\n\r\n", web.address, "y".repeat(40_000));
    for rude in [
        b"\x16\x03\x01\x02\x00\x01\x00\r\n\r\n".as_slice(),
        b"GET\r\n\r\n",
        b"GET / HTTP/9.9\r\n\r\n",
        b"POST /api/1/runs HTTP/1.1\r\nTransfer-Encoding: chunked\r\nContent-Length: 5\r\nConnection: \
            close\r\n\r\nzz\r\n",
        head.as_bytes(),
    ] {
        assert!(
            matches!(web.raw(rude).status, 0 | 400..=499),
            "{:?}",
            String::from_utf8_lossy(&rude[..rude.len().min(60)])
        );
    }
    assert_eq!(web.get("/health").status, 200);
    assert_eq!(web.desk.starts(), 0);
}

#[test]
fn half_sent_heads_and_idle_streams_shut_nobody_out() {
    let web = Web::start();
    let begun = |head: &str| {
        let mut connection = web.connect();
        connection.write_all(head.as_bytes()).expect("sent");
        connection
    };
    let heads: Vec<_> = (0..300).map(|_| begun("GET / HTTP/1.1\r\nHost")).collect();
    assert_eq!(web.get("/health").status, 200);
    let listen = format!("GET /api/1/happenings HTTP/1.1\r\nHost: {}\r\n", web.address);
    let streams: Vec<_> = (0..300).map(|_| begun(&format!("{listen}\r\n"))).collect();
    // All of them are here: those over the limit were told so.
    let told =
        (0..200).any(|_| web.get("/metrics").status == 200 && web.get("/api/1/happenings?run=none").status == 503);
    assert!(told, "no limit of streams");
    let refused = web.get("/api/1/happenings");
    assert_eq!((refused.code().as_str(), refused.header("retry-after")), ("too-many-streams", "10"));
    let mut signed_in = begun(&format!("{listen}Authorization: Bearer {}\r\n\r\n", web.token));
    let mut head = [0; 15];
    signed_in.read_exact(&mut head).expect("an answer");
    assert_eq!(&head, b"HTTP/1.1 200 OK", "who is signed in has places of their own");
    assert_eq!((web.get("/health").status, web.get("/metrics").status), (200, 200));
    drop((heads, streams));
    // Closing is seen a moment later.
    let mut streams = (0..200).map(|_| begun(&format!("{listen}\r\n")));
    assert!(streams.any(|mut stream| stream.read_exact(&mut head).is_ok() && &head == b"HTTP/1.1 200 OK"));
}

#[test]
fn roles_tokens_and_codes() {
    let web = Web::start();
    let made = |name: &str, role: &str| {
        let made = web.post("/api/1/tokens", &format!(r#"{{"name": "{name}", "role": "{role}"}}"#));
        assert_eq!(made.status, 201, "{made:?}");
        format!("Bearer {}", made.json()["token"].as_str().expect("a token"))
    };
    let (reader, tester) = (made("wall", "read"), made("night-shift", "test"));
    let with = |token: &str, method: &str, path: &str, body: &str| {
        web.call(method, path, &[JSON, ("Authorization", token)], body)
    };
    let too_low = |answer: Answer| (answer.status, answer.code());
    let refused = (403, "role-too-low".to_owned());
    assert_eq!(too_low(with(&reader, "POST", "/api/1/runs", r#"{"port": "quay0"}"#)), refused);
    assert_eq!(too_low(with(&tester, "POST", "/api/1/pauses", "{}")), refused);
    assert_eq!(too_low(with(&tester, "GET", "/api/1/tokens", "")), refused);
    assert_eq!(too_low(with(&tester, "POST", "/api/1/pairings", r#"{"role": "administer"}"#)), refused);
    assert_eq!(web.desk.starts(), 0);
    assert_eq!(with(&tester, "POST", "/api/1/runs", r#"{"port": "quay0"}"#).status, 202);
    let listed = web.call("GET", "/api/1/tokens", &[("Authorization", &format!("Bearer {}", web.token))], "").json();
    assert_eq!(listed[0]["name"], "night-shift");
    assert!(listed[0]["last_used_ms"].is_i64() && listed[0]["by"] == "token-file", "{listed}");
    assert!(!listed.to_string().contains(&tester[7..]));
    let code = with(&tester, "POST", "/api/1/pairings", r#"{"role": "test"}"#).json();
    assert_eq!((code["code"].as_str().map(str::len), code["url"].is_null()), (Some(8), true), "{code}");
    assert_eq!(web.post("/api/1/tokens/night-shift/revoke", "").status, 204);
    assert_eq!(with(&tester, "POST", "/api/1/runs", r#"{"port": "quay1"}"#).code(), "wrong-token");
    // On another address metrics have a token of their own.
    let web = Web::elsewhere();
    let bearer = format!("Bearer {}", web.token);
    let order = r#"{"name": "scraper", "role": "metrics"}"#;
    let made = web.call("POST", "/api/1/tokens", &[JSON, ("Authorization", &bearer)], order).json();
    let scraper = format!("Bearer {}", made["token"].as_str().expect("a token"));
    let status = |path: &str| web.call("GET", path, &[("Authorization", &scraper)], "").status;
    assert_eq!((status("/metrics"), status("/health"), status("/api/1/ports")), (200, 200, 403));
}

#[test]
fn a_run_is_asked_for_heard_and_read() {
    let web = Web::start();
    let mut stream = web.connect();
    write!(stream, "GET /api/1/happenings HTTP/1.1\r\nHost: {}\r\n\r\n", web.address).expect("sent");
    let mut heard = String::new();
    let mut until = |word: &str| {
        let mut buffer = [0; 4096];
        while !heard.contains(word) {
            let n = stream.read(&mut buffer).expect("it goes on");
            assert!(n > 0, "the stream ended before {word}: {heard}");
            heard.push_str(&String::from_utf8_lossy(&buffer[..n]));
        }
    };
    until("text/event-stream");
    let started = web.post("/api/1/runs", r#"{"port": "lock0", "profile": "quick"}"#);
    assert_eq!(started.status, 202, "{started:?}");
    let run = started.json()["run"].as_str().expect("an id").to_owned();
    until(r#""happening":"run""#);
    until(r#""happening":"changed""#);
    until(&format!(r#""happening":"run-over","run":"{run}""#));
    let report = web.get(&format!("/api/1/runs/{run}")).json();
    assert_eq!(report["verdict"]["outcome"], "fault");
    assert_eq!(web.get("/api/1/ports/lock0").json()["standing"]["state"], "suspect");
    assert_eq!(web.get("/api/1/runs?port=lock0").json()[0]["run"], run.as_str());
    assert_eq!(web.get("/api/1/ports/lock0/changes").json()[0]["to"], "suspect");
    let metrics = web.get("/metrics");
    assert!(metrics.header("content-type").starts_with("application/openmetrics-text"));
    for line in [
        r#"turnback_runs_total{port="lock0",outcome="fault"} 1"#,
        r#"turnback_port_state{port="lock0",cabinet="lock-gate controller",cable="L-04",state="suspect"} 1"#,
        "# EOF",
    ] {
        assert!(metrics.body.contains(line), "{line} in {}", metrics.body);
    }
}

fn is_over(told: Result<Told, RecvError>) -> bool {
    matches!(told, Ok(Told { happening: Happening::RunOver { .. }, .. }))
}

#[test]
fn a_run_is_ended_by_hand() {
    let web = Web::start();
    web.desk.hold();
    let mut listener = web.desk.listen(None).receiver;
    let started = web.post("/api/1/runs", r#"{"port": "quay0"}"#).json();
    let run = started["run"].as_str().expect("an id");
    let again = web.post("/api/1/runs", r#"{"port": "quay0"}"#);
    assert_eq!((again.status, again.code().as_str()), (409, "not-now"));
    assert_eq!(web.post(&format!("/api/1/runs/{run}/end"), "").status, 204);
    while !is_over(listener.blocking_recv()) {}
    assert_eq!(web.get(&format!("/api/1/runs/{run}")).json()["stopped"], "by-user");
}

#[test]
fn pages_hold_what_they_should_and_nothing_can_break_out() {
    let web = Web::start();
    web.desk.label("quay0", "<script>alert(1)</script>\"'&");
    web.desk.run_to_end("quay0");
    web.desk.run_to_end("quay0");
    let run = web.get("/api/1/runs?port=quay0").json()[0]["run"].as_str().expect("an id").to_owned();
    let run_page = format!("/runs/{run}");
    let fixed = ["/", "/ports/quay0", "/runs", "/cases", "/night", "/agent", "/enter", "/pair", "/phones", "/?q=x"];
    for path in fixed.into_iter().chain([run_page.as_str(), "/none"]) {
        let page = web.get(path);
        assert!(page.header("content-type").starts_with("text/html"), "{path}");
        let policy = page.header("content-security-policy");
        assert!(policy.contains("default-src 'none'") && !policy.contains("unsafe"), "{path}: {policy}");
        let body = &page.body;
        assert!(!body.contains("<script>") && !body.contains("<style") && !body.contains(" style="), "{path}: {body}");
        for handler in ["onclick=", "onload=", "onerror=", "onsubmit=", "onchange=", "javascript:"] {
            assert!(!body.contains(handler), "{path}: {handler}");
        }
        for outside in ["src=\"http", "href=\"http", "url(http", "@import"] {
            assert!(!body.contains(outside), "{path}: {outside}");
        }
    }
    let list = web.get("/?state=proven").body;
    assert!(list.contains("&#60;script&#62;") || list.contains("&lt;script&gt;"), "{list}");
    assert!(list.contains("quay cabinet 3") && list.contains("class=\"is-proven\""), "{list}");
    let port = web.get("/ports/quay0").body;
    assert!(port.contains("past-trip") && port.contains("never tested to <strong>proven</strong>"), "{port}");
    assert!(!port.contains("<form method=\"post\""), "without a session there is nothing to press");
    assert!(web.get(&format!("/runs/{run}")).body.contains("PASS"));
    assert!(!web.get("/look.css").body.contains("http"));
}

#[test]
fn an_isolation_is_walked_with_forms_alone() {
    let web = Web::start();
    let cookie = cookie(&web);
    let session = [FORM, ("Cookie", cookie.as_str()), ("Origin", web.url.as_str())];
    let opened = web.call("POST", "/ports/quay2/cases", &session, "cable=Q-17&segments=riser%2C+duct");
    let case = opened.header("location").to_owned();
    assert!(case.starts_with("/cases/"), "{opened:?}");
    for stage in ["internal", "at-port", "far-end"] {
        let page = web.call("GET", &case, &session[1..2], "").body;
        assert!(page.contains(&format!("name=\"stage\" value=\"{stage}\"")), "{page}");
        assert!(page.contains("<h3>Cautions</h3>") && page.contains("Never look into a fibre"), "{page}");
        let mut heard = web.desk.listen(None).receiver;
        let done = web.call("POST", &format!("{case}/stages"), &session, &format!("stage={stage}"));
        assert_eq!((done.status, done.header("location")), (303, case.as_str()));
        while !is_over(heard.blocking_recv()) {}
    }
    let page = web.get(&case).body;
    assert!(page.contains("FAULT in") && page.contains("decided"), "{page}");
    let over = web.call("POST", &format!("{case}/stages"), &session, "stage=far-end");
    assert_eq!(over.status, 409);
    assert!(over.body.contains("<h1>Not done</h1>"), "a refusal is a page: {over:?}");
}

#[test]
fn every_route_is_documented() {
    let document = Path::new(env!("CARGO_MANIFEST_DIR")).join("../docs/http-api.md");
    let document = std::fs::read_to_string(document).expect("docs/http-api.md");
    for (method, path, what) in ROUTES {
        let line = format!("| `{method} {path}` | {what}");
        assert!(document.contains(&line), "docs/http-api.md lacks the line: {line}");
    }
    let listed = document.lines().filter(|l| l.starts_with("| `GET ") || l.starts_with("| `POST ")).count();
    assert_eq!(listed, ROUTES.len(), "docs/http-api.md lists a route that is not there");
}

#[test]
fn over_tls_the_session_is_for_tls_only() {
    let directory = tempfile::tempdir().expect("a temporary directory");
    let (certificate, key) = (directory.path().join("certificate.pem"), directory.path().join("key.pem"));
    if !installed("openssl", "openssl") || !installed("curl", "curl") {
        return;
    }
    let made = Command::new("openssl")
        .args(["req", "-x509", "-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:P-256", "-nodes", "-days", "2"])
        .args(["-subj", "/CN=signal-office", "-addext", "subjectAltName=IP:127.0.0.1", "-keyout"])
        .arg(&key)
        .arg("-out")
        .arg(&certificate)
        .output()
        .expect("openssl");
    assert!(made.status.success(), "{}", String::from_utf8_lossy(&made.stderr));
    let web = Web::with(HttpConfig {
        listen: "127.0.0.1:0".parse().expect("an address"),
        tls: Some((certificate.clone(), key)),
        ..HttpConfig::default()
    });
    let curl = |arguments: &[&str]| {
        let output = Command::new("curl").args(["-sS", "-i", "--cacert"]).arg(&certificate).args(arguments).output();
        String::from_utf8_lossy(&output.expect("curl").stdout).into_owned()
    };
    assert!(web.url.starts_with("https://"));
    let health = curl(&[&format!("{}/health", web.url)]);
    assert!(health.contains("200 OK"), "{health}");
    let entered = curl(&["-d", &format!("token={}&then=/", web.token), &format!("{}/enter", web.url)]);
    assert!(entered.contains("; Secure"), "{entered}");
    let plain = web.get("/health");
    assert_eq!(plain.status, 0, "plain text is not answered: {plain:?}");
}
