//! Cards, lots and sampling plans for a person at a terminal.

use turnback_core::{
    base::{caution::Caution, figure::counted, labels::named},
    bench::{attempt::Attempt, card::Card, findings::Finding, procedure::TestName},
    document::{
        card_test::{CardTest, Grade, step::Hands},
        lot::{Lot, LotCard, Sampling},
    },
    judge::Outcome,
};

use super::{
    case::render_cautions,
    figure,
    lines::{one_line, plainly, whole_seconds, without_controls, wrapped},
    table,
};
use crate::work::bench::{CardEntry, asking::BenchEvent, expected::Expected, plugs::PartRecord};

/// What a person is asked to do. `is_this_computer`: turnback runs on the computer whose cards are moved.
pub fn hands(hands: &Hands, is_this_computer: bool, said: &mut Vec<Caution>, width: usize) -> String {
    let mut out = format!("\n{}\n", wrapped("do: ", &hands.hands, width));
    if hands.is_off && is_this_computer {
        let text = "when this computer is on again, give the same command: it goes on here";
        out.push_str(&format!("{}\n", wrapped("  then: ", text, width)));
    }
    out.push_str(&format!("{}\n", wrapped("  why: ", &hands.why, width)));
    out.push_str(&render_cautions(&hands.cautions, said, width));
    out
}

/// An event in a line or more; none for one that people need not see.
pub fn event(event: &BenchEvent, width: usize) -> Option<String> {
    // Beside the grades, what happens on the way to them is indented.
    let (label, text) = match event {
        BenchEvent::TestBegan { .. } => return None,
        BenchEvent::TestEnded { card, test, failed, again: true, .. } if failed.is_empty() => {
            ("  ", format!("{card}: {} passes now", test.name()))
        }
        BenchEvent::TestEnded { failed, .. } if failed.is_empty() => return None,
        BenchEvent::TestEnded { card, test, failed, .. } => {
            let told: Vec<String> = failed.iter().map(Finding::in_words).collect();
            ("  ", format!("{card}: test {} failed: {}", test.name(), told.join(". ")))
        }
        BenchEvent::SetAside { aside, .. } => {
            ("  ", format!("{} is at fault and set aside: {}", aside.thing, aside.next))
        }
        BenchEvent::Repeated { card, test } => {
            ("  ", format!("{card}: {} failed beside other cards, and is repeated alone", test.name()))
        }
        BenchEvent::CutOff { card, test, why } => {
            let test = test.map_or(String::new(), |test| format!("{} was cut off: ", test.name()));
            ("  ", format!("{card}: {test}{why}"))
        }
        BenchEvent::Graded { card, grade } => ("", format!("{card}: {}", grade.name())),
    };
    Some(wrapped(label, &one_line(&text), width))
}

/// A card under test in a line: the test that it is at, and the time left. `elapsed_s`: how long that test has been on;
/// none where its seconds are not those of a clock.
pub fn progress(card: &str, test: TestName, expected: &Expected, elapsed_s: Option<f64>) -> String {
    let at = format!("{card}: {}, test {} of {}", test.name(), expected.number, expected.of);
    let Some(elapsed_s) = elapsed_s else { return one_line(&at) };
    let told = |seconds: f64| figure::seconds(seconds.ceil());
    let left_s = expected.takes_s.map(|takes_s| (takes_s - elapsed_s).max(0.0));
    let left = match left_s {
        None => format!("{} so far", told(elapsed_s)),
        // What takes longer than it did before is nearly done, and nobody knows more.
        Some(left_s) if left_s < 1.0 => "nearly done".to_owned(),
        Some(left_s) => format!("{} left", told(left_s)),
    };
    let all = match left_s {
        Some(left_s) if expected.then_s > 0.0 => format!(", {} to its grade", told(left_s + expected.then_s)),
        _ => String::new(),
    };
    one_line(&format!("{at}, {left}{all}"))
}

