//! Rules on stages with the plug in the port itself: is it the port or the plug?

use super::first::needs_longer;
use super::{CaseRule, Conclusion};
use crate::document::case::line::{Line, showing_at_port};
use crate::document::case::name::{Spot, StageName};
use crate::document::case::stage::Showing;
use crate::judge::suspects::NEXT_FOR_PORT;
use crate::judge::{Location, RuleId};

pub(super) const RULES: &[CaseRule] = &[
    CaseRule { id: RuleId::PortSilent, decide: port_silent },
    CaseRule { id: RuleId::PortOrPlug, decide: port_or_plug },
];

const HERE: StageName = StageName::At(Spot::AtPort);
const SOAK: StageName = StageName::Soak(Spot::AtPort);

/// The adapter's own counts name the port, whatever is plugged in.
fn port_silent(line: &Line) -> Option<Conclusion> {
    let named: Vec<_> =
        line.visits.iter().filter(|v| v.shows == Showing::Fails && v.result.location == [Location::Port]).collect();
    let last = named.last()?;
    if line.history(last.place).passes > 0 {
        return None;
    }
    let conclusion = Conclusion::fault(&[Location::Port], last.result.text.clone())
        .sure(match last.result.rule {
            RuleId::NotTransmitted => "near certain: the adapter's own count says so",
            _ => "near certain: nothing else takes part in what failed",
        })
        .then(NEXT_FOR_PORT);
    Some(if named.len() < 2 {
        conclusion.want(StageName::At(line.spot(last.place)), "it is repeated before the port is condemned")
    } else {
        conclusion
    })
}

/// The plug at the port: passes, or port and plug are told apart.
fn port_or_plug(line: &Line) -> Option<Conclusion> {
    let history = line.history(0);
    let Some(last) = line.last(0) else {
        if line.skipped(&HERE) {
            return None;
        }
        let why = "a plug in the port itself tests the whole port, and nothing of the cable";
        return Some(Conclusion::undecided("nothing is known yet of the port's line side").want(HERE, why));
    };
    match (history.passes, history.fails) {
        (0, 0) if needs_longer(last.result) => (!history.long).then(|| {
            Conclusion::undecided(format!("at-port: {}", last.result.text)).want(SOAK, "only a longer run can decide")
        }),
        (0, 0) if last.result.rule == RuleId::ComesAndGoes => {
            let conclusion = Conclusion::undecided(format!("at-port: {}", last.result.text));
            Some(conclusion.want(SOAK, "a longer run, untouched, shows whether it comes back"))
        }
        (0, 0) => {
            let conclusion = Conclusion::undecided(format!("at-port: {}", last.result.text))
                .then(advice(&last.result.rule))
                .again(HERE);
            Some(if history.unclear < 3 { conclusion.want(HERE, repeat(&last.result.rule)) } else { conclusion })
        }
        (_, 0) => None,
        (0, _) => Some(steady(line, history.fails)),
        // It failed, then held: a contact that seating cleaned.
        (_, _) if history.passes_since >= 2 => None,
        (_, _) if history.passes_since == 1 => Some(
            Conclusion::undecided("at-port: it failed and then passed with the same plug")
                .then("clean the contacts of port and plug")
                .want(SOAK, "it passed after it had failed: a longer run, untouched, shows whether that holds"),
        ),
        _ => Some(coming_and_going(line)),
    }
}

/// What to do about a run with the plug in place that this rule left undecided.
pub(super) fn advice(rule: &RuleId) -> &'static str {
    match rule {
        RuleId::NotAPlainLoop => {
            "see what is really plugged in: a plug returns each frame once and in order, an active device may not; fit \
             a plug that is proven on a known-good port, then repeat this stage"
        }
        RuleId::HostLimited => "stop other work on this computer, then repeat this stage",
        RuleId::LostAtFullPace => {
            "stop other work on this computer, then repeat this stage; if bytes are still lost, open a case on a port \
             of the computer's own, whose driver counts overruns"
        }
        RuleId::PlugJoinsDataOnly => {
            "look at the plug: if it joins the data wires only, name that wiring; if it has all wires, prove it on a \
             known-good port"
        }
        RuleId::NoBytesReturned => {
            "switch the receiver on while sending, where the port has a setting for it; else test with a second port \
             on the pair"
        }
        RuleId::PortGone => "see that the adapter is seated and powered, read the kernel log, then repeat this stage",
        _ => "seat plug and connector, leave both alone, then repeat this stage",
    }
}

