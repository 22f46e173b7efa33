//! Whether a failure is the card's, or that of the plug or slot it was tested with.
//!
//! A single failure never tells. A failure that stays with the port though the plug was exchanged, while that plug
//! passes elsewhere afterwards, is the card's. A failure that goes away with the plug is the plug's, once that plug
//! fails on a card that is known to be good. Slots are told from cards in the same way.

use std::collections::BTreeSet;

use serde::{Deserialize, Serialize};

use super::attempt::Attempt;
use super::facts::Facts;
use super::findings::{Finding, RestsOn};
use super::procedure::TestName;
use crate::base::labels::named;
use crate::judge::Outcome;

/// One use of a plug or slot in a test.
#[derive(Clone, Debug, PartialEq)]
pub struct Use {
    /// The plug or slot, by its label.
    pub thing: String,
    /// A plug or a slot.
    pub on: RestsOn,
    /// Id of the card test.
    pub card: String,
    /// It was the reference card, which is known to be good.
    pub is_reference: bool,
    /// The port, for plugs.
    pub port: Option<u32>,
    /// The test.
    pub test: TestName,
    /// When, milliseconds since 1970 UTC.
    pub at_ms: i64,
    /// Nothing failed that the plug or slot could have caused.
    pub passed: bool,
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

/// The uses of plugs and slots in the attempts at one card.
pub fn uses(card: &str, is_reference: bool, attempts: &[Attempt]) -> Vec<Use> {
    let mut uses = Vec::new();
    for attempt in attempts.iter().filter(|attempt| attempt.is_done()) {
        let of = |thing: &str, on, port| Use {
            thing: thing.to_owned(),
            on,
            card: card.to_owned(),
            is_reference,
            port,
            test: attempt.test,
            at_ms: attempt.began_ms,
            passed: attempt.failures(on, port).next().is_none(),
            slower: AtSlower::of(attempt, port),
        };
        for port in (1..=attempt.plugs.len() as u32).filter(|port| attempt.used_plug(*port)) {
            uses.extend(attempt.plug(port).map(|plug| of(plug, RestsOn::Plug, Some(port))));
        }
        if attempt.used_slot() {
            uses.push(of(&attempt.slot, RestsOn::Slot, None));
        }
    }
    uses
}

/// Where a failure lies, or what would tell.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Placed {
    /// Nothing fails.
    Passes,
    /// The failure went away with these plugs or slots, which fail on the reference card too.
    With(Vec<String>),
    /// The failure stays with the card.
    Card,
    /// The failure went away, and nothing that was exchanged explains it.
    Unexplained,
    /// Another plug or slot than these must be tried.
    TryOther(Vec<String>),
    /// This plug or slot must be tried with the reference card.
    Prove(String),
    /// The failure stays, but at these slower speeds only, Mb/s, and with none of its plugs did another port pass at
    /// them. So the plugs or this computer may be what cannot do them.
    SpeedUnproved(Vec<u32>),
}

/// Plugs or slots that are at fault: they failed with the reference card, which is known to be good.
pub fn at_fault(history: &[Use], on: RestsOn) -> BTreeSet<String> {
    let failed = history.iter().filter(|use_| use_.on == on && use_.is_reference && !use_.passed);
    failed.map(|use_| use_.thing.clone()).collect()
}

/// A plug or slot of the bench that is not used any more.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct SetAside {
    /// The plug or slot, as a person calls it.
    pub thing: String,
    /// The test that showed it, and what was measured.
    pub why: String,
    /// What to do with it.
    pub next: String,
}

