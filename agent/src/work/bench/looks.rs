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
        hands: format!("scan or type the address on the sticker of {}; Enter if it has none", test.named()),
        why: "a card that bears another card's address is found by its sticker".to_owned(),
        is_off: false,
        cautions: Vec::new(),
    };
    ask(Request { hands: &hands, occasion: Occasion::Sticker, test })
}

/// What came of looking at the lights of a card.
pub(super) enum Looked {
    /// This was seen, or nobody looked.
    Seen(Vec<LightFacts>),
    /// Nobody has answered yet.
    Later,
    /// Another time.
    Leave,
}

/// Lets the light of each port blink and asks which one that is, where the test is about that.
pub(super) fn lights(
    bench: &mut dyn Bench,
    test: &CardTest,
    name: TestName,
    ask: Ask<'_>,
) -> Result<Looked, BenchError> {
    let mut lights = Vec::new();
    if name != TestName::Light || !bench.is_looked_at() {
        return Ok(Looked::Seen(lights));
    }
    // Nobody can tell from the order which port it is.
    let all = test.card.ports.len() as u32;
    let first = test.test.bytes().map(u32::from).sum::<u32>() % all.max(1);
    for port in (0..all).map(|n| (first + n) % all + 1) {
        let Some(blinking) = bench.blink(test, port) else {
            lights.push(LightFacts { port, seen: LightSeen::CannotBlink });
            continue;
        };
        match seen(test, port, ask)? {
            Wish::Leave => return Ok(Looked::Leave),
            Wish::Later => {
                bench.blink_on(test, port, blinking);
                return Ok(Looked::Later);
            }
            Wish::Read(text) => {
                let seen = text.parse().map_or(LightSeen::Dark, LightSeen::At);
                lights.push(LightFacts { port, seen });
            }
            // Whoever cannot see one sees none: no other blinks for nobody.
            Wish::Go | Wish::Nobody => break,
        }
    }
    let not_asked = (1..=all).filter(|port| lights.iter().all(|light| light.port != *port)).collect::<Vec<_>>();
    lights.extend(not_asked.into_iter().map(|port| LightFacts { port, seen: LightSeen::NotLookedAt }));
    lights.sort_by_key(|light| light.port);
    Ok(Looked::Seen(lights))
}

/// What a person says of a light that blinks.
///
/// What is not as it should be is looked at twice: a slip of a finger is no fault of a card.
fn seen(test: &CardTest, port: u32, ask: Ask<'_>) -> Result<Wish, BenchError> {
    let mut ask = |again| ask(Request { hands: &look(test, again), occasion: Occasion::Light(port), test });
    match ask(false)? {
        Wish::Read(text) if text != port.to_string() => ask(true),
        other => Ok(other),
    }
}

#[cfg(test)]
mod tests {
    use turnback_core::bench::sim::SimulatedBench;

    use super::*;
    use crate::{
        engine::cancel::Cancel,
        ports::locate::Blinking,
        work::bench::{
            seam::{Came, Order, Place, Present},
            testing::card_test,
        },
    };

    #[test]
    fn a_light_is_looked_at_again_before_it_counts_against_a_card() {
        let told = |answers: &[Wish]| {
            let mut answers = answers.iter().cloned();
            let mut ask = |_: Request<'_>| Ok(answers.next().expect("not asked so often"));
            let seen = seen(&card_test("quay-01"), 2, &mut ask).unwrap();
            (seen, answers.count())
        };
        let read = |text: &str| Wish::Read(text.into());
        assert_eq!(told(&[read("2")]), (read("2"), 0));
        assert_eq!(told(&[read("1"), read("2")]), (read("2"), 0), "a slip");
        assert_eq!(told(&[read("none"), read("none")]), (read("none"), 0));
        assert_eq!(told(&[read("2"), read("1"), Wish::Nobody]), (read("2"), 2));
        assert_eq!(told(&[read("none"), Wish::Nobody]), (Wish::Nobody, 0));
        assert_eq!(told(&[Wish::Leave]), (Wish::Leave, 0));
    }

    /// A bench whose lights blink; it notes which.
    struct Lit {
        bench: SimulatedBench,
        is_looked_at: bool,
        blinked: Vec<u32>,
        blinks_on: Option<u32>,
    }

    impl Bench for Lit {
        fn cards(&mut self) -> Result<Vec<Present>, BenchError> {
            Bench::cards(&mut self.bench)
        }
        fn reference(&mut self) -> Result<Option<Present>, BenchError> {
            Bench::reference(&mut self.bench)
        }
        fn place_of(&mut self, test: &CardTest) -> Result<Place, BenchError> {
            Bench::place_of(&mut self.bench, test)
        }
        fn slots(&self) -> Vec<String> {
            Bench::slots(&self.bench)
        }
        fn plugs(&self, slot: &str, ports: usize) -> Vec<String> {
            Bench::plugs(&self.bench, slot, ports)
        }
        fn is_looked_at(&self) -> bool {
            self.is_looked_at
        }
        fn blink(&mut self, _: &CardTest, port: u32) -> Option<Blinking> {
            self.blinked.push(port);
            Some(Blinking::for_a_test())
        }
        fn blink_on(&mut self, _: &CardTest, port: u32, _: Blinking) {
            self.blinks_on = Some(port);
        }
        fn measure(&mut self, order: &Order<'_>, cancel: &Cancel) -> Result<Came, BenchError> {
            Bench::measure(&mut self.bench, order, cancel)
        }
    }

    /// Ports that blinked, what they were seen to do, and the one that blinks until somebody answers.
    fn looked(is_looked_at: bool, answers: &[Wish]) -> (Vec<u32>, Vec<LightSeen>, Option<u32>) {
        let rig = turnback_core::bench::sim::builtin("bench").unwrap();
        let bench = SimulatedBench::new(rig, 7);
        let mut lit = Lit { bench, is_looked_at, blinked: Vec::new(), blinks_on: None };
        let mut answers = answers.iter().cloned();
        let mut ask = |_: Request<'_>| Ok(answers.next().expect("not asked so often"));
        let seen = match lights(&mut lit, &card_test("quay-01"), TestName::Light, &mut ask).unwrap() {
            Looked::Seen(lights) => lights.into_iter().map(|light| light.seen).collect(),
            Looked::Later | Looked::Leave => Vec::new(),
        };
        (lit.blinked, seen, lit.blinks_on)
    }

    #[test]
    fn no_light_blinks_for_nobody_and_one_that_somebody_is_asked_for_blinks_on() {
        assert_eq!(looked(false, &[]), (vec![], vec![], None), "where nobody is asked");
        let read = |port: u32| Wish::Read(port.to_string());
        let (blinked, seen, on) = looked(true, &[Wish::Nobody]);
        assert_eq!((blinked.len(), seen, on), (1, vec![LightSeen::NotLookedAt; 2], None));
        let (blinked, seen, on) = looked(true, &[Wish::Later]);
        assert_eq!((on, seen), (blinked.first().copied(), vec![]));
        let (first, second) = (blinked[0], 3 - blinked[0]);
        let (_, seen, on) = looked(true, &[read(first), Wish::Later]);
        assert_eq!((on, seen), (Some(second), vec![]));
        let (_, seen, on) = looked(true, &[read(first), read(second)]);
        assert_eq!((seen, on), (vec![LightSeen::At(1), LightSeen::At(2)], None));
    }
}