/// A sampling plan and what it proves.
pub fn plan(sampling: &Sampling, width: usize) -> String {
    let plan = &sampling.plan;
    let accept = match plan.accept {
        0 => "if none of them is faulty".to_owned(),
        few => format!("if at most {few} of them {} faulty", if few == 1 { "is" } else { "are" }),
    };
    let draw = format!("Draw {} of {}. Accept the lot {accept}; otherwise reject it.", plan.sample, plan.quantity);
    let mut out = format!("{}\n", wrapped("", &draw, width));
    let arrow = if plan.plan_letter == plan.code_letter {
        String::new()
    } else {
        format!("; the table sends it on to the plan of letter {}", plan.plan_letter)
    };
    let from = format!(
        "AQL {} %, level {:?}, code letter {}{arrow} (single sampling, normal inspection, MIL-STD-105E and ISO 2859-1)",
        plan.aql_percent, plan.level, plan.code_letter
    );
    out.push_str(&format!("{}\n", wrapped("plan: ", &from, width)));
    let drawn = sampling.drawn.iter().map(u32::to_string).collect::<Vec<_>>().join(" ");
    out.push_str(&format!("{}\n", wrapped(&format!("draw (seed {}): ", sampling.seed), &drawn, width)));
    let at_aql = (f64::from(plan.quantity) * plan.aql_percent / 100.0).floor();
    let producer =
        format!("{} of rejecting a lot with {at_aql:.0} faulty, as good as the AQL", percent(plan.producers_risk()));
    out.push_str(&format!("{}\n", wrapped("producer's risk: ", &producer, width)));
    let (faulty, risk) = plan.consumers_point(0.1);
    let consumer = format!("{} of accepting a lot with {faulty} faulty", percent(risk));
    out.push_str(&format!("{}\n\n", wrapped("consumer's risk: ", &consumer, width)));
    // As long as the columns before it leave room.
    let bar_most = width.saturating_sub(BAR_FROM).min(BAR_MOST) as f64;
    let rows: Vec<Vec<String>> = plan
        .curve(CURVE_ROWS)
        .into_iter()
        .map(|(faulty, accepted)| {
            let share = f64::from(faulty) / f64::from(plan.quantity);
            let bar = "#".repeat((accepted * bar_most).round() as usize);
            vec![faulty.to_string(), percent(share), percent(accepted), bar]
        })
        .collect();
    out.push_str(&table::render(&["faulty", "share", "accepted with", ""], &rows, width));
    out
}

/// Columns of a terminal before the bars of an operating characteristic.
const BAR_FROM: usize = 32;
/// Longest bar of it.
const BAR_MOST: usize = 40;
/// Rows of an operating characteristic on a terminal.
const CURVE_ROWS: u32 = 12;

fn percent(share: f64) -> String {
    format!("{:.1} %", share * 100.0)
}

/// Cards and who they are.
pub fn cards(cards: &[Card], width: usize) -> String {
    let row = |card: &Card| {
        let text = |text: &Option<String>| text.clone().unwrap_or_else(|| "-".into());
        let addresses = card.addresses().collect::<Vec<_>>().join(" ");
        let row = [text(&card.serial), card.device.clone(), text(&card.subsystem), text(&card.part), addresses];
        row.iter().map(|cell| one_line(cell)).collect()
    };
    let rows: Vec<Vec<String>> = cards.iter().map(row).collect();
    table::render(&["serial", "device", "subsystem", "part", "addresses"], &rows, width)
}

/// The cards of this computer, each with its ports, its bus, and what stands in the way of a test.
pub fn cards_here(cards: &[CardEntry], width: usize) -> String {
    if cards.is_empty() {
        return "This computer has no network card.\n".to_owned();
    }
    let mut out = String::new();
    for (number, entry) in cards.iter().enumerate() {
        if number > 0 {
            out.push('\n');
        }
        let state = if entry.testable { "can be tested" } else { "cannot be tested" };
        out.push_str(&format!("{}\n", wrapped("", &format!("{}: {}: {state}", entry.slot, entry.card.words()), width)));
        for (label, text) in card_lines(entry) {
            out.push_str(&format!("{}\n", wrapped(&format!("  {label}: "), &text, width)));
        }
    }
    without_controls(&out)
}

