//! A report for a person: the answer, and the details behind it.

use turnback_core::{
    base::{caution::LOCAL_CODES_FIRST, figure::Group, placement::Placement},
    document::run::{Report, ZeroLossRate, figures},
    judge::{Location, Outcome, Verdict},
};

use super::{
    figure,
    lines::{one_line, without_controls, wrapped},
    table, tables,
};

/// The answer in at most [`ANSWER_LINES_MAX`] lines: verdict, what was tested, the deciding reason, how sure that is
/// where there is room, what to do now.
pub fn answer(report: &Report, width: usize) -> String {
    let whole = answer_with(report, how_sure(&report.verdict), width);
    if whole.lines().count() > ANSWER_LINES_MAX { answer_with(report, None, width) } else { whole }
}

fn answer_with(report: &Report, sure: Option<&str>, width: usize) -> String {
    let verdict = &report.verdict;
    let mut out = format!("{}\n", wrapped("", &headline(verdict), width));
    match verdict.outcome {
        Outcome::NotTested => out.push_str(&format!("{}\n", wrapped("port: ", &subject(report), width))),
        _ => out.push_str(&format!("{}\n", wrapped("tested: ", &tested(report), width))),
    }
    if let Some(reason) = verdict.reasons.first() {
        out.push_str(&format!("{}\n", wrapped("found: ", &reason.text, width)));
    }
    if let Some(sure) = sure {
        out.push_str(&format!("{}\n", wrapped("how sure: ", sure, width)));
    }
    if let Some((label, rates)) = rates(report) {
        out.push_str(&format!("{}\n", wrapped(label, &rates, width)));
    }
    out.push_str(&format!("{}\n", wrapped("next: ", &verdict.next, width)));
    without_controls(&out)
}

/// How sure a fault is, without what the details add. A pass says in figures what it proves; what is not decided says
/// what would decide it.
pub fn how_sure(verdict: &Verdict) -> Option<&str> {
    let first = verdict.sureness.split(';').next().unwrap_or_default();
    (verdict.outcome == Outcome::Fault && !first.is_empty()).then_some(first)
}

/// What a search for a rate is made for: the highest one at which nothing is lost, size by size, or wrong.
fn rates(report: &Report) -> Option<(&'static str, String)> {
    if let Some(highest) = report.serial().and_then(|bytes| bytes.highest_clean_bits_per_second) {
        return Some(("without error: ", format!("up to {} bits/s", figure::count(highest.into()))));
    }
    let rate = |rate: &ZeroLossRate| {
        let found = rate.frames_per_second.map_or("none".to_owned(), |fps| figure::count(fps as u64));
        format!("{} B {found}{}", rate.size_bytes, if rate.limited_by_host { " (this computer's limit)" } else { "" })
    };
    let found: Vec<String> = report.ethernet()?.zero_loss_rates.iter().map(rate).collect();
    (!found.is_empty()).then(|| ("without loss: ", format!("{} frames/s", found.join(", "))))
}

/// Lines that an answer may take on a terminal of 60 columns.
pub const ANSWER_LINES_MAX: usize = 10;

/// Everything else: labels, every reason with its rule, figures, tables, what was restored, what a plug cannot show.
pub fn details(report: &Report, width: usize) -> String {
    let mut out = String::new();
    reasons(report, width, &mut out);
    let figures = figures::lines(report, Group::Run);
    if !figures.is_empty() {
        out.push('\n');
    }
    for (label, words) in figures {
        out.push_str(&format!("{}\n", wrapped(&format!("{label:<17}"), &words, width)));
    }
    for listing in tables::of(report) {
        let rows: Vec<Vec<String>> =
            listing.rows.iter().map(|row| row.iter().map(|cell| one_line(cell)).collect()).collect();
        out.push('\n');
        out.push_str(&table::render(&listing.headings, &rows, width));
    }
    notes(report, width, &mut out);
    without_controls(&out)
}

/// Both, for a ticket.
pub fn ticket(report: &Report, width: usize) -> String {
    format!("{}\n{}", answer(report, width), details(report, width))
}

/// The verdict in a few words, with what it is limited to.
pub fn headline(verdict: &Verdict) -> String {
    let outcome = outcome(verdict);
    match &verdict.scope {
        Some(scope) if verdict.outcome == Outcome::Pass => format!("{outcome} {scope}"),
        Some(scope) => format!("{outcome}: {scope}"),
        None => outcome,
    }
}

