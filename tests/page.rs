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

/// What axe-core says shuts people out (its rules for WCAG 2.2 A and AA, and its good practices), one a line.
const SHUT_OUT: &str = r"axe.run(document, { resultTypes: ['violations'] }).then((found) => found.violations
  .map((v) => v.id + ': ' + v.nodes.slice(0, 3).map((n) => n.html.slice(0, 160)).join(' | ')).join('\n'))";

/// Type that is too small to read, and on a phone what is too small for a thumb (WCAG 2.2 2.5.5: 44 CSS pixels; links
/// within a sentence are free of it).
const SMALL: &str = r"((phone) => {
  const small = [];
  const of = (e) => parseFloat(getComputedStyle(e).fontSize);
  const seen = (e) => e.checkVisibility() && !e.closest('.unseen, .skip, svg');
  const words = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT);
  while (words.nextNode()) {
    const e = words.currentNode.parentElement;
    if (!words.currentNode.data.trim() || !seen(e)) continue;
    const least = e.closest('td, th') ? 13 : 14;
    if (of(e) < least) small.push(of(e) + ' px: ' + e.outerHTML.slice(0, 100));
  }
  for (const t of document.querySelectorAll('svg.plot text')) {
    const high = of(t) * t.ownerSVGElement.getBoundingClientRect().width / t.ownerSVGElement.viewBox.baseVal.width;
    if (t.checkVisibility() && high && high < 13.5) small.push(high.toFixed(1) + ' px in a drawing: ' + t.textContent);
  }
  if (phone) for (const e of document.querySelectorAll('button, select, input:not([type=hidden]), summary, nav a, .cell, .filters a, .lines .name')) {
    const box = e.getBoundingClientRect();
    if (seen(e) && box.height && box.height < 43.5) small.push(box.height + ' px high: ' + e.outerHTML.slice(0, 100));
  }
  return [...new Set(small)].slice(0, 12).join('\n');
})";

pub struct Visit {
    /// The browser.
    pub browser: Browser,
    pictures: Option<PathBuf>,
    axe: Option<String>,
    /// What was amiss in a view, with its name.
    flaws: Vec<String>,
}

impl Visit {
    /// None, and the test is skipped, where there is no browser.
    pub fn start() -> Option<Self> {
        let browser = Browser::start()?;
        let pictures = std::env::var_os("PAGE_PICTURES").map(PathBuf::from);
        let axe = std::env::var_os("PAGE_AXE").map(|file| std::fs::read_to_string(file).expect("axe-core"));
        Some(Self { browser, pictures, axe, flaws: Vec::new() })
    }

    /// Looks at the page in phone and desk size, light and dark, and notes what is amiss: [`Self::end`] wants nothing.
    pub fn look(&mut self, name: &str) {
        for (size, phone) in [("phone", true), ("desk", false)] {
            for (light, dark) in [("light", false), ("dark", true)] {
                // Without axe dark is for the eye: only pictures show it.
                if dark && self.pictures.is_none() && self.axe.is_none() {
                    continue;
                }
                self.browser.look(phone, dark);
                let mut found = vec![self.browser.value(FLAWS), self.browser.value(&format!("{SMALL}({phone})"))];
                if let Some(axe) = &self.axe {
                    self.browser.value(&format!("{axe}; true"));
                    found.push(self.browser.value(SHUT_OUT));
                }
                let amiss = found.into_iter().filter(|flaw| *flaw != "");
                self.flaws.extend(amiss.map(|flaw| format!("{name}, {size}, {light}: {flaw}")));
                if let Some(directory) = &self.pictures {
                    self.browser.picture(&directory.join(format!("{name}-{size}-{light}.png")));
                }
            }
        }
        assert!(self.browser.errors.is_empty(), "{name}: {:#?}", self.browser.errors);
    }

    /// Nothing was amiss in any view.
    pub fn end(self) {
        assert!(self.flaws.is_empty(), "{}", self.flaws.join("\n"));
    }

    /// Sends a form of the page, opened if it is folded.
    fn send(&mut self, form: &str) {
        self.browser.follow(&format!("{form} button"));
    }

