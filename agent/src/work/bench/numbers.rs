//! Numbers of the cards of a lot: a card that the lot knows keeps its own, another one gets the first that is free.

use std::collections::BTreeSet;

use turnback_core::document::{card_test::CardTest, lot::Lot};

use super::seam::Present;

/// The cards that are there, each with its number where the lot knows it, or the bench numbers it.
pub(super) fn recognised(lot: &Lot, present: Vec<Present>, known: &[CardTest]) -> Vec<(Option<u32>, Present)> {
    let mut taken: BTreeSet<u32> = BTreeSet::new();
    let mut all: Vec<(Option<u32>, Present)> = present.into_iter().map(|present| (present.number, present)).collect();
    // Two cards with one address and no serial number look like one: the slot tells which was which.
    for same_slot in [true, false] {
        for (number, present) in all.iter_mut().filter(|(number, _)| number.is_none()) {
            let is_it = |test: &&CardTest| {
                test.card.is(&present.card) && (!same_slot || present.slot.as_ref() == Some(&test.slot))
            };
            *number = known.iter().filter(is_it).filter_map(number_of).find(|number| !taken.contains(number));
            taken.extend(*number);
        }
    }
    all.retain(|(number, _)| number.is_none_or(|number| lot.tests(number) && number <= lot.quantity));
    all
}

/// Gives each card that has no number yet the first one that is free. The second list holds the cards for which the lot
/// has no number left.
pub(super) fn numbered(
    lot: &Lot,
    cards: Vec<(Option<u32>, Present)>,
    known: &[CardTest],
) -> (Vec<(u32, Present)>, Vec<Present>) {
    let taken: BTreeSet<u32> = known.iter().filter_map(number_of).chain(cards.iter().filter_map(|c| c.0)).collect();
    let mut free = (1..=lot.quantity).filter(|number| lot.tests(*number) && !taken.contains(number));
    let (mut all, mut too_many) = (Vec::new(), Vec::new());
    for (number, present) in cards {
        match number.or_else(|| free.next()) {
            Some(number) => all.push((number, present)),
            None => too_many.push(present),
        }
    }
    (all, too_many)
}

fn number_of(test: &CardTest) -> Option<u32> {
    test.label.rsplit('-').next()?.parse().ok()
}

#[cfg(test)]
mod tests {
    use turnback_core::bench::procedure::Procedure;

    use super::*;
    use crate::{
        archive::memory::Memory,
        work::bench::{
            lot::{Opening, open},
            testing::card_test,
        },
    };

    fn lot(quantity: u32) -> Lot {
        let opening = Opening {
            label: "quay".into(),
            source: String::new(),
            claim: Default::default(),
            quantity,
            procedure: Procedure::named("intake").unwrap(),
            sampling: None,
        };
        open(&mut Memory::default(), opening).unwrap()
    }

    /// A card without a serial number, as many are.
    fn present(address: &str, slot: &str) -> Present {
        let mut card = card_test("").card;
        card.serial = None;
        card.ports.truncate(1);
        card.ports[0].permanent_address = Some(address.into());
        Present { card, slot: Some(slot.into()), number: None, names: Vec::new(), why_not: Vec::new() }
    }

    fn known(label: &str, present: &Present) -> CardTest {
        CardTest { card: present.card.clone(), slot: present.slot.clone().unwrap(), ..card_test(label) }
    }

    #[test]
    fn a_known_card_keeps_its_number_and_a_new_one_gets_the_first_that_is_free() {
        let (a, b, c) = (
            present("00:00:5e:00:53:01", "s1"),
            present("00:00:5e:00:53:02", "s2"),
            present("00:00:5e:00:53:03", "s3"),
        );
        let tested = [known("quay-01", &b), known("quay-03", &present("00:00:5e:00:53:09", "s9"))];
        // `b` was moved since.
        let there = vec![a.clone(), Present { slot: Some("s7".into()), ..b.clone() }, c.clone()];
        let found = recognised(&lot(4), there, &tested);
        assert_eq!(found.iter().map(|(number, _)| *number).collect::<Vec<_>>(), [None, Some(1), None]);
        let all = |quantity| {
            let (all, too_many) = numbered(&lot(quantity), found.clone(), &tested);
            let slots: Vec<_> = too_many.into_iter().filter_map(|present| present.slot).collect();
            (all.iter().map(|(number, _)| *number).collect::<Vec<_>>(), slots)
        };
        assert_eq!(all(4), (vec![2, 1, 4], vec![]));
        assert_eq!(all(3), (vec![2, 1], vec!["s3".to_owned()]), "the lot holds no more");
    }

    #[test]
    fn twins_are_told_by_their_slots() {
        let (a, b) = (present("00:00:5e:00:53:01", "s1"), present("00:00:5e:00:53:01", "s2"));
        let tested = [known("quay-01", &b), known("quay-02", &a)];
        let numbers = |there: Vec<Present>, tested: &[CardTest]| {
            let found = recognised(&lot(4), there, tested);
            found.iter().map(|(number, _)| *number).collect::<Vec<_>>()
        };
        assert_eq!(numbers(vec![a.clone(), b.clone()], &tested), [Some(2), Some(1)]);
        assert_eq!(numbers(vec![a, b], &tested[..1]), [None, Some(1)], "one of them is new");
    }
}
