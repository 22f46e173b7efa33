//! The page as a person uses it, in a real browser: `scripts/page-check`.

use std::path::PathBuf;

use crate::harness::{browser::Browser, program::Program, web::Web};

/// Names of what a screen reader cannot name, of what is twice, and of what is wider than the screen.
const FLAWS: &str = r"(() => {
  const flaws = [];
  const text = (e) => (e.textContent + (e.getAttribute('aria-label') || '')).trim();
  if (document.documentElement.lang !== 'en') flaws.push('no language');
  if (document.querySelectorAll('h1').length !== 1) flaws.push('not one h1');
  if (document.querySelectorAll('main').length !== 1) flaws.push('not one main');
  for (const e of document.querySelectorAll('a, button')) if (!text(e)) flaws.push('nameless ' + e.outerHTML);
  for (const e of document.querySelectorAll('input:not([type=hidden]), select')) if (!e.labels.length) flaws.push('no label ' + e.outerHTML);
  for (const e of document.querySelectorAll('progress')) if (!e.getAttribute('aria-label')) flaws.push('no name ' + e.outerHTML);
  const ids = [...document.querySelectorAll('[id]')].map((e) => e.id);
  for (const id of ids) if (ids.indexOf(id) !== ids.lastIndexOf(id)) flaws.push('twice: ' + id);
  for (const e of document.querySelectorAll('[aria-labelledby]'))
    if (!e.getAttribute('aria-labelledby').split(' ').every((id) => document.getElementById(id))) flaws.push('labelled by nothing: ' + e.outerHTML.slice(0, 80));
  if (document.documentElement.scrollWidth > innerWidth) flaws.push('wider than the screen: ' + document.documentElement.scrollWidth);
  return flaws.join('\n');
})()";

struct Visit {
    browser: Browser,
    pictures: Option<PathBuf>,
}

impl Visit {
    /// Looks at the page in phone and desk size, light and dark: nothing may be amiss in any.
    fn look(&mut self, name: &str) {
        for (size, phone) in [("phone", true), ("desk", false)] {
            for (light, dark) in [("light", false), ("dark", true)] {
                self.browser.look(phone, dark);
                let flaws = self.browser.value(FLAWS);
                assert_eq!(flaws, "", "{name}, {size}, {light}");
                if let Some(directory) = &self.pictures {
                    self.browser.picture(&directory.join(format!("{name}-{size}-{light}.png")));
                }
            }
        }
        assert!(self.browser.errors.is_empty(), "{name}: {:#?}", self.browser.errors);
    }
}

/// A page to walk through.
struct Site {
    url: String,
    token: String,
    /// First word of the pictures' names.
    name: &'static str,
    /// Ports on its first page.
    ports: usize,
    /// A port that passes, and one whose case is walked to its end.
    good: &'static str,
    bad: &'static str,
    segments: &'static str,
}

impl Site {
    fn at(&self, path: &str) -> String {
        format!("{}{path}", self.url)
    }
}

fn visit(test: &str) -> Option<Visit> {
    let Some(browser) = Browser::start() else {
        println!("skipped: {test}: no chromium (apt install chromium)");
        return None;
    };
    Some(Visit { browser, pictures: std::env::var_os("PAGE_PICTURES").map(PathBuf::from) })
}

fn rigs(web: &Web) -> Site {
    let (url, token) = (web.url.clone(), web.token.clone());
    Site { url, token, name: "rigs", ports: 5, good: "quay0", bad: "quay2", segments: "office riser, quay duct" }
}

impl Visit {
    /// The token, by hand; then back to where it was asked for.
    fn enter(&mut self, site: &Site) {
        self.browser.go(&site.at(&format!("/ports/{}", site.good)));
        self.browser.follow("#start ~ p a");
        self.browser.until("location.pathname === '/enter'");
        self.look(&format!("{}-token", site.name));
        self.browser.value(&format!("document.querySelector('[name=token]').value = '{}'", site.token));
        self.browser.follow("form.order button");
        let back =
            format!("location.pathname === '/ports/{}' && !!document.querySelector('[name=profile]')", site.good);
        self.browser.until(&back);
    }

    /// Ports, token, a check, a case stage by stage to its end, and all the lists.
    fn walk(&mut self, site: &Site) {
        let picture = |what: &str| format!("{}-{what}", site.name);
        self.browser.go(&site.at("/"));
        self.browser.until(&format!("document.querySelectorAll('.ledger li').length === {}", site.ports));
        self.look(&picture("ports"));
        self.enter(site);
        self.look(&picture("port"));
        self.browser.value("document.querySelector('[name=profile]').value = 'quick'");
        self.browser.follow("form[action$='/runs'] button");
        // Live, until the report takes its place by itself.
        self.browser.until("document.querySelector('h1')?.textContent === 'PASS'");
        self.look(&picture("report"));

        self.browser.go(&site.at(&format!("/ports/{}", site.bad)));
        self.browser.value(&format!("document.querySelector('[name=segments]').value = '{}'", site.segments));
        self.browser.follow("form[action$='/cases'] button");
        for stage in 0..16 {
            self.browser.until(
                "!document.querySelector('.next progress') && !document.body.innerText.includes('Waits for its turn')",
            );
            if stage < 2 {
                self.look(&picture(&format!("case-step-{stage}")));
            }
            if self.browser.value("!document.getElementById('done')") == true {
                break;
            }
            self.browser.follow("#done");
        }
        self.browser.until("/decided|exhausted/.test(document.querySelector('.subject').textContent)");
        self.look(&picture("case-over"));
        for (path, name) in [("/runs", "runs"), ("/cases", "cases"), ("/daemon", "daemon")] {
            self.browser.go(&site.at(path));
            self.look(&picture(name));
        }
        self.browser.go(&site.at(&format!("/ports/{}", site.bad)));
        self.look(&picture("port-after"));
    }
}