/// The verdict in a few words.
pub fn outcome(verdict: &Verdict) -> String {
    match verdict.outcome {
        Outcome::Pass => "PASS".to_owned(),
        Outcome::Fault => format!("FAULT in {}", place_of(verdict)),
        Outcome::Undecided => "UNDECIDED".to_owned(),
        Outcome::NotTested => "NOT TESTED".to_owned(),
    }
}

/// Where a fault is: places, and the segment where it is known.
pub fn place_of(verdict: &Verdict) -> String {
    let segment = verdict.segment.as_ref().map_or(String::new(), |s| one_line(&format!(", segment {s}")));
    format!("{}{segment}", one_of(&verdict.location))
}

/// Places, always in the same order: `the port, the plug or the cable`.
fn one_of(locations: &[Location]) -> String {
    let mut locations = locations.to_vec();
    locations.sort_unstable();
    let mut places: Vec<_> = locations.into_iter().map(Location::in_words).collect();
    let last = places.pop().unwrap_or("an unknown place");
    if places.is_empty() { last.to_owned() } else { format!("{} or {last}", places.join(", ")) }
}

/// What was tested, in a few words: port, plug, cable.
pub fn subject(report: &Report) -> String {
    let loops = match (&report.return_port, report.placement) {
        (Some(other), _) => format!(", to return port {}", other.name),
        (None, Placement::Internal) => ", loop inside the chip".to_owned(),
        // Nobody knows whether there is one.
        (None, Placement::AtPort) if report.verdict.outcome == Outcome::NotTested => String::new(),
        (None, Placement::AtPort) => ", plug in the port".to_owned(),
        (None, Placement::FarEnd | Placement::ReturnPort) => ", plug at the far end".to_owned(),
    };
    let cable = report.cable.as_ref().map_or(String::new(), |cable| format!(", cable {cable}"));
    one_line(&format!("{}{loops}{cable}", report.port.name))
}

/// What was tested: port, plug, cable, speed, pairs or format, for how long.
fn tested(report: &Report) -> String {
    let mut parts = vec![subject(report)];
    parts.extend(report.over());
    parts.extend(report.duration_s.map(figure::seconds));
    parts.join(", ")
}

fn reasons(report: &Report, width: usize, out: &mut String) {
    for (word, label) in report.labels.given() {
        out.push_str(&format!("{}\n", wrapped(&format!("{word}: "), label, width)));
    }
    for reason in &report.verdict.reasons {
        out.push_str(&format!("{}\n", wrapped(&format!("{}: ", reason.rule), &reason.text, width)));
    }
    out.push_str(&format!("{}\n", wrapped("how sure: ", &report.verdict.sureness, width)));
}

fn notes(report: &Report, width: usize, out: &mut String) {
    let mut say = |label: &str, text: &str| out.push_str(&format!("{}\n", wrapped(label, text, width)));
    say("", "");
    report.warnings.iter().for_each(|warning| say("note: ", warning));
    report.settings_changed.iter().for_each(|setting| say("restored: ", setting));
    report.cannot_show.iter().for_each(|gap| say("a plug cannot show: ", gap));
    report.cautions.iter().for_each(|caution| say("caution: ", &caution.to_string()));
    if !report.cautions.is_empty() {
        say("", LOCAL_CODES_FIRST);
    }
    say("", &origin(report));
}

/// Machine, port, profile and duration; program, run and time.
fn origin(report: &Report) -> String {
    let port = &report.port;
    let mut parts = Vec::new();
    if !report.machine.is_empty() {
        parts.push(format!("machine {}", report.machine));
    }
    parts.push(format!("port {}", port.name));
    parts.extend(port.driver.as_ref().map(|driver| format!("driver {driver}")));
    parts.extend(port.address.as_ref().map(|address| format!("address {address}")));
    parts.extend(report.over());
    parts.push(format!("profile {}", report.profile));
    parts.extend(report.duration_s.map(|s| format!("took {}", figure::seconds(s))));
    parts.extend([
        report.started_at.clone(),
        report.program.clone(),
        format!("run {}", report.run),
        format!("seed {}", report.seed),
    ]);
    parts.join(", ")
}
