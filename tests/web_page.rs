//! The page as HTTP: what its views hold, how they are renewed, and what its forms do for whom.

use turnback::daemon::keys::Role;

use crate::harness::web::{Answer, Web};
use crate::web::{FORM, cookie};

/// What the page's script makes of a renewal.
fn renewed(old: &str, answer: &Answer) -> String {
    let old: Vec<&str> = old.split('\n').collect();
    let mut new = Vec::new();
    for line in answer.body.split('\n') {
        match line.strip_prefix('=') {
            Some(range) => {
                let (from, count) = range.split_once(' ').expect("two numbers");
                let (from, count): (usize, usize) = (from.parse().expect("a number"), count.parse().expect("a number"));
                new.extend_from_slice(&old[from..from + count]);
            }
            None => new.push(line.strip_prefix('+').expect("a line")),
        }
    }
    new.join("\n")
}

#[test]
fn a_view_of_many_ports_is_small_and_is_renewed_by_the_lines_that_changed() {
    let web = Web::start();
    web.desk.add_ports(394);
    let ask = |has: &str| web.call("GET", "/", &[("A-IM", "lines"), ("If-None-Match", has)], "");
    let whole = ask("");
    assert_eq!(whole.status, 200);
    assert!(whole.body.len() < 100_000, "{} bytes", whole.body.len());
    let tag = whole.header("etag").to_owned();
    assert_eq!(ask(&tag).status, 304, "nothing happened");
    web.desk.run_to_end("lock0");
    let part = ask(&tag);
    // RFC 3229 10.4.1: 226, and the instance manipulation that was applied.
    assert_eq!((part.status, part.header("im")), (226, "lines"), "{part:?}");
    assert!(part.body.len() < 4000, "{}", part.body);
    assert_eq!(renewed(&whole.body, &part), web.get("/").body);
    assert_eq!(ask("\"0000000000000000\"").status, 200, "an unknown version: the whole");
    assert_eq!(web.call("GET", "/", &[("If-None-Match", &tag)], "").status, 200, "others get the whole");
}

#[test]
fn ports_are_narrowed_down_by_state_cabinet_and_a_part_of_a_name() {
    let web = Web::start();
    web.desk.run_to_end("quay0");
    let named = |path: &str| {
        let page = web.get(path).body;
        let names = ["quay0", "quay1", "quay2", "lock0", "lock1", "/dev/ttyS1"];
        names.into_iter().filter(|name| page.contains(&format!(">{name}</a>"))).collect::<Vec<_>>()
    };
    assert_eq!(named("/?state=proven"), ["quay0"]);
    assert_eq!(named("/?cabinet=quay+cabinet+3"), ["quay0", "quay1", "quay2"]);
    assert_eq!(named("/?q=L-0"), ["lock0", "lock1"], "a cable's label");
    assert_eq!(named("/?q=TTYs"), ["/dev/ttyS1"], "whatever the case");
    assert_eq!(named("/?state=proven&q=lock"), [""; 0]);
    let all = web.get("/").body;
    assert!(all.contains("href=\"/?state=proven\">proven</a> <span class=\"soft\">1</span>"), "{all}");
    assert_eq!(web.get("/?nonsense=1").status, 400);
}

#[test]
fn what_is_shown_can_be_had_as_a_table() {
    let web = Web::start();
    web.desk.label("quay0", "=1+1");
    web.desk.run_to_end("quay0");
    let ports = web.get("/ports.csv?state=proven");
    assert!(ports.header("content-type").starts_with("text/csv"), "{ports:?}");
    assert!(ports.header("content-disposition").contains("ports.csv"));
    // RFC 4180 2: a line for the names, then one for each row.
    let lines: Vec<&str> = ports.body.lines().collect();
    assert!(
        lines.len() == 2 && lines[0].starts_with("port,state,") && lines[1].starts_with("quay0,proven,"),
        "{lines:?}"
    );
    assert!(lines[1].contains(",'=1+1,"), "no formula: {}", lines[1]);
    let runs = web.get("/runs.csv?port=quay0").body;
    assert!(runs.lines().count() == 2 && runs.contains(",pass,"), "{runs}");
}

