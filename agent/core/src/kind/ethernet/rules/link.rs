//! Rules on a link that is not there, or went.

use crate::base::figure::count;
use crate::base::placement::Placement;
use crate::judge::RuleId;
use crate::judge::facts::Stopped;
use crate::judge::rule::{Finding, Rule};
use crate::judge::suspects::{blame, blame_open_loop, loop_open};
use crate::kind::ethernet::facts::EthernetFacts;
use crate::kind::ethernet::link::Medium;

pub(super) const RULES: &[Rule<EthernetFacts>] = &[
    Rule { id: RuleId::LoopOpen, decide: |e| loop_open(e, no_link_text(e)?) },
    Rule { id: RuleId::NoLink, decide: |e| blame_open_loop(e, no_link_text(e)?) },
    Rule { id: RuleId::LinkLost, decide: link_lost },
    Rule { id: RuleId::LinkFlapped, decide: link_flapped },
];

/// What is said of a port that had no link from the beginning.
fn no_link_text(e: &EthernetFacts) -> Option<String> {
    if e.link.up || e.counts.sent > 0 || e.common.stopped == Some(Stopped::ByUser) {
        return None;
    }
    let text = match (e.common.placement, e.link.medium) {
        (Placement::Internal, _) => "There is no link, even with the loop inside the chip.",
        (_, Medium::Fibre) => {
            "There is no link: no light comes back. Either no plug is fitted, a fibre is dirty or broken, or the \
             transmitter or receiver is dead."
        }
        (Placement::AtPort, _) => {
            "There is no link. Either no plug is fitted, the plug is open, or the port's line side is dead."
        }
        _ => "There is no link. Either the loop is open somewhere, or the port's line side is dead.",
    };
    Some(text.to_owned())
}

fn link_lost(e: &EthernetFacts) -> Option<Finding> {
    (e.common.stopped == Some(Stopped::LinkLost)).then(|| {
        Finding::undecided(format!("The link went down after {} frames and stayed down.", count(e.counts.sent)))
            .sure("certain that the link went down; not why")
            .then(
                "Check whether plug or cable were moved, seat both, and test again. If the link goes down again \
                 untouched, a contact is bad.",
            )
    })
}

fn link_flapped(e: &EthernetFacts) -> Option<Finding> {
    match e.link_flaps {
        0 => None,
        // One drop is what a hand on the plug looks like.
        1 => Some(
            Finding::undecided("The link went down and came back once.")
                .sure("certain that the link dropped; not why")
                .then("Leave plug and cable alone and test again. If the link drops again, a contact is bad."),
        ),
        times => Some(blame(
            e,
            "certain that the link dropped, not why",
            format!("The link went down and came back {times} times."),
        )),
    }
}

#[cfg(test)]
pub(super) fn examples() -> Vec<super::fixture::Example> {
    use super::fixture::{no_link_at, with};
    use crate::judge::Location::{Plug, Port};
    use crate::judge::Outcome;
    vec![
        (RuleId::LoopOpen, with(|e| no_link_at(e, Placement::AtPort)), Outcome::Undecided, vec![]),
        (RuleId::NoLink, with(|e| no_link_at(e, Placement::Internal)), Outcome::Fault, vec![Port]),
        (RuleId::LinkLost, with(|e| e.common.stopped = Some(Stopped::LinkLost)), Outcome::Undecided, vec![]),
        (RuleId::LinkFlapped, with(|e| e.link_flaps = 2), Outcome::Fault, vec![Port, Plug]),
        (RuleId::LinkFlapped, with(|e| e.link_flaps = 1), Outcome::Undecided, vec![]),
    ]
}
