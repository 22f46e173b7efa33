//! Every route of the web side, from its lists: none is left out of them, and whatever comes in is answered in good
//! order.
//!
//! The properties go through the whole of it, gate and all, without a socket; the gate is new for each call, since a
//! property asks more often than the daemon allows.

use std::collections::BTreeSet;
use std::fs;
use std::path::Path;
use std::sync::{Arc, LazyLock};

use axum::body::{Body, to_bytes};
use axum::http::{Request, StatusCode};
use hyper::service::Service;
use hyper_util::service::TowerToHyperService;
use proptest::prelude::*;
use turnback::daemon::agent::Agent;
use turnback::http::{access::Names, api, fleet, gate::Gate, page, serve::Peer, token::Token};

use crate::harness::{
    desk::RigDesk,
    web::{Web, keys},
};
use crate::web::{FORM, JSON, changing, cookie, filled, forms};

/// Method and path of every `.route(..)` in the sources.
fn routes_in(source: &str) -> Vec<(String, String)> {
    let calls = source.split(".route(\"").skip(1);
    calls
        .flat_map(|call| {
            let (path, rest) = call.split_once('"').expect("a path");
            // The handlers are within the parentheses that the call opened.
            let mut depth = 1;
            let end = rest.find(|c| {
                depth += i32::from(c == '(') - i32::from(c == ')');
                depth == 0
            });
            let handlers = &rest[..end.expect("the call ends")];
            let taken = ["get", "post", "put", "delete", "patch", "any", "on"].into_iter().filter(|word| {
                handlers
                    .match_indices(&format!("{word}("))
                    .any(|(at, _)| !handlers[..at].ends_with(|c: char| c.is_alphanumeric() || c == '_'))
            });
            let path = path.to_owned();
            taken.map(|word| (word.to_uppercase(), path.clone())).collect::<Vec<_>>()
        })
        .collect()
}

#[test]
fn no_route_is_left_out_of_the_lists() {
    assert_eq!(routes_in("x.route(\"/a\", get(b).post(c)).route(\"/d\", axum::routing::any(e))").len(), 3);
    let http = Path::new(env!("CARGO_MANIFEST_DIR")).join("src/http");
    let fleets = http.join("fleet");
    let mut found = routes_below(&http, &[&fleets]);
    // Of the fleet's page, which has a list of its own.
    let mut of_fleet = routes_below(&fleets, &[]);
    for (found, api, page) in
        [(&mut found, api::ROUTES, page::ROUTES), (&mut of_fleet, fleet::api::ROUTES, fleet::ROUTES)]
    {
        // Whatever is under /api and no call: an answer that says so.
        assert!(found.remove(&("ANY".to_owned(), "/api/{*rest}".to_owned())));
        let of_api = api.iter().map(|(method, path, _)| (*method, *path));
        let listed = of_api.chain(page.iter().copied());
        let listed: BTreeSet<_> = listed.map(|(method, path)| (method.to_owned(), path.to_owned())).collect();
        let assets: BTreeSet<_> = page::ASSETS.iter().map(|path| ("GET".to_owned(), (*path).to_owned())).collect();
        assert_eq!(*found, if found.is_superset(&assets) { &listed | &assets } else { listed });
    }
}

/// Every route that the sources below a folder add, without those below others.
fn routes_below(folder: &Path, without: &[&Path]) -> BTreeSet<(String, String)> {
    let mut folders = vec![folder.to_owned()];
    let mut found = BTreeSet::new();
    while let Some(folder) = folders.pop() {
        for entry in fs::read_dir(folder).expect("a folder") {
            let path = entry.expect("an entry").path();
            if without.contains(&&*path) {
                continue;
            }
            if path.is_dir() {
                folders.push(path);
            } else if path.extension().is_some_and(|e| e == "rs") {
                let source = fs::read_to_string(&path).expect("text");
                found.extend(routes_in(&source));
                // Other ways to add a route would pass this test by.
                for other in [".nest(", ".route_service(", ".nest_service(", ".fallback_service("] {
                    assert!(!source.contains(other), "{}: {other}", path.display());
                }
            }
        }
    }
    found
}

