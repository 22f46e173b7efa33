//! The bench as it is shown: what is in each slot, and how far the lot is.

use turnback_core::{
    bench::procedure::TestName,
    document::card_test::{CardTest, Grade},
};

use super::{cards::Cards, state::Inner};
use crate::{
    daemon::agent::{BenchView, CardLine, LotView, SlotState, SlotView, Testing},
    show::bench::decision,
    work::bench::{
        expected::{Expected, Took},
        seam::REFERENCE_SLOT,
    },
};

/// The bench as it is shown.
pub fn view(recorded: &Cards, inner: &Inner) -> BenchView {
    let of_reference = recorded.reference.as_ref().map(|test| slot_of(&test.slot, Some(test), inner));
    let slots =
        inner.slots.iter().map(|slot| match inner.present.iter().find(|card| card.slot.as_ref() == Some(slot)) {
            Some(present) => {
                // Two cards may bear one identity: the slot tells which is which.
                let own = |test: &&CardTest| test.card.is(&present.card) && test.slot == *slot;
                let shown = slot_of(slot, recorded.tests.iter().find(own), inner);
                let kind = shown.kind.clone().or_else(|| Some(present.card.words()));
                match present.why_not.is_empty() || shown.state == SlotState::Testing {
                    true => SlotView { kind, ..shown },
                    false => SlotView { state: SlotState::LeftAlone, why: present.why_not.join("; "), kind, ..shown },
                }
            }
            None => slot_of(slot, card_told_to(slot, &recorded.tests, inner), inner),
        });
    BenchView {
        bench: recorded.bench.clone(),
        lot: Some(lot_view(recorded)),
        slots: slots.chain(of_reference).collect(),
        trouble: inner.trouble.clone(),
    }
}

/// The card of a bench that tells its cards into which slot they go: the one that is in the slot now, else the last one
/// that was.
fn card_told_to<'a>(slot: &str, tests: &'a [CardTest], inner: &Inner) -> Option<&'a CardTest> {
    // A card that is there has its slot by itself.
    if inner.present.iter().any(|card| card.slot.is_some()) {
        return None;
    }
    let here = || tests.iter().filter(|test| test.slot == slot && !test.plugs.is_empty());
    let is_in_it = |test: &&CardTest| test.next.is_some() && !inner.kept.left.contains_key(&test.test);
    here().find(is_in_it).or_else(|| here().max_by(|a, b| a.changed_at.cmp(&b.changed_at)))
}

fn slot_of(slot: &str, test: Option<&CardTest>, inner: &Inner) -> SlotView {
    let Some(test) = test else { return SlotView { slot: slot.to_owned(), ..SlotView::default() } };
    let testing = inner.testing.get(&test.label).cloned();
    let hands = inner.asked.get(&test.test).map(|asked| asked.hands.clone());
    let waits = inner.waits.iter().find(|waits| waits.card == test.label);
    let (state, why) = match test.grade {
        _ if testing.is_some() => (SlotState::Testing, String::new()),
        _ if hands.is_some() => (SlotState::Hands, String::new()),
        _ if inner.kept.left.contains_key(&test.test) => {
            (SlotState::Left, "nobody could do what was asked for".to_owned())
        }
        Grade::Unfinished if waits.is_some() => (SlotState::Waits, waits.map_or(String::new(), |w| w.why.clone())),
        Grade::Unfinished if test.next.is_none() => (SlotState::Unfinished, test.why()),
        Grade::Unfinished => (SlotState::Waits, "its turn comes".to_owned()),
        Grade::Accepted => (SlotState::Graded, String::new()),
        Grade::Limited | Grade::Rejected => (SlotState::Graded, test.why()),
    };
    SlotView {
        slot: if test.is_reference { REFERENCE_SLOT.to_owned() } else { slot.to_owned() },
        state,
        card: Some(test.label.clone()),
        kind: Some(test.card.words()),
        is_reference: test.is_reference,
        testing,
        done: test.done(),
        grade: Some(test.grade).filter(|grade| *grade != Grade::Unfinished),
        until_ms: waits.filter(|waits| state == SlotState::Waits && waits.is_for_apart).and(inner.apart_until_ms()),
        why,
        hands,
    }
}

fn lot_view(recorded: &Cards) -> LotView {
    // As it stands with these cards: it is summed up on record a moment later.
    let mut lot = recorded.lot.clone();
    lot.settle(&recorded.tests, recorded.reference.as_slice());
    let [accepted, limited, rejected, unfinished] = Grade::ALL.map(|grade| lot.summary.graded(grade));
    let mut newest: Vec<&CardTest> = recorded.tests.iter().collect();
    newest.sort_by(|a, b| b.changed_at.cmp(&a.changed_at));
    LotView {
        label: lot.label.clone(),
        procedure: lot.procedure.name.clone(),
        to_test: lot.summary.to_test,
        tested: accepted + limited + rejected,
        accepted,
        limited,
        rejected,
        unfinished,
        decided: decision(&lot).to_owned(),
        cards: newest
            .into_iter()
            .map(|test| CardLine { card: test.label.clone(), grade: test.grade, why: told(test) })
            .collect(),
    }
}

fn told(test: &CardTest) -> String {
    if test.grade == Grade::Accepted { String::new() } else { test.why() }
}