/// What is known of a card, with a label for each line.
fn card_lines(entry: &CardEntry) -> Vec<(&'static str, String)> {
    let card = &entry.card;
    let mut lines: Vec<(&str, String)> = Vec::new();
    let more =
        |label: &str, text: &Option<String>| text.as_ref().map_or(String::new(), |text| format!(", {label} {text}"));
    let identity = format!(
        "{}{}{}{} at {}",
        card.device,
        more("subsystem", &card.subsystem),
        more("revision", &card.revision),
        more("class", &card.class),
        entry.at
    );
    lines.push(("device", identity));
    if card.part.is_some() || card.vpd_intact.is_some() {
        let part = card.part.as_deref().unwrap_or("no part number");
        let sum = match card.vpd_intact {
            Some(true) => ", checksum right",
            Some(false) => ", checksum WRONG",
            None => ", no checksum",
        };
        lines.push(("vital product data", format!("{part}{sum}")));
    }
    if let Some(driver) = &card.driver {
        lines.push(("driver", format!("{driver}{}", more("firmware", &card.firmware))));
    }
    if let Some(image) = &card.image {
        let sum = match image.sum_right {
            Some(true) => ", sum of its words right",
            Some(false) => ", sum of its words WRONG",
            None => "",
        };
        let (all, masked) = (&image.sha256[..16], &image.masked_sha256[..16]);
        lines.push(("memory", format!("{} bytes, {all}, without addresses {masked}{sum}", image.bytes)));
    }
    if let Some(bus) = &entry.bus {
        lines.push(("bus", format!("{}; card {}, slot {}", bus.agreed, bus.card, bus.slot)));
    }
    if let Some(errors) = &entry.bus_errors {
        let text = format!("{} corrected, {} not, {} fatal", errors.corrected, errors.nonfatal, errors.fatal);
        lines.push(("bus errors", text));
    }
    if let Some(celsius) = entry.temperature_c {
        lines.push(("temperature", format!("{celsius:.0} degrees C")));
    }
    for (port, line) in card.ports.iter().zip(&entry.lines) {
        let address = port.address.as_deref().unwrap_or("no address");
        let burnt_in = match &port.permanent_address {
            Some(permanent) if port.address.as_ref() == Some(permanent) => String::new(),
            Some(permanent) => format!(" (burnt in: {permanent})"),
            None => " (none burnt in)".to_owned(),
        };
        let modes = if line.supported.is_empty() { String::new() } else { format!("; {}", line.supported.join(", ")) };
        let held_back = line.supported.iter().filter(|mode| !line.advertised.contains(mode)).cloned();
        let held_back: Vec<String> = held_back.filter(|_| !line.advertised.is_empty()).collect();
        let held_back =
            if held_back.is_empty() { String::new() } else { format!("; not offered: {}", held_back.join(", ")) };
        let module = line.transceiver.as_ref();
        let module = module.map_or(String::new(), |m| format!("; transceiver {} {} {}", m.vendor, m.part, m.serial));
        lines.push(("port", format!("{}, {address}{burnt_in}{modes}{held_back}{module}", port.name)));
    }
    lines.extend(entry.why_not.iter().map(|why| ("not now", why.clone())));
    lines
}

/// Plugs in a table, beside the number of matings that they are made for.
pub fn plugs(plugs: &[PartRecord], width: usize) -> String {
    let row = |plug: &PartRecord| {
        let left = RATED_MATINGS.saturating_sub(plug.matings);
        let state = match (plug.at_fault, left) {
            (true, _) => "at fault".to_owned(),
            // What it is made for depends on its kind, which no record says.
            (false, _) if plug.in_transceiver => "see its data sheet".to_owned(),
            (false, 0) => "worn: replace it".to_owned(),
            (false, left) => format!("{left} left"),
        };
        let row = [plug.bench.clone(), plug.part.label().to_owned(), plug.matings.to_string(), state];
        row.iter().map(|cell| one_line(cell)).collect()
    };
    let rows: Vec<Vec<String>> = plugs.iter().map(row).collect();
    let table = table::render(&["bench", "plug", "matings", "state"], &rows, width);
    let note = format!(
        "8P8C plugs are made for {RATED_MATINGS} matings, better ones for 2500 (IEC 60603-7, performance levels 1 and \
         2). Other plugs: see their data sheet."
    );
    format!("{table}\n{}\n", wrapped("", &note, width))
}