    /// Walks a case that is open on the screen to its end, doing what it says.
    fn walk(&mut self, name: &str) {
        for stage in 0..40 {
            self.browser.until("!document.body.innerText.includes('leave plug and cable as they are')");
            if stage == 1 {
                self.look(name);
            }
            if self.browser.value("!document.getElementById('done')") == true {
                break;
            }
            let case = self.browser.value("location.href");
            self.browser.follow("#done");
            // Another run may have taken the port since the page was made. The page says so, and a person goes back.
            if self.browser.value("location.pathname.endsWith('/stages')") == true {
                self.browser.errors.retain(|error| !error.contains("409 (Conflict)"));
                std::thread::sleep(std::time::Duration::from_secs(1));
                self.browser.go(case.as_str().expect("an address"));
            }
        }
        self.browser.until("/decided|no stage left/.test(document.querySelector('.subject').textContent)");
        self.look(&format!("{name}-over"));
        self.browser.follow("a[href$='/sheet']");
        self.browser.until("document.body.innerText.includes('Report of a case')");
        self.look(&format!("{name}-sheet"));
    }
}

#[test]
#[ignore = "needs Chromium and a minute: scripts/page-check"]
fn a_technician_walks_through_the_page() {
    let Some(mut visit) = Visit::start() else { return };
    let web = Web::start();
    for port in ["quay0", "quay0", "quay1", "quay2", "lock0", "lock0", "/dev/ttyS1", "/dev/ttyS1"] {
        web.desk.run_to_end(port);
    }
    let at = |path: &str| format!("{}{path}", web.url);

    visit.browser.go(&at("/"));
    visit.browser.until("document.querySelectorAll('.cell').length === 6");
    visit.look("overview");
    // By keyboard: the first stop leads past the navigation.
    visit.browser.press("Tab");
    visit.browser.until("document.activeElement.textContent === 'Skip to the entries'");
    visit.browser.press("Enter");
    visit.browser.until("location.hash === '#main'");

    // The list keeps itself fresh: no reload, which would lose the mark.
    visit.browser.go(&at("/"));
    visit.browser.value("window.mark = 1");
    visit.browser.until("document.querySelector('.cell.is-proven')?.textContent === 'quay0' && window.mark === 1");
    web.desk.run_to_end("lock1");
    visit.browser.until("document.querySelectorAll('.cell.is-proven').length === 2 && window.mark === 1");
    visit.browser.until("document.getElementById('said').textContent.includes('lock1')");

    // The token, by hand; then back to where it was asked for.
    visit.browser.go(&at("/ports/quay0"));
    visit.browser.follow(".act p a");
    visit.look("token");
    visit.browser.value(&format!("document.querySelector('[name=token]').value = '{}'", web.token));
    visit.browser.follow("form[action='/enter'] button");
    visit.browser.until("location.pathname === '/ports/quay0' && !!document.querySelector('[name=profile]')");
    visit.look("port");

    // A check, watched live.
    web.desk.hold();
    visit.browser.value("document.querySelector('[name=profile]').value = 'quick'");
    visit.browser.follow("details form[action$='/runs'] button");
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
    visit.browser.until("document.querySelector('.do')?.textContent.includes('the port itself')");
    visit.look("case-step");
    web.desk.hold();
    visit.browser.follow("#done");
    visit.browser.until("!!document.querySelector('.next progress')");
    visit.look("case-testing");
    web.desk.let_go();
    visit.browser.until("document.querySelector('.do')?.textContent.includes('far end')");
    visit.browser.follow("#done");
    visit.browser.until("document.querySelector('h1')?.textContent.startsWith('FAULT')");
    visit.look("case-decided");
    visit.browser.follow(".stages li:last-child a");
    visit.browser.until("document.querySelector('h1')?.textContent.startsWith('FAULT')");
    visit.look("report-fault");

    for (path, name) in [
        ("/runs", "runs"),
        ("/cases", "cases"),
        ("/agent", "agent"),
        ("/night", "night"),
        ("/?state=proven", "chosen"),
        ("/ports/lock0", "port-failed"),
    ] {
        visit.browser.go(&at(path));
        visit.look(name);
    }
    // The plug on a second port: one of this machine, or what it showed elsewhere. Set aside, a stage comes up again.
    visit.browser.go(&at("/ports/lock0"));
    visit.browser.follow("form[action$='/cases'] button");
    visit.browser.until("document.querySelector('[name=on]')?.value === 'quay0'");
    visit.look("case-known-good");
    visit.browser.follow("#done");
    visit.browser.until("document.querySelector('.stages')?.textContent.includes('in a port that works: pass')");
    visit.browser.follow("form[action$='/asides'] button");
    visit.browser.until("!!document.getElementById('told')");
    visit.browser.value("document.querySelector('[name=shows]').value = 'fails'");
    visit.browser.follow("#told");
    visit
        .browser
        .until("document.querySelector('.stages')?.textContent.includes('in a port that works: the technician')");

    // Whoever takes care of a failure says so, on the port's page; then it is none that needs attention.
    visit.browser.go(&at("/ports/lock0"));
    visit.browser.value("document.querySelector('[name=note]').value = 'new card is ordered'");
    visit.send("form[action$='/acknowledgements']");
    visit.browser.until("document.querySelector('.done').textContent.includes('new card is ordered')");
    visit.look("port-acknowledged");
    visit.browser.go(&at("/"));
    visit.browser.until("document.querySelector('#wrong details .name')?.textContent === 'lock0'");

    // A part of a label finds the port, and a cabinet's name leads to its ports.
    visit.browser.value("document.querySelector('[name=q]').value = 'q-17'");
    visit.browser.follow("[role=search] button");
    visit.browser.until("[...document.querySelectorAll('.lines .name')].map((a) => a.textContent).join() === 'quay2'");
    visit.look("search");
    visit.browser.go(&at("/?cabinet=quay+cabinet+3"));
    visit.look("cabinet");
    visit.send("form[action='/checks']");
    visit.browser.until("document.querySelector('h1').textContent === '3 checks in quay cabinet 3'");
    visit.look("cabinet-asked");

    // The desk shows a code; a phone that shows it back is let in, once.
    visit.browser.go(&at("/phones"));
    visit.send("main form");
    visit.look("phones");
    let code = visit.browser.value("document.querySelector('.code').textContent");
    let pair = at(&format!("/pair?code={}", code.as_str().expect("a code").replace(' ', "")));
    visit.browser.follow("nav form button");
    visit.browser.go(&pair);
    visit.look("pair");
    visit.send("form[action='/pair']");
    visit.browser.go(&at("/ports/quay0"));
    visit.browser.until("!!document.getElementById('test')");
    visit.browser.go(&pair);
    visit.send("form[action='/pair']");
    visit.browser.until("document.querySelector('[role=alert]:not([hidden])').textContent.includes('not valid')");
    visit.browser.errors.retain(|error| !error.contains("401 (Unauthorized)"));

    // What each role may do is offered, and nothing else.
    for (role, tests, pauses) in [("read", false, false), ("test", true, false), ("administer", true, true)] {
        visit.browser.go(&at("/phones"));
        if visit.browser.value("!document.querySelector('main [name=role]')") == true {
            visit.browser.go(&at("/enter"));
            visit.browser.value(&format!("document.querySelector('[name=token]').value = '{}'", web.token));
            visit.send("form[action='/enter']");
            visit.browser.go(&at("/phones"));
        }
        visit.browser.value(&format!("document.querySelector('[name=role]').value = '{role}'"));
        visit.send("main form");
        let code = visit.browser.value("document.querySelector('.code').textContent.replace(' ', '')");
        visit.browser.follow("nav form button");
        visit.browser.go(&at(&format!("/pair?code={}", code.as_str().expect("a code"))));
        visit.send("form[action='/pair']");
        let offered = |visit: &mut Visit, path: &str, form: &str| {
            visit.browser.go(&at(path));
            visit.look(&format!("role-{role}{}", path.split(['?', '/']).next_back().unwrap_or_default()));
            visit.browser.value(&format!("!!document.querySelector(\"{form}\")")) == true
        };
        assert_eq!(offered(&mut visit, "/ports/quay0", "form[action$='/runs']"), tests, "{role} tests");
        let cabinet = "/?cabinet=quay+cabinet+3";
        assert_eq!(offered(&mut visit, cabinet, "form[action='/pauses']"), pauses, "{role} pauses");
        assert_eq!(visit.browser.value("!!document.querySelector(\"form[action='/checks']\")"), tests, "{role} checks");
        visit.browser.follow("nav form button");
    }
    visit.browser.go(&at("/enter"));
    visit.browser.value(&format!("document.querySelector('[name=token]').value = '{}'", web.token));
    visit.send("form[action='/enter']");

    // The bench: a slot in every state, and every kind of thing that hands are asked for.
    web.desk.show_bench();
    visit.browser.go(&at("/bench"));
    visit.browser.until("document.querySelectorAll('.tile').length === 12");
    visit.browser.until("!!document.querySelector('[name=light]') && !!document.querySelector('[name=sticker]')");
    visit.look("bench");

    // Leaving takes the forms away.
    visit.browser.follow("nav form button");
    visit.browser.go(&at("/ports/quay0"));
    assert_eq!(visit.browser.value("document.querySelectorAll('main form').length"), 0);
    assert!(visit.browser.errors.is_empty(), "{:#?}", visit.browser.errors);
    visit.end();
}

