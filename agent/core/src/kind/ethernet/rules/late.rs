//! The rule on echoes that came back after they had been given up: late is not lost.

use crate::base::figure::count;
use crate::judge::RuleId;
use crate::judge::ratio::ERRORS_MIN;
use crate::judge::rule::{Finding, Rule};
use crate::kind::ethernet::facts::EthernetFacts;

pub(super) const RULES: &[Rule<EthernetFacts>] = &[Rule { id: RuleId::EchoesLate, decide: echoes_late }];

/// A plug or a cable keeps no frame for so long that it is given up: something active does, or a computer kept from its
/// work. Where such echoes are many, those that never came may be later still, and the loss of them proves nothing.
fn echoes_late(e: &EthernetFacts) -> Option<Finding> {
    // What came back wrong is wrong, late or not; so is a link that drops.
    let wrong = e.counts.damaged.saturating_add(e.lengths_changed()).saturating_add(e.losses.failed_check);
    if wrong >= ERRORS_MIN || e.link_flaps > 0 {
        return None;
    }
    let (late, never) = (e.counts.late, e.losses.on_wire);
    let is_share_of = |all: u64| late > 0 && late.saturating_mul(LATE_SHARE) >= all;
    let none_in_time = e.counts.returned == 0 && late > 0;
    let many = late >= ERRORS_MIN && is_share_of(e.counts.sent);
    let may_be_later = is_share_of(never.saturating_add(late)) && e.is_refuted_by_loss();
    let mostly = late >= ERRORS_MIN && late > e.counts.returned;
    let slow = e.shortest_trip_ns.filter(|ns| *ns >= LATE_NS);
    let mut text = match (slow, none_in_time || many || mostly || may_be_later) {
        (None, false) => return None,
        (Some(ns), _) => format!("the shortest round trip took {:.2} s: no plug or cable is so long", ns as f64 / 1e9),
        (None, true) => "no plug or cable keeps a frame for so long".to_owned(),
    };
    if late > 0 {
        text = format!(
            "{} of {} probes came back after they had been given up: late, not lost; {text}",
            count(late),
            count(e.counts.sent)
        );
        if never > 0 {
            text.push_str(&format!("; {} that never came may be later still", count(never)));
        }
    }
    Some(Finding::undecided(text).sure("certain that they were late; not what held them back").then(
        "see that nothing but a plug is connected: a radio link, a converter or a computer in the loop holds frames \
         back so; with a bare plug fitted, stop other work on this computer and repeat",
    ))
}

/// So long a probe that travels alone is waited for: ten times the round trip of 2000 km of fibre. Our own choice.
const LATE_NS: u64 = 200_000_000;
/// One in so many is too large a share to be passed over; our own choice.
const LATE_SHARE: u64 = 10;

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
