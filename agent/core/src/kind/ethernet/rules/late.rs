//! The rule on echoes that came back after they had been given up: late is not lost.

use crate::base::figure::{count, time_ns};
use crate::judge::RuleId;
use crate::judge::ratio::ERRORS_MIN;
use crate::judge::rule::{Finding, Rule};
use crate::kind::ethernet::facts::EthernetFacts;

pub(super) const RULES: &[Rule<EthernetFacts>] = &[Rule { id: RuleId::EchoesLate, decide: echoes_late }];

/// A plug or a cable keeps no frame for so long that it is given up: something active does, or a computer kept from its
/// work. Where such echoes are many, those that never came may be later still, and the loss of them proves nothing.
pub(super) fn echoes_late(e: &EthernetFacts) -> Option<Finding> {
    // What came back wrong is wrong, late or not; so is a link that drops.
    let wrong = e.counts.damaged.saturating_add(e.lengths_changed()).saturating_add(e.losses.failed_check);
    if wrong >= ERRORS_MIN || e.link_flaps > 0 {
        return None;
    }
    let (late, never) = (e.counts.late, e.losses.on_wire);
    let mut text = match e.shortest_trip_ns.filter(|ns| *ns >= TRIP_NS) {
        Some(ns) => format!("The shortest round trip took {}. No plug or cable is that long.", time_ns(ns)),
        None if too_many_late(e) => "No plug or cable holds a frame for that long.".to_owned(),
        None => return None,
    };
    if late > 0 {
        text = format!(
            "{} of {} frames came back after they had been given up: they are late, not lost. {text}",
            count(late),
            count(e.counts.sent)
        );
        if never > 0 {
            text.push_str(&format!(" {} more never came, and may be later still.", count(never)));
        }
    }
    Some(Finding::undecided(text).sure("certain that they were late; not what held them back").then(
        "Make sure that nothing but a plug is connected: a radio link, a converter or a computer in the loop holds \
         frames back like this. Then stop other work on this computer and test again.",
    ))
}

/// Whether echoes came late that are too many to be passed over, or that leave it open whether what is missing is later
/// still.
fn too_many_late(e: &EthernetFacts) -> bool {
    let (late, never, in_time) = (e.counts.late, e.losses.on_wire, e.counts.returned);
    let many = late >= ERRORS_MIN && (late > in_time || late.saturating_mul(MANY_SHARE) >= e.counts.sent);
    let may_be_later = late.saturating_mul(LATER_SHARE) >= never.saturating_add(late) && e.is_refuted_by_loss();
    late > 0 && (in_time == 0 || many || may_be_later)
}

/// So long a probe that travels alone is waited for: ten times the round trip of 2000 km of fibre. Our own choice.
pub(super) const LATE_NS: u64 = 200_000_000;
/// No trip over a plug or cable takes so long: that of 10 000 km of fibre. Our own choice; a computer at work may add
/// half of it.
pub(super) const TRIP_NS: u64 = 100_000_000;
/// One in so many of all probes is too large a share to be passed over: a standstill of three seconds in five minutes.
/// Our own choice.
const MANY_SHARE: u64 = 100;
/// One late echo for so many that never came leaves it open whether these are later still; our own choice.
const LATER_SHARE: u64 = 10;

/// What stood still for a moment is no fault, and is worth a look.
pub(super) fn held_up(e: &EthernetFacts) -> Option<String> {
    let longest = e.longest_trip_ns.filter(|ns| *ns >= LATE_NS);
    let longest = longest.map(|ns| format!("The longest round trip took {}.", time_ns(ns)));
    let late = (e.counts.late > 0).then(|| {
        format!("{} of {} frames came back after they had been given up.", count(e.counts.late), count(e.counts.sent))
    });
    let what: Vec<String> = late.into_iter().chain(longest).collect();
    if what.is_empty() || echoes_late(e).is_some() {
        return None;
    }
    Some(format!(
        "{} This computer stood still, or something in the loop held frames back. A plug or a cable does not do that.",
        what.join(" ")
    ))
}

#[cfg(test)]
pub(super) fn examples() -> Vec<super::fixture::Example> {
    use super::fixture::{SENT, lost_on_wire, with};
    use crate::judge::Outcome;
    vec![(
        RuleId::EchoesLate,
        with(|e| {
            lost_on_wire(e, SENT);
            e.counts.late = 1;
        }),
        Outcome::Undecided,
        vec![],
    )]
}
