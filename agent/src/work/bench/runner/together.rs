//! Cards tested side by side. A card whose next test needs no hands waits for the others; then that test is made on as
//! many of them at once as it allows (see [`SideBySide`]), and each is led on.

use turnback_core::{
    bench::procedure::{SideBySide, TestName},
    document::{
        Document, DocumentKind,
        card_test::{CardTest, step::Step},
    },
};

use super::{
    BenchRunner, Led, Until,
    attempts::finish,
    beside::{is_to_be_alone, unless_due_to_others},
};
use crate::work::bench::{
    BenchError,
    asking::{Ask, BenchEvent, Say},
    seam::{Came, Order},
};

impl BenchRunner<'_> {
    /// Whether a card waits for others before this step, to be tested beside them.
    pub(super) fn goes_aside(&self, test: &CardTest, step: &Step) -> bool {
        let Step::Test { test: name } = step else { return false };
        test.lot.is_some() && name.side_by_side() != SideBySide::One && !is_to_be_alone(test, *name)
    }

    /// A card test as the records have it, else as it was.
    pub(super) fn as_recorded(&self, test: CardTest) -> Result<CardTest, BenchError> {
        match self.archive.get(DocumentKind::CardTest, &test.test) {
            Ok(Document::CardTest(stored)) => Ok(*stored),
            _ => Ok(test),
        }
    }

    /// Tests the cards that wait for each other, the earliest test first, and leads each on. In turns one test is made.
    pub(super) fn together(&mut self, until: Until, ask: Ask<'_>, say: Say<'_>) -> Result<Led, BenchError> {
        // What they need others have still.
        let mut later: Vec<CardTest> = Vec::new();
        loop {
            if self.cancel.is_cancelled() {
                return Ok(Led::Left);
            }
            let Some(name) = self.aside.iter().filter_map(next_test).min() else {
                if later.is_empty() {
                    return Ok(Led::ToItsEnd);
                }
                let test = later.remove(0);
                let test = self.as_recorded(test)?;
                if self.lead(test, ask, say)? == Led::Left {
                    return Ok(Led::Left);
                }
                continue;
            };
            let tested = match self.test_group(name, ask, say)? {
                Some(tested) => tested,
                None => return Ok(Led::Left),
            };
            let mut one_ended = false;
            for test in tested {
                // The others keep what they have until it is their turn.
                self.aside.retain(|other| other.test != test.test);
                if self.cancel.is_cancelled() {
                    return Ok(Led::Left);
                }
                if test.next.is_none() {
                    say(BenchEvent::Graded { card: test.label.clone(), grade: test.grade });
                    one_ended = true;
                    continue;
                }
                if self.takes_turns() {
                    continue;
                }
                match self.lead(test.clone(), ask, say)? {
                    Led::Left => return Ok(Led::Left),
                    Led::ForNow => later.push(test),
                    Led::ToItsEnd => one_ended = true,
                    Led::Aside => {}
                }
            }
            let makes_room = one_ended && until == Until::OneEnds && later.is_empty();
            if self.takes_turns() || makes_room {
                return Ok(Led::ToItsEnd);
            }
        }
    }

    /// Makes this test on as many of the cards that wait for it as it allows; these cards, without those that cannot be
    /// tested now. None: the person goes on another time.
    fn test_group(&mut self, name: TestName, ask: Ask<'_>, say: Say<'_>) -> Result<Option<Vec<CardTest>>, BenchError> {
        let mut group = Vec::new();
        let waiting: Vec<CardTest> = self.aside.iter().filter(|test| next_test(test) == Some(name)).cloned().collect();
        for mut test in waiting {
            // Meanwhile it may have been pulled, or its plugs used elsewhere.
            let is_there = self.find(&mut test, say)?;
            let knows = self.knows(&test)?;
            // Where nothing was tested yet, somebody has just fitted it.
            let asked = if !is_there || test.attempts.is_empty() { None } else { self.fit(&mut test, &knows, ask)? };
            match asked {
                None if is_there => group.push((test, knows)),
                Some(Led::Left) => return Ok(None),
                _ => self.aside.retain(|other| other.test != test.test),
            }
        }
        let reference = self.reference.clone();
        if group.len() > 1 {
            let orders: Vec<Order<'_>> =
                group.iter().map(|(test, _)| order(test, name, 1, reference.as_ref())).collect();
            let count = self.bench.together(&orders, &self.cancel)?;
            group.truncate(count.max(1));
        }
        if group.is_empty() || self.cancel.is_cancelled() {
            return Ok(Some(Vec::new()));
        }
        let mut numbers = Vec::new();
        for (test, knows) in &mut group {
            test.transceivers = self.bench.transceivers_in(test);
            numbers.push(self.begin(test, name, knows, say)?);
        }
        let tests: Vec<CardTest> = group.iter().map(|(test, _)| test.clone()).collect();
        let of = |(test, number)| order(test, name, number, reference.as_ref());
        let orders: Vec<Order<'_>> = tests.iter().zip(numbers).map(of).collect();
        if name.goes_on_by_itself() && self.bench.begin_apart(&orders, &self.cancel)? {
            self.aside.retain(|other| group.iter().all(|(test, _)| test.test != other.test));
            return Ok(Some(Vec::new()));
        }
        let (archive, are_several) = (&mut *self.archive, group.len() > 1);
        let mut is_cut_off = vec![true; group.len()];
        let mut each = |at: usize, came: Came| {
            let (test, knows) = &mut group[at];
            let came = if are_several { unless_due_to_others(test, came) } else { came };
            let is_repeated = matches!(came, Came::Repeat(_));
            is_cut_off[at] = !finish(archive, test, came, knows, say)? && !is_repeated;
            Ok(())
        };
        self.bench.measure_together(&orders, &mut each, &self.cancel)?;
        let mut tested = Vec::new();
        for ((test, _), is_cut_off) in group.into_iter().zip(is_cut_off) {
            self.took.note(&test);
            match is_cut_off {
                true => self.aside.retain(|other| other.test != test.test),
                false => tested.push(test),
            }
        }
        Ok(Some(tested))
    }
}

fn order<'a>(test: &'a CardTest, name: TestName, attempt: u64, reference: Option<&'a CardTest>) -> Order<'a> {
    Order { test, name, attempt, reference, sticker: None, lights: &[] }
}

/// The test that a card comes to next, if nothing is moved before it.
fn next_test(test: &CardTest) -> Option<TestName> {
    match test.next {
        Some(Step::Test { test }) => Some(test),
        _ => None,
    }
}