#[test]
#[ignore = "needs Chromium and a minute: scripts/page-check"]
fn many_ports_fit_three_screens_and_are_renewed_by_their_difference() {
    let Some(mut visit) = Visit::start() else { return };
    let web = Web::start();
    for port in ["quay0", "quay1", "lock0", "lock0", "/dev/ttyS1"] {
        web.desk.run_to_end(port);
    }
    for (more, all) in [(54, 60), (340, 400)] {
        web.desk.add_ports(more);
        visit.browser.go(&format!("{}/", web.url));
        visit.browser.until(&format!("document.querySelectorAll('.cell').length === {all}"));
        visit.look(&format!("overview-{all}"));
    }
    visit.browser.look(false, false);
    let height = visit.browser.value("document.documentElement.scrollHeight / innerHeight");
    assert!(height.as_f64().is_some_and(|screens| screens <= 3.0), "{height} screens");
    // The first renewal comes whole, later ones by their difference.
    let renewals = "performance.getEntriesByType('resource').filter((r) => r.initiatorType === 'fetch')";
    visit.browser.until(&format!("{renewals}.length > 0"));
    visit.browser.value("performance.clearResourceTimings()");
    web.desk.run_to_end("lock1");
    web.desk.run_to_end("quay2");
    visit.browser.until("document.querySelectorAll('.cell.is-suspect').length === 2");
    // The browser books a renewal some time after the page has taken it in.
    visit.browser.until(&format!("{renewals}.length > 0"));
    let largest = visit.browser.value(&format!("Math.max(...{renewals}.map((r) => r.transferSize))"));
    assert!(largest.as_f64().is_some_and(|bytes| bytes > 0.0 && bytes < 5000.0), "{largest} bytes");
    visit.end();
}

