//! Among which things a failure lies, and what narrows them down.

use super::Location;
use super::facts::{Facts, Reference, Trouble};
use super::rule::Finding;
use crate::base::placement::Placement;
use crate::stats::compare_rates::{ErrorCount, RateComparison};

/// The things a failure of this run lies among, narrowed by what was found with the plug elsewhere.
pub fn suspects<F: Facts>(e: &F) -> Vec<Location> {
    let common = e.common();
    if failed_at(e, Placement::Internal).is_some() {
        return vec![Location::Port];
    }
    let at_port = common.reference(Placement::AtPort);
    match common.placement {
        Placement::Internal => vec![Location::Port],
        Placement::AtPort if e.has_plug() => vec![Location::Port, Location::Plug],
        Placement::AtPort => vec![Location::Port],
        Placement::FarEnd => match at_port {
            Some(r) if is_worse_than(e, r) => vec![Location::Cable],
            Some(r) if r.failed() => vec![Location::Port, Location::Plug],
            _ => vec![Location::Cable, Location::Port, Location::Plug],
        },
        Placement::ReturnPort => match at_port {
            Some(r) if is_worse_than(e, r) => vec![Location::Cable, Location::ReturnPort],
            _ => vec![Location::Cable, Location::Port, Location::ReturnPort],
        },
    }
}

/// The latest run with the plug at `placement`, if it failed in a way that speaks against the port.
pub(super) fn failed_at<F: Facts>(e: &F, placement: Placement) -> Option<&Reference> {
    let counts = |r: &&Reference| {
        r.failed() && (placement != Placement::Internal || F::SILENCE_INSIDE_IS_FAILURE || r.returned_any)
    };
    e.common().reference(placement).filter(counts)
}

/// Whether the loop inside the chip returns nothing, where that speaks against the port.
pub fn is_silent_inside<F: Facts>(e: &F) -> bool {
    F::SILENCE_INSIDE_IS_FAILURE && e.common().reference(Placement::Internal).is_some_and(|r| !r.returned_any)
}

/// How sure a fault is if the loop inside the chip is silent too.
pub const SILENT_INSIDE: &str = "near certain: the loop inside the chip returns nothing either";

/// Whether this run fails in a way that the nearer one does not: by its counts, beyond chance. Failures that pause must
/// also have begun more often than at the nearer place, which else may have been tried in a pause. Where nothing was
/// counted (no link, nothing returned) it does if the nearer one passed.
fn is_worse_than<F: Facts>(e: &F, nearer: &Reference) -> bool {
    let (here, there) = (e.trouble(), nearer.trouble);
    if e.returned() == 0 || (here.failed == 0 && !here.pauses) {
        return nearer.passed();
    }
    let units = |t: Trouble| ErrorCount { errors: t.failed.min(t.tried), bits: t.tried };
    let begun = |t: Trouble| ErrorCount { errors: t.begun.min(t.time_ms), bits: t.time_ms };
    let more = |a, b| RateComparison::new(a, b).is_ok_and(|p| p.p_a_higher <= 1.0 - e.common().limit.confidence);
    nearer.link_up
        && nearer.returned_any
        && (here.failed == 0 || more(units(here), units(there)))
        && (!here.pauses || more(begun(here), begun(there)))
}

/// A fault among the suspects, and what narrows them down.
pub fn blame<F: Facts>(e: &F, sureness: &str, text: String) -> Finding {
    let suspects = suspects(e);
    let sureness = match suspects.as_slice() {
        [_] => sureness.to_owned(),
        several => {
            let mut several = several.to_vec();
            several.sort_unstable();
            let names: Vec<&str> = several.into_iter().map(in_words).collect();
            format!("{sureness}; this run cannot tell {} apart", names.join(" and "))
        }
    };
    let next = if e.is_inverted() { POLARITY_FIRST } else { next_for(e, &suspects) };
    Finding::fault(suspects, text).sure(sureness).then(next)
}

/// A fault of the port alone.
pub fn blame_port(sureness: &str, text: String) -> Finding {
    Finding::fault(vec![Location::Port], text).sure(sureness).then(NEXT_FOR_PORT)
}

/// A loop through which nothing came back from the first probe on. A plug that nobody fitted looks like that, so
/// nothing is blamed as long as this run cannot exclude it.
pub fn loop_open<F: Facts>(e: &F, text: String) -> Option<Finding> {
    let suspects = suspects(e);
    if suspects.len() < 2 {
        return None;
    }
    let next = match e.common().placement {
        Placement::ReturnPort => {
            "Check that the cable is in both ports. Then repeat. If it stays so, try another cable, and test each port \
             with a plug of its own."
        }
        Placement::FarEnd => {
            "Check that the cable is in the port and the plug at its far end. Then repeat. If it stays so, put the \
             plug into the port itself and test again: a pass there leaves only the cable."
        }
        Placement::AtPort | Placement::Internal => {
            "Check that a plug is fitted and seated. Then repeat. If it stays so, try this plug in a port that works, \
             and another plug here."
        }
    };
    Some(Finding::undecided(text).sure("certain that nothing came back; not whether a plug is fitted").then(next))
}

/// A fault of a loop through which nothing comes back, where only one thing is left that can be at fault.
pub fn blame_open_loop<F: Facts>(e: &F, text: String) -> Option<Finding> {
    let only = suspects(e).len() < 2;
    only.then(|| blame(e, "certain that the loop is open; nothing was measured on the line", text))
}

/// What would narrow the suspects down, or mend the only one left.
fn next_for<F: Facts>(e: &F, suspects: &[Location]) -> &'static str {
    match suspects {
        [Location::Port] => NEXT_FOR_PORT,
        [Location::Cable] => {
            "Replace the cable or its connectors. If it has several segments, `turnback isolate` with --segments finds \
             the bad one: it asks for the plug at the end of each in turn."
        }
        [Location::Port, Location::Plug] => {
            "Try another plug. If it passes, the first plug is bad. If it fails too, put it into a port that works: if \
             it passes there, this port is bad."
        }
        _ if e.common().placement == Placement::ReturnPort => {
            "Try another cable. Then test each port with a plug of its own."
        }
        _ => "Put the same plug into the port itself and test again. If that passes, the cable is bad.",
    }
}

/// A signal that comes back inverted: no worn contact does that; a converter or a swapped polarity does.
pub const POLARITY_FIRST: &str = "The signal looks inverted. Look for a converter in the line and for wires of a \
                                  pair that are exchanged (wrong polarity) before anything is replaced.";

/// What to do about a port that is at fault.
pub const NEXT_FOR_PORT: &str =
    "Take this port out of use and move to a spare one. If the card or adapter can be changed, change it.";

fn in_words(location: Location) -> &'static str {
    match location {
        Location::ReturnPort => "return port",
        other => other.name(),
    }
}
