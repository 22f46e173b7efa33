//! Whether a failure is the card's, or that of the plug, slot or transceiver it was tested with.
//!
//! A single failure never tells. A failure that stays with the port though the plug was exchanged, while that plug
//! passes elsewhere afterwards, is the card's. A failure that goes away with the plug is the plug's, once that plug
//! fails on a card that is known to be good. Slots and transceivers are told from cards in the same way; the
//! transceiver of a port is exchanged once the plug has been told from both.

use std::collections::BTreeSet;

use super::findings::RestsOn;
use super::guilt::{Use, at_fault};
use super::procedure::TestName;

/// Where a failure lies, or what would tell.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Placed {
    /// Nothing fails.
    Passes,
    /// The failure went away with these things, which are at fault.
    With(Vec<String>),
    /// The failure stays with the card.
    Card,
    /// The failure went away, and nothing that was exchanged explains it.
    Unexplained,
    /// Another thing than these must be tried.
    TryOther(Vec<String>),
    /// This thing must be tried with the reference card.
    Prove(String),
    /// The failure stays, but at these slower speeds only, Mb/s, and with none of its plugs did another port pass at
    /// them. So the plugs or this computer may be what cannot do them.
    SpeedUnproved(Vec<u32>),
}

/// What failed: something in a port of a card, or the card in its slots.
#[derive(Clone, Copy, Debug)]
pub struct Spot<'a> {
    /// Id of the card test.
    pub card: &'a str,
    /// The port; none for slots.
    pub port: Option<u32>,
    /// The transceiver that is in the port now, if it can be taken out.
    pub transceiver: Option<&'a str>,
    /// The test.
    pub test: TestName,
}

impl Spot<'_> {
    /// The thing was used here. A plug stands before port and transceiver together: with another transceiver it is
    /// another line.
    fn is_here(&self, use_: &Use) -> bool {
        let same_line = use_.on != RestsOn::Plug || use_.with.as_deref() == self.transceiver;
        use_.card == self.card && use_.port == self.port && same_line
    }
}

/// Places the failure of a test on a port. `history` holds the uses of all cards, this one included.
///
/// The plug is exchanged first: that is the easiest, and what it shows tells plugs from all that is behind them.
pub fn place_on_port(history: &[Use], spot: Spot<'_>) -> Vec<(RestsOn, Placed)> {
    let plug = place(history, RestsOn::Plug, spot);
    let Some(transceiver) = spot.transceiver else { return vec![(RestsOn::Plug, plug)] };
    let own = place(history, RestsOn::Transceiver, spot);
    // With a bad transceiver no plug passes.
    if at_fault(history, RestsOn::Transceiver).contains(transceiver) {
        return vec![(RestsOn::Transceiver, own)];
    }
    match (&plug, &own) {
        (Placed::Passes | Placed::Card, _) | (_, Placed::Card | Placed::Prove(_)) => vec![(RestsOn::Transceiver, own)],
        (Placed::With(_), _) => vec![(RestsOn::Plug, plug), (RestsOn::Transceiver, own)],
        _ => vec![(RestsOn::Plug, plug)],
    }
}

/// Places the failure of a test on what can be exchanged: a plug or transceiver in a port, or the slot.
pub fn place(history: &[Use], on: RestsOn, spot: Spot<'_>) -> Placed {
    let of_test = || history.iter().filter(|use_| use_.test == spot.test);
    let bad_plugs = at_fault(history, RestsOn::Plug);
    // What failed with a plug that is at fault says nothing of the transceiver.
    let is_told = |use_: &&Use| on != RestsOn::Transceiver || use_.passed || !is_in(&bad_plugs, use_.with.as_ref());
    let own: Vec<&Use> = of_test().filter(|use_| use_.on == on && spot.is_here(use_)).filter(is_told).collect();
    let failing: Vec<&Use> = own.iter().copied().filter(|use_| !use_.passed).collect();
    let Some(last) = own.iter().max_by_key(|use_| use_.at_ms).filter(|_| !failing.is_empty()) else {
        return Placed::Passes;
    };
    let guilty = at_fault(history, on);
    let passes = |use_: &Use, thing: &str, since_ms: i64| {
        use_.on == on && use_.thing == thing && !spot.is_here(use_) && use_.passed && use_.at_ms > since_ms
    };
    // What passes at one speed may not be able to do another.
    let at_these = |mbps: &[u32], thing: &str, since_ms: i64| {
        let did = |use_: &Use| mbps.iter().all(|mbps| use_.slower.passed.contains(mbps));
        of_test().any(|use_| passes(use_, thing, since_ms) && did(use_))
    };
    let elsewhere = |thing: &str, since_ms: i64| at_these(&[], thing, since_ms);
    let since = |thing: &str| {
        failing.iter().filter(|use_| use_.thing == thing).map(|use_| use_.at_ms).max().unwrap_or_default()
    };
    let things: BTreeSet<&str> = failing.iter().map(|use_| use_.thing.as_str()).collect();
    let clean: Vec<&str> = things.iter().copied().filter(|thing| !guilty.contains(*thing)).collect();
    let all = || things.iter().map(|thing| (*thing).to_owned()).collect();
    // What fails in the reference card cannot be tried in it again.
    if own.iter().any(|use_| use_.is_reference) {
        return match (last.passed, clean.is_empty()) {
            (true, true) => Placed::With(all()),
            (true, false) => Placed::Unexplained,
            (false, _) => Placed::TryOther(all()),
        };
    }
    if last.passed {
        let suspect = clean.iter().find(|thing| !elsewhere(thing, since(thing)));
        return match suspect {
            _ if clean.is_empty() => Placed::With(all()),
            Some(thing) => Placed::Prove((*thing).to_owned()),
            None => Placed::Unexplained,
        };
    }
    let speeds = &last.slower.failed_only;
    // A transceiver that passes elsewhere clears itself, and not the plug that it failed with here.
    let has_good_plug = |use_: &Use| {
        let is_its_plug = |plug: &&Use| plug.on == RestsOn::Plug && Some(&plug.thing) == use_.with.as_ref();
        of_test().filter(is_its_plug).any(|plug| plug.passed && plug.at_ms >= use_.at_ms)
    };
    let is_cleared = |thing: &str| {
        on != RestsOn::Transceiver || failing.iter().any(|use_| use_.thing == thing && has_good_plug(use_))
    };
    let proven = clean.iter().any(|thing| at_these(speeds, thing, since(thing)) && is_cleared(thing));
    let is_tried = |thing: &str| of_test().any(|use_| use_.is_reference && passes(use_, thing, since(thing)));
    match (clean.as_slice(), proven) {
        ([_, _, ..], true) => Placed::Card,
        ([.., thing], false) if on == RestsOn::Plug && clean.len() > 1 && is_tried(thing) => {
            Placed::SpeedUnproved(speeds.clone())
        }
        // Nobody has seen either of them pass since.
        ([.., thing], false) if clean.len() > 1 && (on != RestsOn::Transceiver || !elsewhere(thing, since(thing))) => {
            Placed::Prove((*thing).to_owned())
        }
        _ => Placed::TryOther(all()),
    }
}

fn is_in(labels: &BTreeSet<String>, label: Option<&String>) -> bool {
    label.is_some_and(|label| labels.contains(label))
}

#[cfg(test)]
mod tests;
