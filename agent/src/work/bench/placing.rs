//! Which slot, plugs and transceivers a card gets: good ones, and none that another card keeps while it waits.

use std::collections::BTreeSet;

use turnback_core::{
    bench::{
        findings::RestsOn,
        guilt::{Use, at_fault},
    },
    document::card_test::{CardTest, step::Step},
};

use super::seam::Bench;

/// Slots, plugs and transceivers that other cards keep while they wait for their turn or for hands.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub(super) struct Kept {
    slots: BTreeSet<String>,
    plugs: BTreeSet<String>,
    transceivers: BTreeSet<String>,
}

impl Kept {
    /// What these cards keep.
    pub(super) fn by<'a>(tests: impl Iterator<Item = &'a CardTest>) -> Self {
        let mut kept = Self::default();
        for test in tests {
            kept.slots.insert(test.slot.clone());
            kept.plugs.extend(test.plugs.iter().flatten().cloned());
            kept.transceivers.extend(test.transceivers.iter().flatten().cloned());
        }
        kept
    }

    /// Nothing is kept.
    pub(super) fn is_empty(&self) -> bool {
        self.slots.is_empty() && self.plugs.is_empty() && self.transceivers.is_empty()
    }

    /// Another card has the slot, a plug or a transceiver of this one.
    pub(super) fn has_part_of(&self, test: &CardTest) -> bool {
        self.slots.contains(&test.slot)
            || test.plugs.iter().flatten().any(|plug| self.plugs.contains(plug))
            || test.transceivers.iter().flatten().any(|label| self.transceivers.contains(label))
    }
}

/// Gives a card good plugs, its own transceiver where another card keeps the one it had, and a good slot where
/// the bench says which card goes where (`tells_slot`).
///
/// # Errors
/// What is missing: `slot` or `plug`.
pub(super) fn place(
    bench: &dyn Bench,
    test: &mut CardTest,
    history: &[Use],
    kept: &Kept,
    tells_slot: bool,
) -> Result<(), &'static str> {
    let (bad_slots, bad_plugs) = (at_fault(history, RestsOn::Slot), at_fault(history, RestsOn::Plug));
    let mut slot = test.slot.clone();
    if !test.is_reference && (test.slot.is_empty() || (tells_slot && kept.slots.contains(&test.slot))) {
        // Cards go through all slots in turn, as on a bench where several are at work.
        let slots = bench.slots();
        let good: Vec<&String> =
            slots.iter().filter(|slot| !bad_slots.contains(*slot) && !kept.slots.contains(*slot)).collect();
        let used = history.iter().filter(|use_| use_.on == RestsOn::Slot).map(|use_| &use_.card);
        let turn = used.collect::<BTreeSet<_>>().len();
        slot = (*good.get(turn % good.len().max(1)).ok_or("slot")?).clone();
    }
    let plugs = bench.plugs(&slot, test.card.ports.len());
    let mut good = plugs.into_iter().filter(|plug| !bad_plugs.contains(plug) && !kept.plugs.contains(plug));
    let plugs: Option<Vec<Option<String>>> = test.card.ports.iter().map(|_| good.next().map(Some)).collect();
    (test.plugs, test.slot) = (plugs.ok_or("plug")?, slot);
    for (label, own) in test.transceivers.iter_mut().zip(test.card.transceivers()) {
        if label.as_ref().is_some_and(|label| kept.transceivers.contains(label)) {
            *label = own;
        }
    }
    Ok(())
}

/// The plug, transceiver or slot that a step needs, if the bench has a good one that nobody keeps.
pub(super) fn offered(bench: &dyn Bench, test: &CardTest, step: &Step, others: &[Use], kept: &Kept) -> Option<String> {
    let history: Vec<Use> = others.iter().cloned().chain(test.uses()).collect();
    let none = Vec::new();
    let (on, not, there_are, own, kept) = match step {
        Step::OtherPlug { not, .. } => {
            let plugs = bench.plugs(&test.slot, test.card.ports.len());
            (RestsOn::Plug, not, plugs, &test.plugs, &kept.plugs)
        }
        Step::OtherTransceiver { not, .. } => {
            (RestsOn::Transceiver, not, bench.transceivers(), &test.transceivers, &kept.transceivers)
        }
        Step::OtherSlot { not, .. } => (RestsOn::Slot, not, bench.slots(), &none, &kept.slots),
        _ => return None,
    };
    let bad = at_fault(&history, on);
    let is_own = |thing: &String| own.iter().flatten().any(|own| own == thing);
    let is_free =
        |thing: &String| !bad.contains(thing) && !not.contains(thing) && !is_own(thing) && !kept.contains(thing);
    there_are.into_iter().find(is_free)
}

