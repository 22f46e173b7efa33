//! Rules on what came back wrong, cut, twice, out of order, or not at all.

use crate::base::figure::{count, counted, listed};
use crate::base::placement::Placement;
use crate::judge::rule::{Finding, Rule};
use crate::judge::suspects::blame;
use crate::judge::{Location, RuleId};
use crate::judge::{
    facts::Facts,
    ratio::{Basis, ERRORS_MIN, sure_that},
};
use crate::kind::ethernet::facts::EthernetFacts;

pub(super) const RULES: &[Rule<EthernetFacts>] = &[
    Rule { id: RuleId::DamagedAfterCheck, decide: damaged_after_check },
    Rule { id: RuleId::BitErrors, decide: bit_errors },
    Rule { id: RuleId::FramesLost, decide: frames_lost },
    Rule { id: RuleId::FramesCut, decide: frames_cut },
    Rule { id: RuleId::NotAPlainLoop, decide: not_a_plain_loop },
    Rule { id: RuleId::ComesAndGoes, decide: comes_and_goes },
];

fn damaged_after_check(e: &EthernetFacts) -> Option<Finding> {
    let damaged = e.damaged_after_check();
    if damaged == 0 {
        return None;
    }
    let told = format!(
        "{} of {} frames came back wrong though their frame check was right. Damage on the line passes it about once \
         in four thousand million frames",
        count(damaged),
        count(e.counts.returned)
    );
    let fails_inside =
        e.common.reference(Placement::Internal).is_some_and(|there| there.returned_any && there.failures > 0);
    // Whatever stores frames and sends them on makes a new frame check: damage inside it looks the same from here.
    let beyond = match e.common.placement {
        _ if fails_inside => vec![],
        Placement::Internal => vec![],
        Placement::AtPort => vec![Location::Plug],
        Placement::FarEnd => vec![Location::Cable, Location::Plug],
        Placement::ReturnPort => vec![Location::Cable],
    };
    if beyond.is_empty() {
        let text = format!("{told}, so this was done in the adapter, on the bus or in memory.");
        let sure = "near certain; nothing but this computer is in this loop";
        return Some(Finding::fault(vec![Location::Host], text).sure(sure).then(
            "Power off and try the card in another slot or computer. If the damage goes with it, change the card. If \
             not, test this computer's memory.",
        ));
    }
    let text = format!(
        "{told}, so this was done in the adapter, on the bus or in memory, or by a device in the loop \
         that stores frames and sends them on with a new check."
    );
    Some(
        Finding::fault(std::iter::once(Location::Host).chain(beyond).collect(), text)
            .sure("near certain that no bare plug or cable did it; this computer and a device in the loop look alike")
            .then(
                "Make sure that nothing but a plug is in the loop (no switch, no media converter), then test again. If \
                 the damage stays, power off and move the card to another slot or computer, and test this computer's \
                 memory.",
            ),
    )
}

fn bit_errors(e: &EthernetFacts) -> Option<Finding> {
    let ratio = e.error_ratio()?;
    let refuted = ratio.proved_above > ratio.limit;
    if ratio.errors < ERRORS_MIN || !refuted || (ratio.basis == Basis::Bits && !e.is_refuted_by(e.counts.damaged)) {
        return None;
    }
    let unit = match ratio.basis {
        Basis::Bits => "bits came back wrong",
        Basis::Frames => "frames failed",
    };
    let mut text = format!("{}{}.", ratio.failed(unit), ratio.beside_limit());
    // On the basis of frames the lost ones are among those that failed.
    if ratio.basis == Basis::Bits && e.losses.wire() > 0 {
        let (lost, tried) = (e.losses.wire(), e.frames_tried());
        text.push_str(&format!(" Also, {} of {} frames did not come back.", count(lost), count(tried)));
    }
    Some(blame(e, &ratio.how_sure_above(), text))
}

fn frames_lost(e: &EthernetFacts) -> Option<Finding> {
    if !e.is_refuted_by_loss() {
        return None;
    }
    Some(blame(
        e,
        &sure_that(e.common.limit.confidence, "more are lost than the limit allows"),
        format!(
            "{} of {} frames did not come back. No counter of this computer shows that it dropped them.",
            count(e.losses.wire()),
            count(e.frames_tried())
        ),
    ))
}

