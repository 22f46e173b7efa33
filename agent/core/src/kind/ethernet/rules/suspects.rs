//! Among which things a failure lies, and what would narrow them down.

use super::{Finding, finding};
use crate::base::placement::Placement;
use crate::stats::compare_rates::{ErrorCount, RateComparison};
use crate::{judge::facts::Reference, kind::ethernet::facts::Evidence};
use crate::{
    judge::{Location, Outcome},
    kind::ethernet::ratio::bit_error_ratio,
};

/// The latest run of this port with the plug at `placement`.
pub(super) fn reference(e: &Evidence, placement: Placement) -> Option<&Reference> {
    e.references.iter().rev().find(|r| r.placement == placement)
}

/// The things a failure at this placement lies among, narrowed by what was found with the plug elsewhere.
pub fn suspects(e: &Evidence) -> Vec<Location> {
    if e.placement == Placement::Internal || reference(e, Placement::Internal).is_some_and(Reference::failed) {
        return vec![Location::Port];
    }
    let at_port = reference(e, Placement::AtPort);
    match e.placement {
        Placement::Internal => vec![Location::Port],
        Placement::AtPort => vec![Location::Port, Location::Plug],
        Placement::FarEnd => match at_port {
            Some(r) if worse_than(e, r) => vec![Location::Cable],
            Some(r) if r.failed() => vec![Location::Port, Location::Plug],
            _ => vec![Location::Cable, Location::Port, Location::Plug],
        },
        Placement::ReturnPort => match at_port {
            Some(r) if worse_than(e, r) => vec![Location::Cable, Location::ReturnPort],
            _ => vec![Location::Cable, Location::Port, Location::ReturnPort],
        },
    }
}

/// Whether this run fails in a way that the nearer one does not: by its counts, beyond chance; where nothing was counted (no link,
/// nothing returned, a link that dropped), because the nearer one passed.
pub(super) fn worse_than(e: &Evidence, nearer: &Reference) -> bool {
    let counted = bit_error_ratio(e)
        .map(|r| ErrorCount { errors: r.errors.saturating_add(e.lengths_changed()).min(r.trials), bits: r.trials });
    let Some(here) = counted.filter(|count| count.errors > 0 && e.counts.returned > 0) else { return nearer.passed() };
    let there = ErrorCount { errors: nearer.failures.min(nearer.trials), bits: nearer.trials };
    nearer.link_up
        && nearer.returned_any
        && RateComparison::new(here, there).is_ok_and(|p| p.p_a_higher <= 1.0 - e.limit.confidence)
}

/// What would narrow the suspects down, or mend the only one left.
pub(super) fn next_for(e: &Evidence, suspects: &[Location]) -> &'static str {
    let two_ports = e.placement == Placement::ReturnPort;
    match suspects {
        [Location::Port] => "take this port out of use and move to a spare one; if the card can be swapped, swap it",
        [Location::Cable] => {
            "re-terminate or replace the cable; to find the segment, move the plug to the end of each in turn"
        }
        [Location::Port, Location::Plug] => {
            "swap the plug and repeat; if it still fails, prove the plug on a known-good port, then condemn this one"
        }
        _ if two_ports => "swap the cable and repeat; then test each port with a plug of its own",
        _ => "put the same plug into the port itself and repeat: a pass there leaves only the cable",
    }
}

pub(super) fn places(suspects: &[Location]) -> String {
    suspects
        .iter()
        .map(|l| match l {
            Location::Port => "port",
            Location::ReturnPort => "return port",
            Location::Plug => "plug",
            Location::Cable => "cable",
            Location::Host => "host",
        })
        .collect::<Vec<_>>()
        .join(" or ")
}

pub(super) fn blame(e: &Evidence, sureness: &str, text: String) -> Option<Finding> {
    let suspects = suspects(e);
    let sureness = match suspects.as_slice() {
        [_] => sureness.to_owned(),
        several => format!("{sureness}; {} cannot be told apart by this run", places(several)),
    };
    let next = next_for(e, &suspects);
    finding(Outcome::Fault, suspects, &sureness, text, next)
}
