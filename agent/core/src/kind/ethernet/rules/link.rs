//! Rules on a link that is not there, or went.

use crate::base::figure::count;
use crate::base::placement::Placement;
use crate::judge::RuleId;
use crate::judge::facts::Stopped;
use crate::judge::rule::{Finding, Rule};
use crate::judge::suspects::{blame, blame_open_loop};
use crate::kind::ethernet::facts::EthernetFacts;
use crate::kind::ethernet::link::Medium;

pub(super) const RULES: &[Rule<EthernetFacts>] = &[
    Rule { id: RuleId::NoLink, decide: no_link },
    Rule { id: RuleId::LinkLost, decide: link_lost },
    Rule { id: RuleId::LinkFlapped, decide: link_flapped },
];

fn no_link(e: &EthernetFacts) -> Option<Finding> {
    if e.link.up || e.counts.sent > 0 || e.common.stopped == Some(Stopped::ByUser) {
        return None;
    }
    let text = match (e.common.placement, e.link.medium) {
        (Placement::Internal, _) => "no link even with the loop inside the chip",
        (_, Medium::Fibre) => {
            "no link: no light comes back (no plug, a dirty or broken fibre, or a dead transmitter or receiver)"
        }
        (Placement::AtPort, _) => "no link: no plug is fitted, the plug is open, or the port's line side is dead",
        _ => "no link: the loop is open somewhere, or the port's line side is dead",
    };
    Some(blame_open_loop(e, text.to_owned()))
}

fn link_lost(e: &EthernetFacts) -> Option<Finding> {
    (e.common.stopped == Some(Stopped::LinkLost)).then(|| {
        Finding::undecided(format!("the link went down after {} probes and stayed down", count(e.counts.sent)))
            .sure("certain that the link went away; not why")
            .then(
                "was the plug or cable moved? seat both, then repeat; if it happens again untouched, the loop has a \
                 bad contact",
            )
    })
}

fn link_flapped(e: &EthernetFacts) -> Option<Finding> {
    match e.link_flaps {
        0 => None,
        // One drop is what a hand on the plug looks like.
        1 => Some(
            Finding::undecided("the link went down and came back once")
                .sure("certain that the link dropped; not why")
                .then("was the plug or cable touched? leave both alone and repeat: a second drop is a bad contact"),
        ),
        times => Some(blame(
            e,
            "certain that the link dropped",
            format!("the link went down and came back {times} times while nobody should have touched it"),
        )),
    }
}

#[cfg(test)]
pub(super) fn examples() -> Vec<super::fixture::Example> {
    use super::fixture::{no_link_at, with};
    use crate::judge::Location::{Plug, Port};
    use crate::judge::Outcome;
    vec![
        (RuleId::NoLink, with(|e| no_link_at(e, Placement::AtPort)), Outcome::Fault, vec![Plug, Port]),
        (RuleId::LinkLost, with(|e| e.common.stopped = Some(Stopped::LinkLost)), Outcome::Undecided, vec![]),
        (RuleId::LinkFlapped, with(|e| e.link_flaps = 2), Outcome::Fault, vec![Port, Plug]),
        (RuleId::LinkFlapped, with(|e| e.link_flaps = 1), Outcome::Undecided, vec![]),
    ]
}
