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
                // Dark is for the eye: only pictures show it.
                if dark && self.pictures.is_none() {
                    continue;
                }
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

    /// Walks a case that is open on the screen to its end, doing what it says.
    fn walk(&mut self, name: &str) {
        for stage in 0..40 {
            self.browser.until(
                "!document.querySelector('.next progress') && !document.body.innerText.includes('Waits for its turn')",
            );
            if stage == 1 {
                self.look(name);
            }
            if self.browser.value("!document.getElementById('done')") == true {
                break;
            }
            let case = self.browser.value("location.href");
            self.browser.follow("#done");
            // A scheduled run may have taken the port since the page was made. The page says so, and a person goes back.
            if self.browser.value("location.pathname.endsWith('/stages')") == true {
                self.browser.errors.retain(|error| !error.contains("409 (Conflict)"));
                std::thread::sleep(std::time::Duration::from_secs(1));
                self.browser.go(case.as_str().expect("an address"));
            }
        }
        self.browser.until("/decided|exhausted/.test(document.querySelector('.subject').textContent)");
        self.look(&format!("{name}-over"));
    }
}

#[test]
#[ignore = "needs Chromium and a minute: scripts/page-check"]
fn a_technician_walks_through_the_page() {
    let Some(browser) = Browser::start() else {
        return;
    };
    let pictures = std::env::var_os("PAGE_PICTURES").map(PathBuf::from);
    let mut visit = Visit { browser, pictures };
    let web = Web::start();
    for port in ["quay0", "quay0", "quay1", "quay2", "lock0", "lock0", "/dev/ttyS1", "/dev/ttyS1"] {
        web.desk.run_to_end(port);
    }
    let at = |path: &str| format!("{}{path}", web.url);

    visit.browser.go(&at("/"));
    visit.browser.until("document.querySelectorAll('.ledger li').length === 6");
    visit.look("ports");
    // By keyboard: the first stop leads past the navigation.
    visit.browser.press("Tab");
    visit.browser.until("document.activeElement.textContent === 'Skip to the entries'");
    visit.browser.press("Enter");
    visit.browser.until("location.hash === '#main'");

    // The list keeps itself fresh: no reload, which would lose the mark.
    visit.browser.go(&at("/"));
    visit.browser.value("window.mark = 1");
    visit.browser.until("document.querySelector('.is-proven .name')?.textContent === 'quay0' && window.mark === 1");
    web.desk.run_to_end("lock1");
    visit.browser.until("document.querySelectorAll('.is-proven').length === 2 && window.mark === 1");
    visit.browser.until("document.getElementById('said').textContent.includes('lock1')");

    // The token, by hand; then back to where it was asked for.
    visit.browser.go(&at("/ports/quay0"));
    visit.browser.follow("#start ~ p a");
    visit.look("token");
    visit.browser.value(&format!("document.querySelector('[name=token]').value = '{}'", web.token));
    visit.browser.follow("form.order button");
    visit.browser.until("location.pathname === '/ports/quay0' && !!document.querySelector('[name=profile]')");
    visit.look("port");

    // A check, watched live.
    web.desk.hold();
    visit.browser.value("document.querySelector('[name=profile]').value = 'quick'");
    visit.browser.follow("form[action$='/runs'] button");
    visit.browser.until("location.pathname.startsWith('/runs/') && !!document.querySelector('.said')");
    visit.browser.until("document.querySelector('.said').textContent.includes('probes sent')");
    visit.look("live");
    web.desk.let_go();
    // Over: the report takes its place by itself.
    visit.browser.until("document.querySelector('h1')?.textContent === 'PASS'");
    visit.look("report");

    // A serial port: its history, a check watched live, and its report with lines and pins.
    let serial = "/ports/%2Fdev%2FttyS1";
    visit.browser.go(&at(serial));
    visit.browser.until("document.querySelector('.pins td.wrong')?.parentNode.textContent.includes('CTS')");
    visit.browser.until("document.querySelectorAll('.plots svg').length > 0");
    let measured = visit.browser.value("document.getElementById('measured').parentNode.innerText");
    for part in ["115200,8N1", "de9", "line errors", "characters/s", "turnaround", "pin"] {
        assert!(measured.as_str().is_some_and(|words| words.contains(part)), "{part} in {measured}");
    }
    visit.look("serial-port");
    web.desk.hold();
    visit.browser.follow("form[action$='/runs'] button");
    visit.browser.until("document.querySelector('.said')?.textContent.includes('bytes sent')");
    let words = visit.browser.value("document.querySelector('main').innerText");
    assert!(!words.as_str().unwrap_or_default().contains("frames"), "{words}");
    visit.look("serial-live");
    web.desk.let_go();
    visit.browser.until("document.querySelector('h1')?.textContent.startsWith('FAULT')");
    let words = visit.browser.value("document.querySelector('main').innerText");
    for part in ["115200,8N1", "CTS", "pin", "stuck"] {
        assert!(words.as_str().is_some_and(|words| words.contains(part)), "{part} in {words}");
    }
    visit.look("serial-report");

    // An isolation, step by step.
    visit.browser.go(&at("/ports/quay2"));
    visit.browser.value("document.querySelector('[name=segments]').value = 'office riser, quay duct'");
    visit.browser.follow("form[action$='/cases'] button");
    visit.look("case-begun");
    visit.browser.follow("#done");
    visit.browser.until("document.querySelector('.step h2')?.textContent.includes('at-port')");
    visit.look("case-step");
    web.desk.hold();
    visit.browser.follow("#done");
    visit.browser.until("!!document.querySelector('.next progress')");
    visit.look("case-testing");
    web.desk.let_go();
    visit.browser.until("document.querySelector('.step h2')?.textContent.includes('far-end')");
    visit.browser.follow("#done");
    visit.browser.until("document.querySelector('h1')?.textContent.startsWith('FAULT')");
    visit.look("case-decided");
    visit.browser.follow(".stages li:last-child a");
    visit.browser.until("document.querySelector('h1')?.textContent.startsWith('FAULT')");
    visit.look("report-fault");

    for (path, name) in [("/runs", "runs"), ("/cases", "cases"), ("/daemon", "daemon"), ("/ports/lock0", "port-failed")]
    {
        visit.browser.go(&at(path));
        visit.look(name);
    }
    // The plug on a second port: one of this machine, or what it showed elsewhere. Set aside, a stage comes up again.
    visit.browser.go(&at("/ports/lock0"));
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
    visit.browser.go(&at("/ports/quay0"));
    assert_eq!(visit.browser.value("document.querySelectorAll('main form').length"), 0);
    assert!(visit.browser.errors.is_empty(), "{:#?}", visit.browser.errors);
}

