//! What a person looks at: the sticker of a card, and the lights of its ports.

use turnback_core::{
    bench::{
        facts::{LightFacts, LightSeen},
        procedure::TestName,
    },
    document::card_test::{CardTest, step::Hands},
};

use super::{
    BenchError,
    asking::{Ask, Request, Wish},
    hands::look,
    seam::{Bench, Occasion},
};

/// What a person saw of a card.
#[derive(Clone, Copy, Default)]
pub(super) struct Seen<'a> {
    /// The address on its sticker.
    pub sticker: Option<&'a str>,
    /// Its lights.
    pub lights: &'a [LightFacts],
}

/// Asks for the address on the sticker, where the test is about that.
pub(super) fn sticker(bench: &dyn Bench, test: &CardTest, name: TestName, ask: Ask<'_>) -> Result<Wish, BenchError> {
    let is_asked = test.procedure.identity.as_ref().is_some_and(|limits| limits.ask_for_sticker);
    if name != TestName::Identity || !is_asked || !bench.is_looked_at() {
        return Ok(Wish::Nobody);
    }
    let hands = Hands {
        hands: format!("scan or type the address on the sticker of card {}; Enter if it has none", test.label),
        why: "a card that bears another card's address is found by its sticker".to_owned(),
        cautions: Vec::new(),
    };
    ask(Request { hands: &hands, occasion: Occasion::Sticker, test })
}

/// Lets the light of each port blink and asks which one that is, where the test is about that. None: another time.
pub(super) fn lights(
    bench: &mut dyn Bench,
    test: &CardTest,
    name: TestName,
    ask: Ask<'_>,
) -> Result<Option<Vec<LightFacts>>, BenchError> {
    let mut lights = Vec::new();
    if name != TestName::Light || !bench.is_looked_at() {
        return Ok(Some(lights));
    }
    // Nobody can tell from the order which port it is.
    let all = test.card.ports.len() as u32;
    let first = test.test.bytes().map(u32::from).sum::<u32>() % all.max(1);
    for port in (0..all).map(|n| (first + n) % all + 1) {
        let Some(blinking) = bench.blink(test, port) else {
            lights.push(LightFacts { port, seen: LightSeen::CannotBlink });
            continue;
        };
        let Some(seen) = seen(test, port, ask)? else { return Ok(None) };
        drop(blinking);
        lights.push(LightFacts { port, seen });
    }
    lights.sort_by_key(|light| light.port);
    Ok(Some(lights))
}

/// What a person sees of a light that blinks. None: another time.
///
/// What is not as it should be is looked at twice: a slip of a finger is no fault of a card.
fn seen(test: &CardTest, port: u32, ask: Ask<'_>) -> Result<Option<LightSeen>, BenchError> {
    let mut seen = LightSeen::NotLookedAt;
    for again in [false, true] {
        seen = match ask(Request { hands: &look(test, again), occasion: Occasion::Light, test })? {
            Wish::Leave => return Ok(None),
            // A light blinks only while somebody is asked.
            Wish::Later => LightSeen::NotLookedAt,
            Wish::Read(text) => text.parse().map_or(LightSeen::Dark, LightSeen::At),
            Wish::Go | Wish::Nobody => LightSeen::NotLookedAt,
        };
        if matches!(seen, LightSeen::NotLookedAt) || seen == LightSeen::At(port) {
            break;
        }
    }
    Ok(Some(seen))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::work::bench::testing::card_test;

    #[test]
    fn a_light_is_looked_at_again_before_it_counts_against_a_card() {
        let told = |answers: &[Wish]| {
            let mut answers = answers.iter().cloned();
            let mut ask = |_: Request<'_>| Ok(answers.next().expect("not asked so often"));
            let seen = seen(&card_test("quay-01"), 2, &mut ask).unwrap();
            (seen, answers.count())
        };
        let read = |text: &str| Wish::Read(text.into());
        assert_eq!(told(&[read("2")]), (Some(LightSeen::At(2)), 0));
        assert_eq!(told(&[read("1"), read("2")]), (Some(LightSeen::At(2)), 0), "a slip");
        assert_eq!(told(&[read("none"), read("none")]), (Some(LightSeen::Dark), 0));
        assert_eq!(told(&[read("2"), read("1"), Wish::Nobody]), (Some(LightSeen::At(2)), 2));
        assert_eq!(told(&[read("none"), Wish::Nobody]), (Some(LightSeen::NotLookedAt), 0));
        assert_eq!(told(&[Wish::Leave]), (None, 0));
    }
}