fn frames_cut(e: &EthernetFacts) -> Option<Finding> {
    if e.lengths_changed() < ERRORS_MIN {
        return None;
    }
    Some(blame(
        e,
        "certain that lengths changed",
        format!(
            "{} frames came back shorter and {} longer than sent.",
            count(e.counts.truncated),
            count(e.counts.lengthened)
        ),
    ))
}

/// Asked before the rules on damage and loss, since whatever copies, overtakes or changes frames may lose them too.
/// Where frames came back damaged, wrong bits in their heads can look like a copy or an overtaking: then those rules go
/// first.
fn not_a_plain_loop(e: &EthernetFacts) -> Option<Finding> {
    let c = &e.counts;
    let kinds = [
        (c.readdressed, "had other addresses"),
        (c.padded, "had bytes added at the end"),
        (c.tagged, "had a VLAN tag"),
        (c.duplicated, "came twice"),
        (c.reordered, "came out of order"),
    ];
    let some: Vec<String> =
        kinds.iter().filter(|(n, _)| *n > 0).map(|(n, how)| format!("{} {how}", count(*n))).collect();
    if some.is_empty() {
        return None;
    }
    let by_damage = [damaged_after_check, bit_errors, frames_lost, frames_cut];
    if c.damaged > 0 && e.changed_alike() == 0 && by_damage.iter().any(|rule| rule(e).is_some()) {
        return None;
    }
    let mut text = format!("Of {} frames that came back, {}.", count(c.returned), listed(&some));
    if e.frames_failed() > 0 {
        text.push_str(&format!(" Lost or damaged: {}.", counted(e.frames_failed(), "frame")));
    }
    Some(
        Finding::undecided(text)
            .sure("certain that it happened: a plug cannot copy or change frames, nor let one overtake another")
            .then(
                "Look for a switch, a bridge or another active device in the loop. Fit a plain plug, then test again.",
            ),
    )
}

/// The mean of the run may be good: a fault that comes for a second in an hour is a fault all the same.
fn comes_and_goes(e: &EthernetFacts) -> Option<Finding> {
    let spells = e.spells;
    if spells.count == 0 {
        return None;
    }
    let sureness = sure_that(e.common.limit.confidence, "a line at its limit shows no such second in the whole run");
    let text = format!(
        "{} of {} frames failed within {} s, in {}. That is far beyond the limit, though the run as a whole is not.",
        count(spells.failed),
        count(spells.sent),
        spells.seconds,
        counted(spells.count, "spell"),
    );
    if spells.count >= ERRORS_MIN {
        return Some(blame(e, &sureness, text));
    }
    Some(Finding::undecided(text).sure(sureness).then(
        "Find out what happened then: was the plug or the cable moved, did a motor nearby start? Repeat the soak \
         without touching anything, then once more while you move plug and cable. A real fault comes back.",
    ))
}

#[cfg(test)]
pub(super) fn examples() -> Vec<super::fixture::Example> {
    use super::fixture::{lost_on_wire, spells, with, wrong_bits};
    use crate::judge::Location::{Host, Plug, Port};
    use crate::judge::Outcome;
    vec![
        (RuleId::DamagedAfterCheck, with(|e| e.counts.damaged = 1), Outcome::Fault, vec![Host, Plug]),
        (RuleId::BitErrors, with(|e| wrong_bits(e, 1000)), Outcome::Fault, vec![Port, Plug]),
        (
            RuleId::FramesLost,
            with(|e| {
                e.bad_frames_delivered = true;
                lost_on_wire(e, 1000);
            }),
            Outcome::Fault,
            vec![Port, Plug],
        ),
        (RuleId::FramesCut, with(|e| e.counts.truncated = 3), Outcome::Fault, vec![Port, Plug]),
        (RuleId::NotAPlainLoop, with(|e| e.counts.duplicated = 1), Outcome::Undecided, vec![]),
        (RuleId::NotAPlainLoop, with(|e| e.counts.reordered = 1), Outcome::Undecided, vec![]),
        (RuleId::NotAPlainLoop, with(|e| e.counts.readdressed = 1), Outcome::Undecided, vec![]),
        (RuleId::NotAPlainLoop, with(|e| e.counts.padded = 1), Outcome::Undecided, vec![]),
        (RuleId::NotAPlainLoop, with(|e| e.counts.tagged = 1), Outcome::Undecided, vec![]),
        (RuleId::ComesAndGoes, with(|e| e.spells = spells(1)), Outcome::Undecided, vec![]),
        (RuleId::ComesAndGoes, with(|e| e.spells = spells(3)), Outcome::Fault, vec![Port, Plug]),
    ]
}