#[test]
fn where_others_can_call_every_route_asks_for_the_token() {
    let of_api = api::ROUTES.iter().map(|(method, path, _)| (*method, *path));
    let all: Vec<_> = of_api.chain(page::ROUTES.iter().copied()).collect();
    let mut web = Web::elsewhere();
    for (number, (method, path)) in all.into_iter().enumerate() {
        // There are more routes than calls allowed at once.
        if number % 20 == 19 {
            web = Web::elsewhere();
        }
        // Whoever has no token yet needs these to enter it; entering it is tried elsewhere.
        if ["/enter", "/pair"].contains(&path) {
            continue;
        }
        let answer = web.call(method, &filled(path), &[JSON], "");
        match page::is_page(path) {
            true => {
                assert!(answer.status == 303 && answer.header("location").starts_with("/enter"), "{path}: {answer:?}")
            }
            false => assert_eq!((answer.status, answer.code().as_str()), (401, "token-needed"), "{path}"),
        }
    }
}

#[test]
fn no_changing_route_is_taken_for_another_site() {
    let web = Web::start();
    let (bearer, cookie) = (format!("Bearer {}", web.token), cookie(&web));
    let (token, session) = (("Authorization", bearer.as_str()), ("Cookie", cookie.as_str()));
    let of_api = changing().into_iter().map(|(path, body)| (path, body, [token, JSON]));
    let of_page = forms().into_iter().map(|(path, form)| (path, form, [session, FORM]));
    let entered = ("/enter".to_owned(), "token=x", [session, FORM]);
    for (path, body, given) in of_api.chain(of_page).chain([entered]) {
        let call = |more: &[(&str, &str)]| web.call("POST", &path, &[&given[..], more].concat(), body);
        let host = call(&[("Host", "evil.example"), ("Origin", &web.url)]);
        assert_eq!(host.status, 421, "{path}: {host:?}");
        let origin = call(&[("Origin", "http://evil.example")]);
        assert_eq!(origin.status, 403, "{path}: {origin:?}");
    }
    assert_eq!(web.desk.starts(), 0, "a refused call changed something");
    assert!(web.desk.cases(10).expect("a list").is_empty(), "a refused call opened a case");
}

#[test]
fn no_changing_route_takes_what_is_oversize_or_broken() {
    let large = "x".repeat(20_000);
    for (path, _) in changing() {
        let web = Web::start();
        // This one takes no body, and reads none.
        let takes_none = ["/end", "/revoke", "/cabinets/none/runs"].iter().any(|end| path.ends_with(end));
        for body in [large.as_str(), "{", "[]", "\0", "null", r#"{"port": 7}"#, r#"{"stage": ["internal"]}"#] {
            let answer = web.post(&path, body);
            let allowed: &[u16] = match (takes_none, body.len()) {
                (true, _) => &[404],
                (false, 20_000) => &[413],
                _ => &[400, 422],
            };
            assert!(allowed.contains(&answer.status) && !answer.code().is_empty(), "{path}: {answer:?}");
        }
        let bearer = format!("Bearer {}", web.token);
        let chunked = format!(
            "POST {path} HTTP/1.1\r\nHost: {}\r\nAuthorization: {bearer}\r\nContent-Type: application/json\r\n\
             Transfer-Encoding: chunked\r\nConnection: close\r\n\r\nzz\r\n",
            web.address
        );
        assert!(matches!(web.raw(chunked.as_bytes()).status, 0 | 400..=499), "{path}");
        assert_eq!((web.get("/health").status, web.desk.starts()), (200, 0), "{path}");
    }
    for (path, _) in forms() {
        let web = Web::start();
        let cookie = cookie(&web);
        let takes_none = path == "/leave";
        for body in [large.as_str(), "nonsense=1", "profile=quick&nonsense=1", "stage=%ff&why=%", "=&=&="] {
            let answer = web.call("POST", &path, &[FORM, ("Cookie", &cookie), ("Origin", &web.url)], body);
            let is_refused = matches!(answer.status, 400 | 413 | 422) || answer.status == 404 && path.contains("none");
            // Once left, the way leads to where the token is entered.
            assert!(is_refused || takes_none && answer.status == 303, "{path} {body:.20}: {answer:?}");
        }
        assert_eq!((web.get("/health").status, web.desk.starts()), (200, 0), "{path}");
    }
}

