//! With the plug in the port itself: port or plug?

use super::Finding;
use super::first::needs_longer;
use crate::document::case::line::{Line, SPELLS, showing_at_port};
use crate::document::case::name::{Spot, StageName};
use crate::document::case::stage::Showing;
use crate::judge::Location;

const HERE: StageName = StageName::At(Spot::AtPort);
const SOAK: StageName = StageName::Soak(Spot::AtPort);

/// The adapter's own counts name the port, whatever is plugged in.
pub(super) fn port_silent(line: &Line) -> Option<Finding> {
    let named: Vec<_> =
        line.visits.iter().filter(|v| v.shows == Showing::Fails && v.result.location == [Location::Port]).collect();
    let last = named.last()?;
    if line.spell(last.place).passes > 0 {
        return None;
    }
    let finding = Finding::fault(&[Location::Port], last.result.text.clone())
        .sure(match last.result.rule.as_str() {
            "not-transmitted" => "near certain: the adapter's own count says so",
            _ => "near certain: nothing else takes part in what failed",
        })
        .then("take this port out of use and move to a spare one; if the card can be swapped, swap it");
    Some(if named.len() < 2 {
        finding.want(StageName::At(line.spot(last.place)), "it is repeated before the port is condemned")
    } else {
        finding
    })
}

/// The plug at the port: passes, or port and plug are told apart.
pub(super) fn port_or_plug(line: &Line) -> Option<Finding> {
    let spell = line.spell(0);
    let Some(last) = line.last(0) else {
        if line.skipped(&HERE) {
            return None;
        }
        let why = "a plug in the port itself tests the whole port, and nothing of the cable";
        return Some(Finding::undecided("nothing is known yet of the port's line side").want(HERE, why));
    };
    match (spell.passes, spell.fails) {
        (0, 0) if needs_longer(last.result) => (!spell.long).then(|| {
            Finding::undecided(format!("at-port: {}", last.result.text)).want(SOAK, "only a longer run can decide")
        }),
        (0, 0) if last.result.rule == SPELLS => {
            let finding = Finding::undecided(format!("at-port: {}", last.result.text));
            Some(finding.want(SOAK, "a longer run, untouched, shows whether it comes back"))
        }
        (0, 0) => {
            let finding = Finding::undecided(format!("at-port: {}", last.result.text))
                .then(advice(&last.result.rule))
                .again(HERE);
            Some(if spell.unclear < 3 { finding.want(HERE, repeat(&last.result.rule)) } else { finding })
        }
        (_, 0) => None,
        (0, _) => Some(steady(line, spell.fails)),
        // It failed, then held: a contact that seating cleaned.
        (_, _) if spell.passes_since >= 2 => None,
        (_, _) if spell.passes_since == 1 => Some(
            Finding::undecided("at-port: it failed and then passed with the same plug")
                .then("clean the contacts of port and plug")
                .want(SOAK, "it passed after it had failed: a longer run, untouched, shows whether that holds"),
        ),
        _ => Some(coming_and_going(line)),
    }
}

/// What to do about a run with the plug in place that this rule left undecided.
pub(super) fn advice(rule: &str) -> &'static str {
    match rule {
        "not-a-plain-loop" => {
            "see what is really plugged in: a plug returns each frame once and in order, an active device may not; fit a plug that is \
             proven on a known-good port, then repeat this stage"
        }
        "host-limited" => "stop other work on this computer, then repeat this stage",
        "lost-at-full-pace" => {
            "stop other work on this computer, then repeat this stage; if bytes are still lost, open a case on a port of the computer's \
             own, whose driver counts overruns"
        }
        "plug-joins-data-only" => {
            "look at the plug: if it joins the data wires only, name that wiring; if it has all wires, prove it on a \
             known-good port"
        }
        "no-bytes-returned" => {
            "switch the receiver on while sending, where the port has a setting for it; else test with a second port on the pair"
        }
        "port-gone" => "see that the adapter is seated and powered, read the kernel log, then repeat this stage",
        _ => "seat plug and connector, leave both alone, then repeat this stage",
    }
}

/// Why such a run is worth repeating.
pub(super) fn repeat(rule: &str) -> &'static str {
    match rule {
        "host-limited" | "lost-at-full-pace" => "the last attempt decided nothing: stop other work on this computer",
        _ => "the last attempt decided nothing: seat the plug again",
    }
}