/// The plugs and slots that are at fault by these attempts at the reference card, each once.
pub fn set_aside<'a>(attempts: impl IntoIterator<Item = &'a Attempt>) -> Vec<SetAside> {
    let mut found: Vec<SetAside> = Vec::new();
    for attempt in attempts.into_iter().filter(|attempt| attempt.is_done()) {
        let mut note = |finding: &Finding, thing: String, next: &str| {
            if found.iter().all(|known| known.thing != thing) {
                let why = format!("the reference card fails with it: {}: {}", attempt.test.name(), finding.measured);
                found.push(SetAside { thing, why, next: next.to_owned() });
            }
        };
        for port in 1..=attempt.plugs.len() as u32 {
            if let (Some(plug), Some(failure)) =
                (attempt.plug(port), attempt.failures(RestsOn::Plug, Some(port)).next())
            {
                note(failure, named("plug", plug), "clean it, or throw it away");
            }
        }
        if let Some(failure) = attempt.failures(RestsOn::Slot, None).next() {
            note(failure, named("slot", &attempt.slot), "clean its contacts, or use it no more");
        }
    }
    found
}

/// Places the failure of a test on a port (for plugs) or on the card (for slots). `history` holds the uses of all
/// cards, this one included.
pub fn place(history: &[Use], on: RestsOn, card: &str, port: Option<u32>, test: TestName) -> Placed {
    let here = |use_: &&Use| use_.on == on && use_.card == card && use_.port == port && use_.test == test;
    let own: Vec<&Use> = history.iter().filter(here).collect();
    let failing: Vec<&Use> = own.iter().copied().filter(|use_| !use_.passed).collect();
    let Some(last) = own.iter().max_by_key(|use_| use_.at_ms).filter(|_| !failing.is_empty()) else {
        return Placed::Passes;
    };
    let guilty = at_fault(history, on);
    let passes = |use_: &Use, thing: &str, since_ms: i64| {
        let is_other = !(use_.card == card && use_.port == port);
        let is_meant = use_.on == on && use_.thing == thing && use_.test == test && is_other;
        is_meant && use_.passed && use_.at_ms > since_ms
    };
    // What passes at one speed may not be able to do another.
    let at_these = |mbps: &[u32], thing: &str, since_ms: i64| {
        let did = |use_: &Use| mbps.iter().all(|mbps| use_.slower.passed.contains(mbps));
        history.iter().any(|use_| passes(use_, thing, since_ms) && did(use_))
    };
    let elsewhere = |thing: &str, since_ms: i64| at_these(&[], thing, since_ms);
    let failed_last = |thing: &str| failing.iter().filter(|use_| use_.thing == thing).map(|use_| use_.at_ms).max();
    let things: BTreeSet<&str> = failing.iter().map(|use_| use_.thing.as_str()).collect();
    let clean: Vec<&str> = things.iter().copied().filter(|thing| !guilty.contains(*thing)).collect();
    if last.passed {
        let suspect = clean.iter().find(|thing| !elsewhere(thing, failed_last(thing).unwrap_or(0)));
        return match suspect {
            _ if clean.is_empty() => Placed::With(things.into_iter().map(str::to_owned).collect()),
            Some(thing) => Placed::Prove((*thing).to_owned()),
            None => Placed::Unexplained,
        };
    }
    let speeds = &last.slower.failed_only;
    let since = |thing: &str| failed_last(thing).unwrap_or(0);
    let proven = clean.iter().any(|thing| at_these(speeds, thing, since(thing)));
    let is_tried = |thing: &str| history.iter().any(|use_| use_.is_reference && passes(use_, thing, since(thing)));
    match (clean.as_slice(), proven) {
        ([_, _, ..], true) => Placed::Card,
        ([.., thing], false) if clean.len() > 1 && is_tried(thing) => Placed::SpeedUnproved(speeds.clone()),
        // Nobody has seen either of them pass since.
        ([.., thing], false) if clean.len() > 1 => Placed::Prove((*thing).to_owned()),
        _ => Placed::TryOther(things.into_iter().map(str::to_owned).collect()),
    }
}