/// Transceivers in a table.
pub fn transceivers(transceivers: &[PartRecord], width: usize) -> String {
    let row = |one: &PartRecord| {
        let state = if one.at_fault { "at fault" } else { "not at fault" };
        let row = [one.bench.clone(), one.part.label().to_owned(), one.matings.to_string(), state.to_owned()];
        row.iter().map(|cell| one_line(cell)).collect()
    };
    let rows: Vec<Vec<String>> = transceivers.iter().map(row).collect();
    table::render(&["bench", "transceiver", "fitted", "state"], &rows, width)
}

/// Matings of an 8P8C connector of performance level 1, IEC 60603-7 (from memory).
const RATED_MATINGS: u32 = 750;

/// Lots in a table.
pub fn lots(lots: &[Lot], width: usize) -> String {
    let row = |lot: &Lot| {
        let state = if lot.closed.is_some() { "closed" } else { "open" };
        let count = |grade| lot.summary.graded(grade).to_string();
        let row = [
            lot.label.clone(),
            state.to_owned(),
            lot.summary.to_test.to_string(),
            count(Grade::Accepted),
            count(Grade::Limited),
            count(Grade::Rejected),
            decision(lot).to_owned(),
        ];
        row.iter().map(|cell| one_line(cell)).collect()
    };
    let rows: Vec<Vec<String>> = lots.iter().map(row).collect();
    table::render(&["lot", "state", "to test", "accepted", "limited", "rejected", "decision"], &rows, width)
}

/// What is decided about a lot, in a word or two.
pub fn decision(lot: &Lot) -> &'static str {
    match lot.verdict.outcome {
        Outcome::Pass | Outcome::Fault if lot.sampling.is_none() => "every card graded",
        Outcome::Pass => "accepted",
        Outcome::Fault => "rejected",
        Outcome::Undecided | Outcome::NotTested => "not decided",
    }
}

/// A lot with its cards.
pub fn lot(lot: &Lot, width: usize) -> String {
    let mut out = String::new();
    if !lot.summary.cards.is_empty() {
        let row = |card: &LotCard| {
            let serial = card.serial.clone().unwrap_or_else(|| "-".into());
            let row = [card.card.clone(), serial, card.grade.name().to_owned(), plainly(&card.why).to_owned()];
            row.iter().map(|cell| one_line(cell)).collect()
        };
        let rows: Vec<Vec<String>> = lot.summary.cards.iter().map(row).collect();
        out.push_str(&table::render(&["card", "serial", "grade", "why"], &rows, width));
        out.push('\n');
    }
    let mut say = |label: &str, text: &str| out.push_str(&format!("{}\n", wrapped(label, text, width)));
    let by_plan = if lot.sampling.is_some() { " by its plan" } else { "" };
    let rejected = lot.summary.graded(Grade::Rejected);
    let rejected = match lot.verdict.outcome {
        Outcome::Pass | Outcome::Fault if rejected > 0 => format!("; {} rejected", counted(rejected.into(), "card")),
        _ => String::new(),
    };
    say("", &format!("{}: {}{by_plan}{rejected}", named("lot", &lot.label), decision(lot)));
    for reason in &lot.verdict.reasons {
        say("found: ", &reason.text);
    }
    say("next: ", &lot.verdict.next);
    say("how sure: ", &lot.verdict.sureness);
    if let Some(sampling) = &lot.sampling {
        say("draw: ", &sampling.drawn.iter().map(u32::to_string).collect::<Vec<_>>().join(" "));
    }
    for aside in &lot.summary.set_aside {
        say("set aside: ", &format!("{} is at fault: {}. Why: {}", aside.thing, aside.next, aside.why));
    }
    lot.summary.oddities.iter().for_each(|odd| say("stands out: ", odd));
    if let Some(closed) = &lot.closed {
        say("closed: ", closed);
    }
    without_controls(&out)
}