static RUNTIME: LazyLock<tokio::runtime::Runtime> = LazyLock::new(|| {
    tokio::runtime::Builder::new_multi_thread().worker_threads(1).enable_all().build().expect("a runtime")
});
static DESK: LazyLock<Arc<RigDesk>> = LazyLock::new(|| Arc::new(RigDesk::new()));
const TOKEN: &str = "0123456789abcdef0123456789abcdef";

/// What the whole web side answers whoever holds the token; the body is not read of what has no end.
fn answered(method: &str, path: &str, media_type: &str, body: Vec<u8>) -> Result<(StatusCode, String), TestCaseError> {
    let address = "127.0.0.1:7440".parse().expect("an address");
    let gate = Gate::new(Names::new(address, &[], false), Token::new(TOKEN), keys(), true);
    let service = TowerToHyperService::new(turnback::http::router(DESK.clone(), Arc::new(gate), false));
    let request = Request::builder()
        .method(method)
        .uri(path)
        .header("host", "127.0.0.1:7440")
        .header("authorization", format!("Bearer {TOKEN}"))
        .header("content-type", media_type)
        .extension(Peer(address))
        .body(Body::from(body));
    // What is no path at all never gets as far as a route.
    let Ok(request) = request else { return Err(TestCaseError::reject("no path")) };
    RUNTIME.block_on(async {
        let response = service.call(request).await.map_err(|error| TestCaseError::fail(format!("{error}")))?;
        let (head, body) = response.into_parts();
        let is_stream =
            head.headers.get("content-type").is_some_and(|t| t.as_bytes().starts_with(b"text/event-stream"));
        let body = if is_stream { Vec::new() } else { to_bytes(body, 1 << 24).await.expect("a body").to_vec() };
        Ok((head.status, String::from_utf8(body).expect("text")))
    })
}

/// A refusal in good order: never a failure inside, and with a stable word, for programs as for people.
fn in_good_order(path: &str, status: StatusCode, body: &str) -> Result<(), TestCaseError> {
    prop_assert!(status.as_u16() < 500, "{}: {} {}", path, status, body);
    if status.is_client_error() {
        let json: serde_json::Value = serde_json::from_str(body).unwrap_or_default();
        let is_coded = match page::is_page(path.split('?').next().unwrap_or_default()) {
            // A wrong token is answered by the form that asks for it.
            true if path == "/enter" && status == StatusCode::UNAUTHORIZED => body.contains("name=\"token\""),
            true => body.contains("<code>"),
            false => json["error"]["code"].is_string() && json["error"]["message"].is_string(),
        };
        prop_assert!(is_coded, "{}: {} {}", path, status, body);
    }
    Ok(())
}

/// Names that the calls know, and others.
fn name() -> impl Strategy<Value = String> {
    let known =
        ["port", "profile", "placement", "cable", "segments", "stage", "why", "limit", "before", "outcome", "then"];
    prop_oneof![4 => prop::sample::select(known.to_vec()).prop_map(str::to_owned), 1 => "[a-z_]{0,8}"]
}

/// Values that the calls know, and others; never all of an order that could be carried out.
fn json() -> impl Strategy<Value = serde_json::Value> {
    let known = ["quay0", "none", "quick", "internal", "far-end", "return-port", "fault", "Q-12", ""];
    let leaf = prop_oneof![
        prop::sample::select(known.to_vec()).prop_map(|text| serde_json::json!(text)),
        "\\PC{0,120}".prop_map(|text| serde_json::json!(text)),
        any::<i64>().prop_map(|n| serde_json::json!(n)),
        any::<f64>().prop_map(|n| serde_json::json!(n)),
        any::<bool>().prop_map(|b| serde_json::json!(b)),
        Just(serde_json::Value::Null),
    ];
    leaf.prop_recursive(3, 12, 4, |inner| {
        prop_oneof![
            prop::collection::vec(inner.clone(), 0..4).prop_map(serde_json::Value::from),
            prop::collection::vec((name(), inner), 0..5).prop_map(|all| all.into_iter().collect()),
        ]
    })
}