#[test]
#[ignore = "needs Chromium and a minute: scripts/page-check"]
fn the_demo_is_walked_with_real_cases() {
    let Some(mut visit) = Visit::start() else { return };
    let program = Program::new();
    let mut demo = program.start("agent --demo --pace fast --listen 127.0.0.1:0");
    let url = demo.line().trim().to_owned();
    assert!(url.starts_with("http://127.0.0.1:"), "{url}");
    let token = std::fs::read_to_string(program.state().join("demo-token")).expect("a token");

    visit.browser.go(&format!("{url}/enter?then=%2Fports%2Foffice0"));
    visit.browser.value(&format!("document.querySelector('[name=token]').value = '{}'", token.trim()));
    visit.browser.follow("form[action='/enter'] button");
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
    visit.browser.until("document.querySelectorAll('.cell').length === 15");
    visit.look("demo-overview");

    // The bench asks for one thing after another, and its tiles fill with grades.
    visit.browser.follow(".spine a[href='/bench']");
    let asks = "!!document.querySelector(\"form[action^='/bench/answers']\")";
    visit.browser.until(asks);
    visit.look("demo-bench-asks");
    for _ in 0..8 {
        visit.browser.until(asks);
        visit.browser.follow("form[action^='/bench/answers'] button");
    }
    visit.browser.until(asks);
    // Its tile may be another card's by now; the list of the lot keeps it.
    visit.browser.until("!!document.querySelector('li.is-accepted .name')");
    visit.look("demo-bench");
    visit.browser.follow("li.is-accepted .name");
    visit.browser.until("document.body.innerText.includes('Certificate of a card')");
    visit.look("demo-bench-certificate");
    visit.browser.go(&format!("{url}/bench"));
    visit.browser.follow(".subject a[href^='/bench/lots/']");
    visit.browser.until("document.body.innerText.includes('accepted')");
    visit.look("demo-bench-lot");
    visit.end();
}
