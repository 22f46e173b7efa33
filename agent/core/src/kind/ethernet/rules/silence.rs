//! Rules on a port with a link, from which nothing leaves or to which nothing returns.

use crate::base::figure::{count, counted};
use crate::base::placement::Placement;
use crate::judge::RuleId;
use crate::judge::rule::{Finding, Rule};
use crate::judge::suspects::{SILENT_INSIDE, blame, blame_port, is_silent_inside};
use crate::kind::ethernet::facts::EthernetFacts;

pub(super) const RULES: &[Rule<EthernetFacts>] = &[
    Rule { id: RuleId::NotTransmitted, decide: not_transmitted },
    Rule { id: RuleId::NothingIntact, decide: nothing_intact },
    Rule { id: RuleId::NothingReturned, decide: nothing_returned },
];

fn not_transmitted(e: &EthernetFacts) -> Option<Finding> {
    let transmitted = e.transmitted?;
    // What this computer says it dropped was never the adapter's to send.
    let handed_over = e.counts.sent.saturating_sub(e.losses.never_left);
    if handed_over < SENT_MIN || e.counts.returned > 0 || transmitted > handed_over / 10 {
        return None;
    }
    Some(blame_port(
        "near certain: the adapter's own count says so",
        format!(
            "This computer handed over {} frames. The adapter reports that it sent {}.",
            count(handed_over),
            count(transmitted)
        ),
    ))
}

/// Every probe came back, and not one of them whole: the adapter counted as many frames that failed their check. What
/// only holds the link up sends nothing back, whole or not.
fn nothing_intact(e: &EthernetFacts) -> Option<Finding> {
    let tried = e.frames_tried();
    if e.counts.returned > 0 || tried < SENT_MIN || e.losses.failed_check < tried {
        return None;
    }
    Some(blame(
        e,
        "near certain: the adapter counted as many damaged frames as were sent",
        format!("All {} frames came back with a wrong frame check: nothing gets through whole.", count(tried)),
    ))
}

fn nothing_returned(e: &EthernetFacts) -> Option<Finding> {
    // If every probe was lost in this computer, the line was never asked.
    if e.counts.returned > 0 || e.frames_tried() == 0 {
        return None;
    }
    let (left, strange) = (counted(e.frames_tried(), "frame"), e.counts.unrecognised);
    let text = match strange {
        0 => format!("The link is up. {left} left, and none came back."),
        _ => format!(
            "The link is up. {left} left. {} came in that cannot be recognised as one of these.",
            counted(strange, "frame")
        ),
    };
    if e.common.placement == Placement::Internal || is_silent_inside(e) {
        return Some(blame(e, SILENT_INSIDE, text));
    }
    Some(if strange > 0 {
        Finding::undecided(text)
            .sure("certain that no frame came back whole enough to be recognised; not what came in")
            .then(
                "Make sure that nothing but a plug is connected. Try another plug. If nothing changes, try that plug \
                 in a port that works.",
            )
    } else {
        // Something holds the link up. A plug that links also returns; so this is hardly a plug, and nobody is blamed.
        let next = match e.common.placement {
            Placement::ReturnPort => {
                "Look where the cable goes: from one port to the other, or does a switch or another computer hold the \
                 link up and return nothing? Connect both ports directly, then test again."
            }
            Placement::AtPort | Placement::FarEnd | Placement::Internal => {
                "Look at the other end: a switch or another computer may hold the link up and return nothing. Fit a \
                 plug that passes in a port that works, then test again."
            }
        };
        Finding::undecided(text).sure("certain that nothing came back; what holds the link up is not known").then(next)
    })
}

/// Frames that must have been handed over before the adapter's silence counts.
const SENT_MIN: u64 = 10;

#[cfg(test)]
pub(super) fn examples() -> Vec<super::fixture::Example> {
    use super::fixture::{SENT, lose, lost_on_wire, silent, with};
    use crate::judge::Location::{Plug, Port};
    use crate::judge::Outcome;
    use crate::kind::ethernet::losses::Losses;
    vec![
        (
            RuleId::NotTransmitted,
            with(|e| {
                lost_on_wire(e, SENT);
                e.transmitted = Some(0);
            }),
            Outcome::Fault,
            vec![Port],
        ),
        (
            RuleId::WentSilent,
            with(|e| {
                lost_on_wire(e, SENT / 2);
                e.silent_from_s = Some(4);
            }),
            Outcome::Undecided,
            vec![],
        ),
        (
            RuleId::WentSilent,
            with(|e| {
                lost_on_wire(e, SENT / 2);
                e.silent_from_s = Some(4);
                e.common.references = vec![silent(Placement::Internal)];
            }),
            Outcome::Fault,
            vec![Port],
        ),
        (RuleId::NothingReturned, with(|e| lost_on_wire(e, SENT)), Outcome::Undecided, vec![]),
        (
            RuleId::NothingIntact,
            with(|e| lose(e, Losses { failed_check: SENT, ..Losses::default() })),
            Outcome::Fault,
            vec![Port, Plug],
        ),
        // One short: something else may have sent a damaged frame.
        (
            RuleId::NothingReturned,
            with(|e| lose(e, Losses { failed_check: SENT - 1, on_wire: 1, ..Losses::default() })),
            Outcome::Undecided,
            vec![],
        ),
    ]
}
