//! The uses of plugs, slots and transceivers in the attempts at cards, and which of these things are at fault.

use std::collections::{BTreeMap, BTreeSet};

use serde::{Deserialize, Serialize};

use super::attempt::Attempt;
use super::facts::Facts;
use super::findings::RestsOn;
use super::procedure::TestName;
use crate::base::labels::named;
use crate::judge::Outcome;

/// One use of a plug, slot or transceiver in a test.
#[derive(Clone, Debug, PartialEq)]
pub struct Use {
    /// The thing, by its label.
    pub thing: String,
    /// A plug, a slot or a transceiver.
    pub on: RestsOn,
    /// Id of the card test.
    pub card: String,
    /// It was tried in the reference card, which is known to be good, as is what else was in the port.
    pub is_reference: bool,
    /// The port, for plugs and transceivers.
    pub port: Option<u32>,
    /// What else was in the port: for a plug the transceiver, for a transceiver the plug.
    pub with: Option<String>,
    /// The test.
    pub test: TestName,
    /// When, milliseconds since 1970 UTC.
    pub at_ms: i64,
    /// Nothing failed that the thing could have caused.
    pub passed: bool,
    /// What was measured of the first failure; empty if it passed.
    pub measured: String,
    /// What it came to at slower speeds.
    pub slower: AtSlower,
}

/// What the use of a plug came to at the slower speeds that its port was set to, Mb/s.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct AtSlower {
    /// It passed at these.
    pub passed: Vec<u32>,
    /// It failed at these, and at its own speed it did not; empty where it failed at its own.
    pub failed_only: Vec<u32>,
}

impl AtSlower {
    fn of(attempt: &Attempt, port: Option<u32>) -> Self {
        let Some(Facts::Data { runs, .. }) = &attempt.facts else { return Self::default() };
        let of_port = || runs.iter().filter(|run| Some(run.port) == port);
        // One at its own speed makes it none.
        let failed: Option<Vec<u32>> = of_port().filter(|run| run.fails_on_line()).map(|run| run.set_mbps).collect();
        Self {
            passed: of_port().filter(|run| run.outcome == Outcome::Pass).filter_map(|run| run.set_mbps).collect(),
            failed_only: failed.unwrap_or_default(),
        }
    }
}

/// The uses of plugs, slots and transceivers in the attempts at one card. Of the reference card, `tried` is what was
/// fitted to it to be tried.
pub fn uses(card: &str, is_reference: bool, tried: Option<&str>, attempts: &[Attempt]) -> Vec<Use> {
    let mut uses = Vec::new();
    for attempt in attempts.iter().filter(|attempt| attempt.is_done()) {
        let of = |on, port: Option<u32>, with: Option<&str>, is_tried| {
            let failure = attempt.failures(on, port).next();
            let thing = attempt.thing(on, port).filter(|_| attempt.used(on, port))?;
            Some(Use {
                thing: thing.to_owned(),
                on,
                card: card.to_owned(),
                is_reference: is_reference && is_tried,
                port,
                with: with.map(str::to_owned),
                test: attempt.test,
                at_ms: attempt.began_ms,
                passed: failure.is_none(),
                measured: failure.map_or(String::new(), |failure| failure.measured.clone()),
                slower: AtSlower::of(attempt, port),
            })
        };
        for port in 1..=attempt.plugs.len() as u32 {
            // A port without a plug says nothing of its transceiver.
            let Some(plug) = attempt.plug(port) else { continue };
            let transceiver = attempt.transceiver(port);
            // The transceivers of the reference card are as good as it is itself. Another one is there to be tried,
            // with a plug that passes elsewhere.
            let is_tried = transceiver.is_some() && tried == transceiver;
            uses.extend(of(RestsOn::Plug, Some(port), transceiver, !is_tried));
            uses.extend(of(RestsOn::Transceiver, Some(port), Some(plug), is_tried));
        }
        uses.extend(of(RestsOn::Slot, None, None, true));
    }
    uses
}

/// Things that are at fault, each with the use that shows it. They failed in the reference card, which is known to be
/// good, and not only there. Of transceivers it is enough that the failure moved with one to another port of a card.
fn shown(history: &[Use], on: RestsOn) -> BTreeMap<&str, (&Use, Shown)> {
    let failed = || history.iter().filter(move |use_| use_.on == on && !use_.passed);
    let mut shown: BTreeMap<&str, (&Use, Shown)> = BTreeMap::new();
    for use_ in failed().filter(|use_| use_.is_reference && is_told_from_reference(history, use_)) {
        shown.entry(&use_.thing).or_insert((use_, Shown::InReference));
    }
    for use_ in failed().filter(|_| on == RestsOn::Transceiver) {
        if !shown.contains_key(use_.thing.as_str()) && moved_with(history, use_) {
            shown.insert(&use_.thing, (use_, Shown::Moved));
        }
    }
    shown
}