#[test]
#[ignore = "needs Chromium and two minutes: scripts/page-check"]
fn a_technician_walks_through_the_page() {
    let Some(mut visit) = visit("a_technician_walks_through_the_page") else { return };
    let web = Web::start();
    for port in ["quay0", "quay0", "quay1", "quay2", "lock0", "lock0"] {
        web.desk.run_to_end(port);
    }
    visit.walk(&rigs(&web));
    // The demo's faults, real cases by the daemon itself. From the first of the run's minutes the electronics of lock1 get worse.
    let program = Program::new();
    let mut demo = program.start("agent --demo --pace fast --listen 127.0.0.1:0");
    let url = demo.line().trim().to_owned();
    assert!(url.starts_with("http://127.0.0.1:"), "{url}");
    let token = std::fs::read_to_string(program.state().join("demo-token")).expect("a token").trim().to_owned();
    let site = Site { url, token, name: "demo", ports: 12, good: "office0", bad: "lock1", segments: "" };
    visit.walk(&site);
}

#[test]
#[ignore = "needs Chromium and a minute: scripts/page-check"]
fn the_page_is_worked_by_keyboard_keeps_itself_fresh_and_shows_runs_live() {
    let Some(mut visit) = visit("the_page_is_worked_by_keyboard_keeps_itself_fresh_and_shows_runs_live") else {
        return;
    };
    let web = Web::start();
    let site = rigs(&web);
    // By keyboard: the first stop leads past the navigation.
    visit.browser.go(&site.at("/"));
    visit.browser.press("Tab");
    visit.browser.until("document.activeElement.textContent === 'Skip to the entries'");
    visit.browser.press("Enter");
    visit.browser.until("location.hash === '#main'");

    // The list keeps itself fresh: no reload, which would lose the mark.
    web.desk.run_to_end("quay0");
    visit.browser.go(&site.at("/"));
    visit.browser.value("window.mark = 1");
    visit.browser.until("document.querySelector('.is-proven .name')?.textContent === 'quay0' && window.mark === 1");
    web.desk.run_to_end("lock1");
    visit.browser.until("document.querySelectorAll('.is-proven').length === 2 && window.mark === 1");
    visit.browser.until("document.getElementById('said').textContent.includes('lock1')");

    // A check and a stage, watched live.
    visit.enter(&site);
    web.desk.hold();
    visit.browser.follow("form[action$='/runs'] button");
    visit.browser.until("location.pathname.startsWith('/runs/') && !!document.querySelector('.said')");
    visit.browser.until("document.querySelector('.said').textContent.includes('probes sent')");
    visit.look("live");
    web.desk.let_go();
    visit.browser.until("document.querySelector('h1')?.textContent === 'PASS'");
    visit.browser.go(&site.at("/ports/quay2"));
    visit.browser.follow("form[action$='/cases'] button");
    web.desk.hold();
    visit.browser.follow("#done");
    visit.browser.until("!!document.querySelector('.next progress')");
    visit.look("case-testing");
    web.desk.let_go();
    visit.browser.until("document.querySelector('.step h2')?.textContent.includes('at-port')");
    // Set aside, it comes up again.
    visit.browser.follow("form[action$='/asides'] button");
    visit.browser.until("document.querySelector('.step h2')?.textContent.includes('internal')");

    // The plug on a second port: a port of this machine, or what it showed elsewhere.
    visit.browser.go(&site.at("/ports/lock0"));
    visit.browser.follow("form[action$='/cases'] button");
    visit.browser.until("document.querySelector('[name=on]')?.value === 'quay0'");
    visit.look("case-known-good");
    visit.browser.follow("#done");
    visit.browser.until("document.querySelector('.stages')?.textContent.includes('known-good-port: pass')");
    visit.browser.follow("form[action$='/asides'] button");
    visit.browser.until("!!document.getElementById('told')");
    visit.browser.value("document.querySelector('[name=shows]').value = 'fails'");
    visit.browser.follow("#told");
    visit.browser.until("document.querySelector('.stages')?.textContent.includes('known-good-port: the technician')");

    // Leaving takes the forms away.
    visit.browser.follow("nav form button");
    visit.browser.go(&site.at("/ports/quay0"));
    assert_eq!(visit.browser.value("document.querySelectorAll('main form').length"), 0);
    assert!(visit.browser.errors.is_empty(), "{:#?}", visit.browser.errors);
}