/// Another card was tested with plugs or transceivers of this one since: they are no longer in its ports.
pub(super) fn others_used_parts(test: &CardTest, others: &[Use]) -> bool {
    let since = test.attempts.last().map_or(i64::MAX, |attempt| attempt.began_ms);
    let is_in = |labels: &[Option<String>], thing: &String| labels.iter().flatten().any(|label| label == thing);
    let is_own = |other: &&Use| match other.on {
        RestsOn::Plug => is_in(&test.plugs, &other.thing),
        RestsOn::Transceiver => is_in(&test.transceivers, &other.thing),
        RestsOn::Slot | RestsOn::Card => false,
    };
    others.iter().filter(|other| other.at_ms > since).any(|other| is_own(&other))
}

#[cfg(test)]
mod tests {
    use turnback_core::bench::{
        attempt::Attempt,
        procedure::TestName,
        sim::{SimulatedBench, builtin},
    };

    use super::*;
    use crate::work::bench::testing::card_test;

    #[test]
    fn parts_that_another_card_had_since_are_asked_for_again() {
        let plugs = vec![Some("P-1".into()), None];
        let began = |began_ms| Attempt::begun(TestName::Links, "slot-1".into(), plugs.clone(), began_ms);
        let used = |thing: &str, at_ms, on| Use {
            thing: thing.into(),
            on,
            card: "other".into(),
            is_reference: false,
            port: Some(1),
            with: None,
            test: TestName::Links,
            at_ms,
            passed: true,
            measured: String::new(),
            slower: Default::default(),
        };
        let mut test = card_test("quay-01");
        test.plugs = vec![Some("P-1".into()), None];
        assert!(!others_used_parts(&test, &[used("P-1", 5, RestsOn::Plug)]), "nothing was fitted yet");
        test.attempts = vec![began(10)];
        assert!(others_used_parts(&test, &[used("P-2", 11, RestsOn::Plug), used("P-1", 11, RestsOn::Plug)]));
        for other in [used("P-1", 10, RestsOn::Plug), used("P-2", 11, RestsOn::Plug), used("P-1", 11, RestsOn::Slot)] {
            assert!(!others_used_parts(&test, std::slice::from_ref(&other)), "{other:?}");
        }
    }

    #[test]
    fn a_card_gets_no_slot_and_no_plug_that_a_waiting_card_keeps() {
        // slot-1 to slot-3, and the plugs P-1 to P-4.
        let mut rig = builtin("bench").unwrap();
        rig.plugs.truncate(4);
        let bench = SimulatedBench::new(rig, 1);
        let plugs = |labels: [&str; 2]| labels.map(|label| Some(label.to_owned())).to_vec();
        let mut waiting = card_test("quay-01");
        waiting.plugs = plugs(["P-1", "P-3"]);
        let kept = Kept::by([&waiting].into_iter());
        let mut next = card_test("quay-02");
        next.slot = String::new();
        place(&bench, &mut next, &[], &kept, true).unwrap();
        assert_eq!((next.slot.as_str(), &next.plugs), ("slot-2", &plugs(["P-2", "P-4"])));
        let both = Kept::by([&waiting, &next].into_iter());
        let mut third = card_test("quay-03");
        assert_eq!(place(&bench, &mut third, &[], &both, true), Err("plug"), "all four are in use");
        assert!(both.has_part_of(&waiting) && !Kept::default().has_part_of(&waiting));
        // What an exchange needs is not taken out of another card either.
        let step = Step::OtherPlug { test: TestName::Links, port: 1, not: vec!["P-1".into()] };
        assert_eq!(offered(&bench, &waiting, &step, &[], &Kept::by([&next].into_iter())), None);
        assert_eq!(offered(&bench, &waiting, &step, &[], &Kept::default()), Some("P-2".into()));
        // Where a card is already in its slot, that slot stays its own.
        let mut seated = card_test("quay-04");
        place(&bench, &mut seated, &[], &kept, false).unwrap();
        assert_eq!(seated.slot, "slot-1");
    }
}