/// Why such a run is worth repeating.
pub(super) fn repeat(rule: &RuleId) -> &'static str {
    match rule {
        RuleId::HostLimited | RuleId::LostAtFullPace => {
            "the last attempt decided nothing: stop other work on this computer"
        }
        _ => "the last attempt decided nothing: seat the plug again",
    }
}

/// Every attempt failed.
fn steady(line: &Line, fails: u32) -> Conclusion {
    let text = format!("at-port: {fails} of {fails} runs fail: {}", last_failure(line));
    if fails < 2 {
        return Conclusion::fault(&[Location::Port, Location::Plug], text)
            .sure("seen once; port and plug cannot be told apart yet")
            .want(HERE, "seat the plug again and repeat: a contact is the commonest cause")
            .want(StageName::OtherPlug, "another plug tells port and plug apart");
    }
    tell_apart(line, text)
}

/// It failed after it had passed with the same plug in the same port.
fn coming_and_going(line: &Line) -> Conclusion {
    let history = line.history(0);
    let text = format!(
        "at-port: comes and goes: {} runs fail and {} pass with the same plug: {}",
        history.fails,
        history.passes,
        last_failure(line)
    );
    if !line.at(0).any(|v| v.long && v.shows == Showing::Fails) && history.fails < 3 {
        return Conclusion::fault(&[Location::Port, Location::Plug], text)
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
fn tell_apart(line: &Line, text: String) -> Conclusion {
    let (other, known) = (line.results(&StageName::OtherPlug), line.results(&StageName::KnownGoodPort));
    let failed = |results: &[&crate::document::case::StageResult]| {
        results.iter().filter(|r| showing_at_port(r) == Showing::Fails).count()
    };
    let passed = |results: &[&crate::document::case::StageResult]| results.iter().any(|r| r.showing == Showing::Passes);
    let both = [Location::Port, Location::Plug];
    // A plug that fails on a known-good port is at fault, whatever else is.
    if failed(&known) >= 2 {
        return Conclusion::fault(&[Location::Plug], format!("{text}; the plug fails on a known-good port as well"))
            .sure("near certain: the plug failed on two ports, and more than once on the good one")
            .then(
                "mend or throw away this plug; prove another one on the known-good port, and open a new case with it",
            );
    }
    if failed(&known) == 1 && !passed(&known) {
        return Conclusion::fault(&both, format!("{text}; the plug fails on a known-good port"))
            .sure("seen once")
            .want(StageName::KnownGoodPort, "repeated before the plug is condemned")
            .then("mend or throw away this plug, and open a new case with a proven one");
    }
    let need_other = |conclusion: Conclusion| {
        conclusion.want(StageName::OtherPlug, "another plug in the same port tells port and plug apart")
    };
    let need_known = |conclusion: Conclusion| {
        conclusion
            .want(StageName::KnownGoodPort, "the plug in a port known to be good: proves the plug, or condemns it")
    };
    let open = Conclusion::fault(&both, text.clone()).sure("port and plug cannot be told apart yet").then(
        "try this plug in a known-good port of the same kind, and a proven plug in this one; until then use a spare \
         port",
    );
    if passed(&other) && passed(&known) {
        return Conclusion::fault(&both, format!("{text}; the plug passes elsewhere, and another plug passes here"))
            .sure("certain that this plug fails in this port; not which of the two is worn")
            .then("clean and look at the contacts of both; if it comes back use a spare port, and another plug")
            .want(HERE, "the evidence disagrees: seat the plug again and repeat");
    }
    if failed(&other) >= 1 && !passed(&other) {
        if passed(&known) {
            return Conclusion::fault(
                &[Location::Port],
                format!("{text}; another plug fails here too, and this plug passes on a known-good port"),
            )
            .sure("near certain: two plugs fail in this port, one of them proven elsewhere")
            .then(NEXT_FOR_PORT);
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
