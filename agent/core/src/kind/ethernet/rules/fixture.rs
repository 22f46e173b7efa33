//! Facts to test rules on: a healthy run, and ways to spoil it.

use crate::base::placement::Placement;
use crate::judge::{Location, Outcome, RuleId};
use crate::judge::{
    facts::{Common, Reference, Trouble},
    ratio::Limit,
};
use crate::kind::ethernet::link::{Capabilities, LinkState, Medium};
use crate::kind::ethernet::stream::tally::FrameCounts;
use crate::kind::ethernet::{
    facts::{EthernetFacts, Heard},
    losses::Losses,
};
use crate::signal::compare::DamageKind;
use crate::signal::seconds::Spread;
use crate::signal::when::{Gap, Stretch, When};
use crate::stats::looks::Looks;
use crate::stats::spells::Spells;

/// A rule, facts on which it speaks and decides, and what it then says. It must be silent on a healthy run.
pub(super) type Example = (RuleId, EthernetFacts, Outcome, Vec<Location>);

pub(super) const FRAME_BITS: f64 = 12_112.0;
pub(super) const SENT: u64 = 1_000_000;

/// A free port with a plug in it: a million frames out and back, far more than its limit asks for.
pub(super) fn healthy() -> EthernetFacts {
    EthernetFacts {
        common: Common {
            placement: Placement::AtPort,
            in_service: vec![],
            damage: DamageKind::None,
            slowdowns: 0,
            limit: Limit { bit_error_ratio: 1e-9, confidence: 0.95, looks: Looks::Once },
            stopped: None,
            references: vec![],
            plan_done: None,
            is_proof: false,
        },
        capabilities: Capabilities { checks_frames: true, internal_loop: true, ..Capabilities::default() },
        offers_cable_test: false,
        bad_frames_delivered: false,
        link: LinkState { up: true, medium: Medium::Copper, ..LinkState::default() },
        fallback_mbps: None,
        link_flaps: 0,
        heard: Heard { own_host: 3, ..Heard::default() },
        counts: FrameCounts {
            sent: SENT,
            returned: SENT,
            bits_compared: SENT * FRAME_BITS as u64,
            ..FrameCounts::default()
        },
        losses: Losses::default(),
        frame_bits: FRAME_BITS,
        sizes_not_taken: vec![],
        sizes_not_returned: vec![],
        transmitted: Some(SENT),
        shortest_trip_ns: Some(9_000),
        longest_trip_ns: Some(90_000),
        silent_from_s: None,
        when: When::default(),
        spells: Spells::default(),
        spread: Spread { seconds: 10, lasted: 10, ..Spread::default() },
    }
}

pub(super) fn with(change: impl FnOnce(&mut EthernetFacts)) -> EthernetFacts {
    let mut e = healthy();
    change(&mut e);
    e
}

/// Takes `losses` out of what came back.
pub(super) fn lose(e: &mut EthernetFacts, losses: Losses) {
    e.losses = losses;
    e.counts.lost = losses.wire() + losses.inside() + losses.late;
    e.counts.late = losses.late;
    e.counts.returned = e.counts.sent - e.counts.lost;
    e.counts.bits_compared = e.counts.returned * FRAME_BITS as u64;
}

pub(super) fn lost_on_wire(e: &mut EthernetFacts, on_wire: u64) {
    lose(e, Losses { on_wire, ..Losses::default() });
}

pub(super) fn lost_in_host(e: &mut EthernetFacts, in_host: u64) {
    lose(e, Losses { in_host, ..Losses::default() });
}

/// Nothing came back in so many stretches, and so many frames failed elsewhere.
pub(super) fn silent_for_a_while(gaps: u64, failed_elsewhere: u64) -> EthernetFacts {
    with(|e| {
        lost_on_wire(e, 10_000);
        let gaps = (0..gaps).map(|n| Gap { from_s: 3 * n, until_s: 3 * n + 2 }).collect();
        e.when = When { gaps, failed_elsewhere, ..When::default() };
    })
}

/// Frames were lost, all of them sent in these seconds.
pub(super) fn lost_in(first_s: u64, last_s: u64) -> EthernetFacts {
    with(|e| {
        lost_on_wire(e, 10_000);
        e.when = When { crowded: vec![Stretch { first_s, last_s }], failed_elsewhere: 10_000, ..When::default() };
    })
}

/// Single wrong bits can be seen, each in a frame of its own.
pub(super) fn wrong_bits(e: &mut EthernetFacts, bit_errors: u64) {
    e.bad_frames_delivered = true;
    e.counts.damaged = bit_errors;
    e.counts.failed_check_delivered = bit_errors;
    e.counts.bit_errors = bit_errors;
    e.common.damage = DamageKind::Scattered;
}

pub(super) fn no_link_at(e: &mut EthernetFacts, placement: Placement) {
    e.common.placement = placement;
    e.link.up = false;
    e.counts = FrameCounts::default();
    e.transmitted = Some(0);
}

pub(super) fn found(placement: Placement, failures: u64) -> Reference {
    let trouble = Trouble { tried: SENT, failed: failures, time_ms: 10_000, ..Trouble::default() };
    Reference { placement, trials: SENT, failures, link_up: true, returned_any: true, trouble }
}

pub(super) fn silent(placement: Placement) -> Reference {
    Reference { returned_any: false, failures: SENT, ..found(placement, 0) }
}

/// Bad seconds in a run whose mean is good.
pub(super) fn spells(count: u64) -> Spells {
    Spells { count, seconds: count, sent: 81_274 * count, failed: 9_408 * count }
}