#[test]
#[ignore = "needs Chromium and a minute: scripts/page-check"]
fn the_demo_is_walked_with_real_cases() {
    let Some(browser) = Browser::start() else {
        return;
    };
    let pictures = std::env::var_os("PAGE_PICTURES").map(PathBuf::from);
    let mut visit = Visit { browser, pictures };
    let program = Program::new();
    let mut demo = program.start("agent --demo --pace fast --listen 127.0.0.1:0");
    let url = demo.line().trim().to_owned();
    assert!(url.starts_with("http://127.0.0.1:"), "{url}");
    let token = std::fs::read_to_string(program.state().join("demo-token")).expect("a token");

    visit.browser.go(&format!("{url}/enter?then=%2Fports%2Foffice0"));
    visit.browser.value(&format!("document.querySelector('[name=token]').value = '{}'", token.trim()));
    visit.browser.follow("form.order button");
    visit.browser.until("location.pathname === '/ports/office0'");
    visit.browser.follow("form[action$='/runs'] button");
    visit.browser.until("document.querySelector('h1')?.textContent === 'PASS'");

    // Serial ports go the same way, down to what the hand is to do.
    visit.browser.go(&format!("{url}/ports/%2Fdev%2FttyS4"));
    visit.browser.follow("form[action$='/runs'] button");
    visit.browser.until("document.querySelector('h1')?.textContent === 'PASS'");
    visit.browser.go(&format!("{url}/ports/%2Fdev%2FttyS4"));
    visit.browser.until("document.body.innerText.includes('9600,8N1') && !!document.querySelector('.pins')");
    visit.look("demo-serial-port");
    visit.browser.follow("form[action$='/cases'] button");
    visit.walk("demo-serial-case");

    // From the first of the run's minutes the electronics of lock1 get worse; whatever is found, the way leads to an
    // end.
    visit.browser.go(&format!("{url}/ports/lock1"));
    visit.browser.follow("form[action$='/cases'] button");
    visit.walk("demo-case");
    visit.browser.go(&format!("{url}/"));
    visit.browser.until("document.querySelectorAll('.ledger li').length === 15");
    visit.look("demo-ports");
}
