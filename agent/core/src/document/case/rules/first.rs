//! Rules on what comes before any plug: a port that was not tested, this computer, the loop inside the chip.

use super::{CaseRule, Conclusion};
use crate::document::case::line::{Gear, Line, done};
use crate::document::case::name::{Spot, StageName};
use crate::document::case::stage::{Showing, StageResult};
use crate::judge::suspects::NEXT_FOR_PORT;
use crate::judge::{Location, Outcome, RuleId};

pub(super) const RULES: &[CaseRule] = &[
    CaseRule { id: RuleId::StageNotTested, decide: stage_not_tested },
    CaseRule { id: RuleId::HostFails, decide: host_fails },
    CaseRule { id: RuleId::InternalFirst, decide: internal_first },
    CaseRule { id: RuleId::InternalFails, decide: internal_fails },
];

/// The last stage tested nothing: somebody else's frames, or a port in service.
fn stage_not_tested(line: &Line) -> Option<Conclusion> {
    let (stage, result) = line.latest().filter(|(_, result)| result.showing == Showing::NotTested)?;
    let conclusion = Conclusion::new(Outcome::NotTested, &[], format!("{}: {}", stage.name, result.text))
        .sure("certain: nothing was tested")
        .then("Free the port and find out what its far end is connected to. Then go on with this case.");
    let in_a_row = line.results(&stage.name).iter().rev().take_while(|r| r.showing == Showing::NotTested).count();
    Some(if in_a_row < 2 {
        conclusion.want(stage.name.clone(), "The stage tested nothing. It is repeated once the port is free.")
    } else {
        conclusion
    })
}

/// Frames whose check was right held wrong contents. Inside the chip nothing in front of the adapter takes part. With a
/// plug in the port, a device that stores frames and makes a new check would look the same; it does not come along with
/// a second plug.
fn host_fails(line: &Line) -> Option<Conclusion> {
    let stages = line.case.stages.iter();
    let inside =
        stages.rev().find_map(|s| Some((s.name.clone(), done(s)?)).filter(|(_, r)| r.showing == Showing::HostFails));
    let damaged =
        |gear: Gear| line.bench.iter().rfind(|v| v.gear == gear && v.result.rule == RuleId::DamagedAfterCheck);
    let blame = |stage: StageName, result: &StageResult, why: &str| {
        Conclusion::fault(&[Location::Host], format!("{stage}: {}", result.text))
            .sure(format!(
                "near certain: damage on the line passes the frame check about once in four thousand million frames; \
                 {why}"
            ))
            .then(
                "Leave plug and cable alone. Move the card to another slot or computer and test again. If the damage \
                 goes with the card, change the card. If not, test this computer's memory.",
            )
    };
    if let Some((stage, result)) = inside {
        return Some(blame(stage, result, "nothing but this computer is in this loop"));
    }
    let first = damaged(Gear::Own)?;
    let others = line.results(&StageName::OtherPlug);
    if let Some(second) = damaged(Gear::OtherPlug) {
        return Some(blame(StageName::OtherPlug, second.result, "two plugs in turn show it, with no cable"));
    }
    let seen = Conclusion::undecided(format!("at-port: {}", first.result.text));
    Some(if others.is_empty() {
        seen.sure("certain that no bare plug did it; this computer and a device in place of the plug look alike")
            .then("Put a plug into the port itself that is certainly nothing but a plug, then repeat this stage.")
            .again(StageName::At(Spot::AtPort))
            .want(
                StageName::OtherPlug,
                "Another plug shows whether this computer or what was plugged in did the damage.",
            )
    } else {
        seen.sure("certain that frames were damaged behind a frame check, and not with the other plug")
            .then(
                "See what was plugged in first: a device that stores frames and sends them on is no plug. With a bare \
                 plug fitted, open a new case.",
            )
            .again(StageName::At(Spot::AtPort))
    })
}

/// Where the chip can loop, a case begins with it.
fn internal_first(line: &Line) -> Option<Conclusion> {
    let here = StageName::At(Spot::Internal);
    let done = [&here, &StageName::Soak(Spot::Internal)].iter().any(|stage| !line.results(stage).is_empty());
    // A pass farther out went through the chip as well.
    let covered = line.visits.iter().any(|visit| visit.shows == Showing::Passes);
    if !line.case.capabilities.internal_loop || done || covered || line.skipped(&here) {
        return None;
    }
    let nothing = "Nothing is known yet about the host side of the port.";
    let text = match line.bench.iter().chain(&line.visits).rfind(|visit| visit.shows == Showing::Fails) {
        Some(failed) => format!("{} fails: {} {nothing}", line.spot(failed.place), failed.result.text),
        None => nothing.to_owned(),
    };
    Some(
        Conclusion::undecided(text)
            .want(here, "The loop inside the chip needs no plug. It tests the host side of the port."),
    )
}

/// The loop inside the chip holds nothing but the port.
fn internal_fails(line: &Line) -> Option<Conclusion> {
    if !line.case.capabilities.internal_loop {
        return None;
    }
    let here = StageName::At(Spot::Internal);
    let soak = StageName::Soak(Spot::Internal);
    let results = [line.results(&here), line.results(&soak)].concat();
    if results.is_empty() {
        return None;
    }
    let failed: Vec<_> = results.iter().filter(|r| r.showing == Showing::Fails).collect();
    match failed.as_slice() {
        [] => {
            let unclear = results.iter().all(|r| r.showing != Showing::Passes);
            (unclear && results.len() < 2).then(|| {
                let last = results[results.len() - 1];
                let again = if last.needs_longer() { soak } else { here };
                Conclusion::undecided(format!("internal: {}", last.text))
                    .want(again, "The first attempt decided nothing.")
            })
        }
        [one] => {
            let conclusion = Conclusion::fault(&[Location::Port], format!("internal: {}", one.text))
                .sure("seen once: a second failure settles it")
                .then(NEXT_FOR_PORT);
            match results.len() {
                1 | 2 => Some(conclusion.want(
                    here,
                    "It failed with no plug and no cable in the way. That is repeated before the port is blamed.",
                )),
                3 => Some(
                    conclusion.want(soak, "It failed once and then passed. A longer run shows whether it comes back."),
                ),
                // It never came back: the other stages go on, and the verdict keeps it in mind.
                _ => None,
            }
        }
        [.., last] => Some(
            Conclusion::fault(
                &[Location::Port],
                format!(
                    "internal: {} of {} runs fail with the loop inside the chip. {}",
                    failed.len(),
                    results.len(),
                    last.text
                ),
            )
            .sure("near certain: neither plug nor cable is in this loop, and it failed more than once")
            .then(NEXT_FOR_PORT),
        ),
    }
}