/// A test that begins at a time in ms since 1970 UTC. `others` are tests of other cards, which say how long it takes;
/// `speed` says how many seconds of the bench pass in one.
pub fn testing(test: &CardTest, name: TestName, others: &[CardTest], began_ms: i64, speed: f64) -> Testing {
    let Expected { number, of, takes_s, then_s } = Took::of(others.iter().chain([test])).expected(test, name);
    let takes_s = takes_s.map(|takes_s| takes_s / speed);
    Testing { test: name, number, of, began_ms, takes_s, then_s: then_s / speed }
}

#[cfg(test)]
mod tests {
    use turnback_core::{
        bench::{attempt::Attempt, facts::Facts, sim::builtin},
        document::lot::Lot,
    };

    use super::*;
    use crate::{
        archive::memory::Memory,
        work::bench::{lot, runner::Waits, seam::Present},
    };

    fn lot_and_cards() -> (Lot, Vec<CardTest>) {
        let rig = builtin("bench-good").unwrap();
        let lot = lot::of_bench(&mut Memory::default(), Some(&rig), None).unwrap();
        let card = |number: usize, slot: &str| {
            let card = rig.card(&rig.cards[number - 1].serial);
            CardTest {
                test: format!("t{number}"),
                slot: slot.to_owned(),
                plugs: vec![Some("P-1".into()), Some("P-2".into())],
                ..CardTest::of(format!("quay-0{number}"), card, lot.claim.clone(), lot.procedure.clone())
            }
        };
        let mut tests = vec![card(1, "slot-1"), card(2, "slot-2"), card(3, "slot-1")];
        for test in &mut tests {
            test.settle(&Default::default());
            test.changed_at = format!("2026-11-29T10:0{}:00+00:00", test.test.trim_start_matches('t'));
        }
        (lot, tests)
    }

    fn inner() -> Inner {
        let mut inner = Inner::default();
        inner.slots = ["slot-1", "slot-2", "slot-3"].map(str::to_owned).to_vec();
        inner
    }

    #[test]
    fn each_slot_shows_its_own_card_and_an_empty_one_none() {
        let (lot, mut tests) = lot_and_cards();
        (tests[0].grade, tests[0].next) = (Grade::Rejected, None);
        let mut inner = inner();
        let seen = |tests: &[CardTest], inner: &Inner| {
            let recorded = Cards { bench: "b".into(), lot: lot.clone(), tests: tests.to_vec(), reference: None };
            let view = view(&recorded, inner);
            let slots = view.slots.iter().map(|slot| (slot.card.clone().unwrap_or_default(), slot.state));
            (slots.collect::<Vec<_>>(), view.lot.unwrap())
        };
        // Cards that go where they are told: the one under test stands before the one that was graded there.
        let why = "every good plug is in use".into();
        inner.waits = vec![Waits { card: "quay-03".into(), why, is_for_apart: false }];
        let (slots, summed) = seen(&tests, &inner);
        let expected = [("quay-03", SlotState::Waits), ("quay-02", SlotState::Waits), ("", SlotState::Empty)];
        assert_eq!(slots, expected.map(|(card, state)| (card.to_owned(), state)));
        assert_eq!((summed.tested, summed.rejected, summed.unfinished), (1, 1, 2));
        assert_eq!(summed.cards[0].card, "quay-03", "the newest first");
        // Cards that are in their slots: one that was pulled is not shown as if it were there.
        let present = |test: &CardTest, why_not: &[&str]| Present {
            card: test.card.clone(),
            slot: Some(test.slot.clone()),
            number: None,
            names: Vec::new(),
            why_not: why_not.iter().map(|why| (*why).to_owned()).collect(),
        };
        inner.present = vec![present(&tests[0], &[]), present(&tests[1], &["quay1: in service"])];
        let (slots, _) = seen(&tests, &inner);
        let expected = [("quay-01", SlotState::Graded), ("quay-02", SlotState::LeftAlone), ("", SlotState::Empty)];
        assert_eq!(slots, expected.map(|(card, state)| (card.to_owned(), state)));
        inner.kept.left.insert("t2".into(), "quay-02".into());
        inner.present[1].why_not.clear();
        assert_eq!(seen(&tests, &inner).0[1].1, SlotState::Left);
    }

    #[test]
    fn a_test_takes_as_long_as_it_took_last_and_else_as_the_procedure_says() {
        let (_, mut tests) = lot_and_cards();
        let (head, rest) = tests.split_at_mut(1);
        let others = |took_s: f64, began_ms| Attempt {
            test: TestName::Load,
            slot: "slot-1".into(),
            plugs: Vec::new(),
            transceivers: Vec::new(),
            began_ms,
            took_s,
            facts: Some(Facts::Identity { sticker: None }),
            findings: Vec::new(),
            bus_errors: None,
            cut_off: None,
        };
        let load = head[0].procedure.load.clone().unwrap().time.as_secs_f64();
        let of = |others: &[CardTest]| testing(&head[0], TestName::Load, others, 5, 2.0);
        assert_eq!(of(rest).takes_s, Some(load / 2.0));
        rest[0].attempts = vec![others(90.0, 2)];
        rest[1].attempts = vec![others(70.0, 1)];
        let seen = of(rest);
        assert_eq!((seen.takes_s, seen.began_ms), (Some(45.0), 5));
        let names = head[0].procedure.tests();
        assert_eq!(seen.of as usize, names.len());
        assert_eq!(names[seen.number as usize - 1], TestName::Load);
    }
}