#[test]
fn each_role_sees_and_may_do_its_own() {
    let web = Web::start();
    let token = |role| web.keys.make_token(&format!("for-{}", Role::name(role)), role, "test").expect("a token");
    let (read, test) = (token(Role::Read), token(Role::Test));
    let cookie = |token: &str| {
        let entered = web.call("POST", "/enter", &[FORM, ("Origin", &web.url)], &format!("token={token}"));
        entered.header("set-cookie").split(';').next().expect("a cookie").to_owned()
    };
    let (reader, tester) = (cookie(&read), cookie(&test));
    let page = |cookie: &str, path: &str| web.call("GET", path, &[("Cookie", cookie)], "").body;
    let send = |cookie: &str, path: &str, form: &str| {
        web.call("POST", path, &[FORM, ("Cookie", cookie), ("Origin", &web.url)], form).status
    };
    assert!(!page(&reader, "/ports/quay0").contains("Test now") && page(&tester, "/ports/quay0").contains("Test now"));
    assert!(!page(&tester, "/?cabinet=tide+gauge").contains("Pause this cabinet"));
    assert_eq!(send(&reader, "/ports/quay0/runs", ""), 403);
    assert_eq!(send(&tester, "/pauses", "hours=1"), 403);
    assert_eq!(send(&tester, "/phones", "role=administer"), 403, "a phone gets no more than who lets it in");
    assert_eq!(web.desk.starts(), 0);
    assert_eq!(send(&tester, "/ports/quay0/runs", ""), 303);
}

#[test]
fn a_phone_is_let_in_once_by_the_code_that_the_desk_shows() {
    let web = Web::start();
    let desk = cookie(&web);
    let shown = web.call("POST", "/phones", &[FORM, ("Cookie", &desk), ("Origin", &web.url)], "role=test").body;
    let code = shown.split_once("<p class=\"code\">").and_then(|(_, rest)| rest.split_once('<')).expect("a code").0;
    assert!(shown.contains("for this machine only"), "an agent on a loopback address says that no phone reaches it");
    let enter = |code: &str| web.call("POST", "/pair", &[FORM, ("Origin", &web.url)], &format!("code={code}"));
    let form = web.get(&format!("/pair?code={}", code.replace(' ', "+"))).body;
    assert!(form.contains("Let this phone in") && form.contains(code), "{form}");
    assert_eq!(enter("00000000").status, 401);
    let entered = enter(&code.replace(' ', "+").to_lowercase());
    assert_eq!((entered.status, entered.header("location")), (303, "/"), "{entered:?}");
    let phone = entered.header("set-cookie").split(';').next().expect("a cookie").to_owned();
    assert!(web.call("GET", "/ports/quay0", &[("Cookie", &phone)], "").body.contains("Test now"));
    let again = enter(&code.replace(' ', "+"));
    assert!(again.status == 401 && again.body.contains("not valid"), "{again:?}");
}

#[test]
fn a_failure_is_acknowledged_with_a_note() {
    let web = Web::start();
    let desk = cookie(&web);
    let send =
        |path: &str, form: &str| web.call("POST", path, &[FORM, ("Cookie", &desk), ("Origin", &web.url)], form).status;
    for _ in 0..2 {
        web.desk.run_to_end("lock0");
    }
    let first = |page: &str| page.split("<h2 id=\"g\">").next().unwrap_or_default().to_owned();
    let wrong = first(&web.get("/").body);
    assert!(
        wrong.contains("1 port needs attention") && wrong.contains(">lock0</a>") && wrong.contains("Port"),
        "{wrong}"
    );
    assert_eq!(send("/ports/lock0/acknowledgements", "note=new+card+%26+plug"), 303);
    let known = first(&web.get("/").body);
    assert!(known.contains("No port is proven") && known.contains("1 acknowledged"), "{known}");
    assert!(web.get("/ports/lock0").body.contains("new card &#38; plug"));
    assert_eq!(send("/ports/lock0/acknowledgements", "withdraw=true"), 303);
    assert!(web.get("/").body.contains("1 port needs attention"));
}