/// A card test: grade, reasons, and every finding.
pub fn ticket(test: &CardTest, width: usize) -> String {
    let mut out = String::new();
    let mut say = |label: &str, text: &str| out.push_str(&format!("{}\n", wrapped(label, text, width)));
    say("", &headline(test));
    say("card: ", &format!("{}, {}", test.label, test.card.words()));
    for reason in &test.verdict.reasons {
        say(&format!("{}: ", reason.rule), &reason.text);
    }
    say("next: ", &test.verdict.next);
    say("bench: ", &proof(test));
    let rows: Vec<Vec<String>> = tested(test)
        .flat_map(|(name, findings)| findings.into_iter().map(move |finding| finding_row(name, &finding)))
        .collect();
    out.push('\n');
    out.push_str(&table::render(&["test", "result", "measured", "allowed"], &rows, width));
    out.push_str(&format!(
        "\n{}\n",
        wrapped("", &format!("{}, card test {}, {}", test.program, test.test, test.changed_at), width)
    ));
    without_controls(&out)
}

/// One finding as a row: test, result, measured, allowed.
pub fn finding_row(test: TestName, finding: &Finding) -> Vec<String> {
    [test.name().to_owned(), finding.result().to_owned(), finding.measured_at(), finding.limit.clone()]
        .iter()
        .map(|cell| one_line(cell))
        .collect()
}

/// The grade in a few words.
pub fn headline(test: &CardTest) -> String {
    let scope = test.verdict.scope.as_ref().map_or(String::new(), |scope| format!(": {scope}"));
    one_line(&format!("{}{scope}", test.grade.name().to_uppercase()))
}

/// How the bench was proved.
pub fn proof(test: &CardTest) -> String {
    match &test.proof {
        Some(proof) => format!("proved with its reference card, test ended {}", whole_seconds(&proof.at)),
        None if test.is_reference => "this is the reference card".to_owned(),
        None => "NOT proved with its reference card".to_owned(),
    }
}

/// What the last attempt at each test found. Findings of one rule that were met are joined into one.
pub fn tested(test: &CardTest) -> impl Iterator<Item = (TestName, Vec<Finding>)> {
    TestName::ALL.into_iter().filter_map(|name| Some((name, joined(test.last(name)?))))
}

fn joined(attempt: &Attempt) -> Vec<Finding> {
    let mut rows: Vec<Finding> = Vec::new();
    for finding in &attempt.findings {
        match rows.iter_mut().find(|row| finding.met && row.rule == finding.rule && row.result() == finding.result()) {
            Some(row) => {
                let more = if row.port == finding.port { finding.measured.clone() } else { finding.measured_at() };
                row.measured.push_str(&format!("; {more}"));
                if !row.limit.split("; ").any(|limit| limit == finding.limit) {
                    row.limit.push_str(&format!("; {}", finding.limit));
                }
            }
            None => rows.push(finding.clone()),
        }
    }
    rows
}

/// Hours of burn-in of a lot, and what they prove.
pub fn burn_in(lot: &Lot) -> Option<String> {
    let mtbf = lot.summary.mtbf_h?;
    Some(format!(
        "{:.1} h of all cards; at least {} between failures",
        lot.summary.burn_in_h,
        figure::seconds(mtbf * 3600.0)
    ))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_card_under_test_says_how_far_it_is_and_what_is_left() {
        let expected = |takes_s, then_s| Expected { number: 7, of: 9, takes_s, then_s };
        let told = |expected, elapsed_s| progress("quay-01", TestName::Load, &expected, elapsed_s);
        assert_eq!(
            told(expected(Some(60.0), 30.0), Some(18.2)),
            "quay-01: load, test 7 of 9, 42 s left, 72 s to its grade"
        );
        assert_eq!(told(expected(Some(60.0), 0.0), Some(18.2)), "quay-01: load, test 7 of 9, 42 s left");
        // It takes longer than expected: no time below zero.
        assert_eq!(told(expected(Some(60.0), 0.0), Some(75.0)), "quay-01: load, test 7 of 9, nearly done");
        assert_eq!(told(expected(None, 30.0), Some(5.0)), "quay-01: load, test 7 of 9, 5 s so far");
        assert_eq!(told(expected(Some(60.0), 30.0), None), "quay-01: load, test 7 of 9");
    }
}