/// A body of any bytes, of JSON of any form, or of a good order with one byte changed.
fn body() -> impl Strategy<Value = Vec<u8>> {
    let good = [
        r#"{"port": "quay9", "profile": "quick", "placement": "at-port", "cable": "Q-12"}"#,
        r#"{"port": "quay9", "cable": "Q-12", "segments": ["office riser", "quay duct"]}"#,
        r#"{"stage": "far-end:quay duct", "why": "no key"}"#,
        "profile=quick&placement=at-port&cable=Q-12",
        "stage=internal&why=no+key",
        "token=0123&then=%2F",
    ];
    let changed = (prop::sample::select(good.to_vec()), any::<usize>(), any::<u8>()).prop_map(|(text, at, byte)| {
        let mut bytes = text.as_bytes().to_vec();
        let at = at % bytes.len();
        bytes[at] = byte;
        bytes
    });
    prop_oneof![
        prop::collection::vec(any::<u8>(), 0..200),
        json().prop_map(|value| value.to_string().into_bytes()),
        changed,
    ]
}

/// Any bytes as a part of a path or a query: what may stand there as it is, the rest with percent signs.
fn encoded(bytes: &[u8]) -> String {
    bytes
        .iter()
        .map(|byte| match byte {
            b'A'..=b'Z' | b'a'..=b'z' | b'0'..=b'9' | b'-' | b'.' | b'_' | b'~' => char::from(*byte).to_string(),
            _ => format!("%{byte:02x}"),
        })
        .collect()
}

fn query() -> impl Strategy<Value = String> {
    let bytes = prop::collection::vec(any::<u8>(), 0..12).prop_map(|bytes| encoded(&bytes));
    let value = prop_oneof![
        "[0-9]{1,21}",
        "(fault|pass|undecided|not-tested|quay0|-1)",
        "\\PC{0,10}".prop_map(|t| encoded(t.as_bytes())),
        bytes
    ];
    let pairs = prop::collection::vec((name(), value), 0..4);
    let pairs = pairs.prop_map(|all| all.into_iter().map(|(n, v)| format!("{n}={v}")).collect::<Vec<_>>().join("&"));
    prop_oneof![pairs, "[!-~&&[^#\"<>`{}|\\\\^]]{0,40}"]
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 64, failure_persistence: None, ..ProptestConfig::default() })]

    #[test]
    fn no_body_makes_a_route_fail(body in body()) {
        let of_api = changing().into_iter().map(|(path, _)| (path, JSON.1));
        let of_page = forms().into_iter().map(|(path, _)| (path, FORM.1)).chain([("/enter".to_owned(), FORM.1)]);
        let before = DESK.starts();
        for (path, media_type) in of_api.chain(of_page) {
            // A form with nothing wrong in it starts a check of the port that its path names: another port then.
            let path = path.replace("quay0", "quay9");
            let (status, text) = answered("POST", &path, media_type, body.clone())?;
            in_good_order(&path, status, &text)?;
        }
        // Only an order for a port that there is could have started something, and no body above is a whole one.
        let is_order = serde_json::from_slice::<serde_json::Value>(&body).is_ok_and(|order| order["port"] == "quay0");
        prop_assert!(is_order || DESK.starts() == before, "{}", String::from_utf8_lossy(&body));
    }

    #[test]
    fn no_query_makes_a_route_fail(query in query()) {
        let of_api = api::ROUTES.iter().map(|(method, path, _)| (*method, *path));
        for (_, path) in of_api.chain(page::ROUTES.iter().copied()).filter(|(method, _)| *method == "GET") {
            let path = format!("{}?{query}", filled(path));
            let (status, text) = answered("GET", &path, "", Vec::new())?;
            in_good_order(&path, status, &text)?;
        }
    }

    #[test]
    fn no_name_in_a_path_makes_a_route_fail(name in prop::collection::vec(any::<u8>(), 0..20), raw in "[!-~]{0,20}") {
        let of_api = api::ROUTES.iter().map(|(method, path, _)| (*method, *path));
        for (method, path) in of_api.chain(page::ROUTES.iter().copied()).filter(|(_, path)| path.contains('{')) {
            for name in [encoded(&name), raw.chars().filter(|c| !"#?".contains(*c)).collect()] {
                let path = ["{run}", "{case}", "{port}", "{cabinet}", "{name}"].iter().fold(path.to_owned(), |path, part| path.replace(part, &name));
                match answered(method, &path, if page::is_page(&path) { FORM.1 } else { JSON.1 }, Vec::new()) {
                    Err(TestCaseError::Reject(_)) => {}
                    other => {
                        let (status, text) = other?;
                        in_good_order(&path, status, &text)?;
                    }
                }
            }
        }
    }
}