/// The reference card may have failed itself overnight. So another one passes there since, or this one failed elsewhere
/// too.
fn is_told_from_reference(history: &[Use], failure: &Use) -> bool {
    let mut of_test = history.iter().filter(|use_| use_.on == failure.on && use_.test == failure.test);
    of_test.any(|other| match other.is_reference {
        true => {
            let is_later = other.at_ms > failure.at_ms && other.port == failure.port;
            other.passed && is_later && other.thing != failure.thing
        }
        false => !other.passed && other.thing == failure.thing,
    })
}

/// What shows that a thing is at fault.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Shown {
    /// It fails in the reference card.
    InReference,
    /// Its failure moved with it to another port.
    Moved,
}

/// A transceiver that failed fails in another port of this card too, and in both another one passes with the same plug.
fn moved_with(history: &[Use], failure: &Use) -> bool {
    let of_test = |use_: &&Use| use_.on == failure.on && use_.test == failure.test && use_.card == failure.card;
    let is_due = |use_: &Use| {
        let another = |other: &&Use| other.port == use_.port && other.thing != use_.thing && other.passed;
        use_.with.is_some() && history.iter().filter(of_test).filter(another).any(|other| other.with == use_.with)
    };
    let own = history.iter().filter(of_test).filter(|use_| use_.thing == failure.thing && !use_.passed);
    let ports: BTreeSet<Option<u32>> = own.filter(|use_| is_due(use_)).map(|use_| use_.port).collect();
    ports.len() > 1
}

/// Labels of the plugs, slots or transceivers that are at fault.
pub fn at_fault(history: &[Use], on: RestsOn) -> BTreeSet<String> {
    shown(history, on).into_keys().map(str::to_owned).collect()
}

/// Something of the bench, or a transceiver, that is not used any more.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct SetAside {
    /// The plug, slot or transceiver, as a person calls it.
    pub thing: String,
    /// The test that showed it, and what was measured.
    pub why: String,
    /// What to do with it.
    pub next: String,
}

/// The plugs, slots and transceivers that are at fault, each once.
pub fn set_aside(history: &[Use]) -> Vec<SetAside> {
    let mut found = Vec::new();
    for (on, what, next) in [
        (RestsOn::Plug, "plug", "clean it, or throw it away"),
        (RestsOn::Slot, "slot", "clean its contacts, or use it no more"),
        (RestsOn::Transceiver, "transceiver", "clean its ends, or use it no more"),
    ] {
        for (label, (use_, shown)) in shown(history, on) {
            let how = match shown {
                Shown::InReference => "the reference card fails with it",
                Shown::Moved => "the failure moved with it to another port",
            };
            let why = format!("{how}: {}: {}", use_.test.name(), use_.measured);
            found.push(SetAside { thing: named(what, label), why, next: next.to_owned() });
        }
    }
    found
}

/// The plug that was seen to pass a test last and has failed it nowhere since; one of `own` if there is one.
pub fn good_plug(history: &[Use], test: TestName, own: &[Option<String>]) -> Option<String> {
    let guilty = at_fault(history, RestsOn::Plug);
    let mut last: BTreeMap<&str, &Use> = BTreeMap::new();
    for use_ in history.iter().filter(|use_| use_.on == RestsOn::Plug && use_.test == test) {
        let known = last.entry(&use_.thing).or_insert(use_);
        *known = if known.at_ms <= use_.at_ms { use_ } else { known };
    }
    let is_own = |thing: &str| own.iter().flatten().any(|plug| plug == thing);
    let passing = last.into_iter().filter(|(thing, use_)| use_.passed && !guilty.contains(*thing));
    passing.max_by_key(|(thing, use_)| (is_own(thing), use_.at_ms)).map(|(thing, _)| thing.to_owned())
}

/// How often a plug or transceiver was fitted: every time it stands in another port or card than before.
pub fn matings<'a>(on: RestsOn, label: &str, attempts: impl IntoIterator<Item = (&'a str, &'a Attempt)>) -> u32 {
    let mut attempts: Vec<_> = attempts.into_iter().collect();
    attempts.sort_by_key(|(_, attempt)| attempt.began_ms);
    let mut count = 0;
    let mut was: Option<(&str, u32)> = None;
    for (card, attempt) in attempts {
        let mut ports = 1..=attempt.plugs.len().max(attempt.transceivers.len()) as u32;
        let at = ports.find(|port| attempt.thing(on, Some(*port)) == Some(label)).map(|port| (card, port));
        if at.is_some() && at != was {
            count += 1;
        }
        was = at.or(was);
    }
    count
}

#[cfg(test)]
mod tests;