/// How often a plug was fitted: every time it stands in another port, card or slot than before.
pub fn matings<'a>(plug: &str, attempts: impl IntoIterator<Item = (&'a str, &'a Attempt)>) -> u32 {
    let mut attempts: Vec<_> = attempts.into_iter().collect();
    attempts.sort_by_key(|(_, attempt)| attempt.began_ms);
    let mut count = 0;
    let mut was: Option<(&str, usize)> = None;
    for (card, attempt) in attempts {
        let at = attempt.plugs.iter().position(|label| label.as_deref() == Some(plug)).map(|port| (card, port));
        if at.is_some() && at != was {
            count += 1;
        }
        was = at.or(was);
    }
    count
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Uses in order: card, port, plug, passed. Card `R` is the reference.
    fn history(rows: &[(&str, u32, &str, bool)]) -> Vec<Use> {
        let of = |(at_ms, (card, port, thing, passed)): (i64, &(&str, u32, &str, bool))| Use {
            thing: (*thing).to_owned(),
            on: RestsOn::Plug,
            card: (*card).to_owned(),
            is_reference: *card == "R",
            port: Some(*port),
            test: TestName::Data,
            at_ms,
            passed: *passed,
            slower: AtSlower::default(),
        };
        (1..).zip(rows).map(of).collect()
    }

    fn placed(rows: &[(&str, u32, &str, bool)]) -> Placed {
        place(&history(rows), RestsOn::Plug, "C", Some(1), TestName::Data)
    }

    #[test]
    fn a_failure_is_the_cards_only_if_it_stays_and_a_plug_passes_elsewhere_afterwards() {
        let other = |things: &[&str]| Placed::TryOther(things.iter().map(|thing| (*thing).to_owned()).collect());
        let before = [("R", 1, "P-1", true), ("R", 2, "P-2", true)];
        let with = |rows: &[(&str, u32, &str, bool)]| placed(&[&before[..], rows].concat());
        assert_eq!(with(&[("C", 1, "P-1", true)]), Placed::Passes);
        assert_eq!(with(&[("C", 1, "P-1", false)]), other(&["P-1"]));
        // The plugs of two ports were exchanged, and the failure stays with the port.
        let exchanged = [("C", 1, "P-1", false), ("C", 2, "P-2", true), ("C", 1, "P-2", false), ("C", 2, "P-1", true)];
        assert_eq!(with(&exchanged), Placed::Card);
        // A card with one port: both plugs failed here and passed before. Whether they still do must be seen.
        let single = [("C", 1, "P-1", false), ("C", 1, "P-2", false)];
        assert_eq!(with(&single), Placed::Prove("P-2".into()));
        assert_eq!(with(&[&single[..], &[("R", 1, "P-2", true)]].concat()), Placed::Card);
        // That plug is worn out: a third one must be tried.
        assert_eq!(with(&[&single[..], &[("R", 1, "P-2", false)]].concat()), other(&["P-1", "P-2"]));
    }

    #[test]
    fn a_failure_at_a_slower_speed_is_the_cards_only_if_a_plug_passes_elsewhere_at_that_speed() {
        let rows = [("C", 1, "P-1", false), ("C", 1, "P-2", false), ("R", 1, "P-2", true)];
        let placed = |count: usize, reference: &[u32], failed_only: &[u32]| {
            let mut history = history(&rows[..count]);
            for use_ in &mut history {
                let (passed, failed_only) =
                    if use_.is_reference { (reference, &[][..]) } else { (&[][..], failed_only) };
                use_.slower = AtSlower { passed: passed.to_vec(), failed_only: failed_only.to_vec() };
            }
            place(&history, RestsOn::Plug, "C", Some(1), TestName::Data)
        };
        assert_eq!(placed(2, &[], &[100]), Placed::Prove("P-2".into()));
        assert_eq!(placed(3, &[100, 10], &[100]), Placed::Card);
        assert_eq!(placed(3, &[10], &[100]), Placed::SpeedUnproved(vec![100]));
        assert_eq!(placed(3, &[], &[100, 10]), Placed::SpeedUnproved(vec![100, 10]));
        // It fails at its own speed too.
        assert_eq!(placed(3, &[], &[]), Placed::Card);
    }

    #[test]
    fn a_failure_that_goes_away_with_its_plug_is_the_plugs_once_the_reference_fails_with_it() {
        let moved = [("C", 1, "P-1", false), ("C", 1, "P-2", true)];
        assert_eq!(placed(&moved), Placed::Prove("P-1".into()));
        assert_eq!(placed(&[&moved[..], &[("R", 1, "P-1", false)]].concat()), Placed::With(vec!["P-1".into()]));
        // The plug is good, so nothing explains why the port failed.
        assert_eq!(placed(&[&moved[..], &[("R", 1, "P-1", true)]].concat()), Placed::Unexplained);
    }

    /// Two ports of one card are dead. The plugs that failed in both are not at fault.
    #[test]
    fn two_dead_ports_set_no_plug_aside() {
        let rows = [
            ("C", 1, "P-1", false),
            ("C", 2, "P-2", false),
            ("C", 1, "P-2", false),
            ("C", 2, "P-1", false),
            ("R", 1, "P-2", true),
        ];
        assert_eq!(at_fault(&history(&rows), RestsOn::Plug), BTreeSet::new());
        assert_eq!(placed(&rows), Placed::Card);
        assert_eq!(place(&history(&rows), RestsOn::Plug, "C", Some(2), TestName::Data), Placed::Card);
    }

    #[test]
    fn each_plug_and_slot_that_the_reference_card_fails_with_is_named_once() {
        use crate::bench::facts::Facts;
        use crate::judge::RuleId;
        let finding = |rule, port, met| Finding {
            rule,
            port,
            measured: "29 errors".into(),
            limit: "0".into(),
            met,
            not_tested: false,
        };
        let attempt = |plugs: [&str; 2], findings| Attempt {
            facts: Some(Facts::Identity { sticker: None }),
            findings,
            ..Attempt::begun(TestName::Bus, "slot-2".into(), plugs.map(|plug| Some(plug.to_owned())).to_vec(), 1)
        };
        let of_port = |port, met| finding(RuleId::CardData, Some(port), met);
        let attempts = [
            attempt(["P-1", "P-2"], vec![of_port(1, true), of_port(2, false)]),
            attempt(["P-2", "P-3"], vec![of_port(1, false), of_port(2, true), finding(RuleId::CardBus, None, false)]),
            // The card's own: no plug and no slot is behind it.
            attempt(["P-4", "P-5"], vec![finding(RuleId::CardHot, None, false)]),
            Attempt { facts: None, ..attempt(["P-6", "P-7"], vec![of_port(1, false)]) },
        ];
        let found = set_aside(&attempts);
        assert_eq!(found.iter().map(|aside| aside.thing.as_str()).collect::<Vec<_>>(), ["plug P-2", "slot-2"]);
        assert!(found[1].why.contains("bus: 29 errors"), "{found:?}");
    }

    #[test]
    fn another_test_and_another_port_say_nothing() {
        let mut rows = history(&[("C", 1, "P-1", false), ("C", 1, "P-2", false), ("R", 1, "P-1", true)]);
        assert_eq!(place(&rows, RestsOn::Plug, "C", Some(2), TestName::Data), Placed::Passes);
        rows[2].test = TestName::Links;
        assert_eq!(place(&rows, RestsOn::Plug, "C", Some(1), TestName::Data), Placed::Prove("P-2".into()));
    }

    #[test]
    fn a_plug_is_counted_as_fitted_when_it_moves() {
        let attempt = |began_ms, plugs: [&str; 2]| Attempt {
            test: TestName::Data,
            slot: "S-1".into(),
            plugs: plugs.iter().map(|plug| Some((*plug).to_owned())).collect(),
            began_ms,
            took_s: 1.0,
            facts: None,
            findings: Vec::new(),
            bus_errors: None,
            cut_off: None,
        };
        let attempts = [
            attempt(1, ["P-1", "P-2"]),
            attempt(2, ["P-1", "P-2"]),
            attempt(3, ["P-2", "P-1"]),
            attempt(4, ["P-2", "P-1"]),
        ];
        let all = || attempts.iter().zip(["A", "A", "A", "B"]).map(|(attempt, card)| (card, attempt));
        assert_eq!((matings("P-1", all()), matings("P-2", all()), matings("P-3", all())), (3, 3, 0));
    }
}