/// Every attempt failed.
fn steady(line: &Line, fails: u32) -> Finding {
    let text = format!("at-port: {fails} of {fails} runs fail: {}", last_failure(line));
    if fails < 2 {
        return Finding::fault(&[Location::Port, Location::Plug], text)
            .sure("seen once; port and plug cannot be told apart yet")
            .want(HERE, "seat the plug again and repeat: a contact is the commonest cause")
            .want(StageName::OtherPlug, "another plug tells port and plug apart");
    }
    tell_apart(line, text)
}

/// It failed after it had passed with the same plug in the same port.
fn coming_and_going(line: &Line) -> Finding {
    let spell = line.spell(0);
    let text = format!(
        "at-port: comes and goes: {} runs fail and {} pass with the same plug: {}",
        spell.fails,
        spell.passes,
        last_failure(line)
    );
    if !line.at(0).any(|v| v.long && v.shows == Showing::Fails) && spell.fails < 3 {
        return Finding::fault(&[Location::Port, Location::Plug], text)
            .sure("it comes and goes; port and plug cannot be told apart yet")
            .want(SOAK, "a longer run shows how often it comes");
    }
    tell_apart(line, text)
}

fn last_failure<'a>(line: &Line<'a>) -> &'a str {
    let failed = line.visits.iter().rfind(|v| v.place == 0 && v.shows == Showing::Fails);
    failed.map_or("", |v| v.result.text.as_str())
}

/// Another plug in this port, and this plug in a known-good port.
fn tell_apart(line: &Line, text: String) -> Finding {
    let (other, known) = (line.results(&StageName::OtherPlug), line.results(&StageName::KnownGoodPort));
    let failed = |results: &[&crate::document::case::StageResult]| {
        results.iter().filter(|r| showing_at_port(r) == Showing::Fails).count()
    };
    let passed = |results: &[&crate::document::case::StageResult]| results.iter().any(|r| r.showing == Showing::Passes);
    let both = [Location::Port, Location::Plug];
    // A plug that fails on a known-good port is at fault, whatever else is.
    if failed(&known) >= 2 {
        return Finding::fault(&[Location::Plug], format!("{text}; the plug fails on a known-good port as well"))
            .sure("near certain: the plug failed on two ports, and more than once on the good one")
            .then(
                "mend or throw away this plug; prove another one on the known-good port, and open a new case with it",
            );
    }
    if failed(&known) == 1 && !passed(&known) {
        return Finding::fault(&both, format!("{text}; the plug fails on a known-good port"))
            .sure("seen once")
            .want(StageName::KnownGoodPort, "repeated before the plug is condemned")
            .then("mend or throw away this plug, and open a new case with a proven one");
    }
    let need_other = |finding: Finding| {
        finding.want(StageName::OtherPlug, "another plug in the same port tells port and plug apart")
    };
    let need_known = |finding: Finding| {
        finding.want(StageName::KnownGoodPort, "the plug in a port known to be good: proves the plug, or condemns it")
    };
    let open = Finding::fault(&both, text.clone()).sure("port and plug cannot be told apart yet").then(
        "try this plug in a known-good port of the same kind, and a proven plug in this one; until then use a spare port",
    );
    if passed(&other) && passed(&known) {
        return Finding::fault(&both, format!("{text}; the plug passes elsewhere, and another plug passes here"))
            .sure("certain that this plug fails in this port; not which of the two is worn")
            .then("clean and look at the contacts of both; if it comes back use a spare port, and another plug")
            .want(HERE, "the evidence disagrees: seat the plug again and repeat");
    }
    if failed(&other) >= 1 && !passed(&other) {
        if passed(&known) {
            return Finding::fault(
                &[Location::Port],
                format!("{text}; another plug fails here too, and this plug passes on a known-good port"),
            )
            .sure("near certain: two plugs fail in this port, one of them proven elsewhere")
            .then("take this port out of use and move to a spare one; if the card can be swapped, swap it");
        }
        return need_known(open);
    }
    if other.is_empty() {
        return need_known(need_other(open));
    }
    if known.is_empty() {
        return need_known(open);
    }
    // What was tried decided nothing.
    let more_other = other.len() < 2 && !passed(&other);
    let open = if more_other { need_other(open) } else { open };
    if known.len() < 2 && !passed(&known) { need_known(open) } else { open }
}
