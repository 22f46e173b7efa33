//! Cards tested side by side: a burn-in takes hours, and none of them needs a hand. Each card is led to its burn-in
//! first; then those of all cards that this computer carries at once are made together.

use turnback_core::{
    bench::{findings::findings, procedure::TestName},
    document::{
        Document, DocumentKind,
        card_test::{CardTest, settle::BenchKnows, step::Step},
    },
    judge::RuleId,
};

use super::{
    BenchRunner, Led,
    attempts::{finish, keep},
};
use crate::work::bench::{
    BenchError,
    asking::{Ask, Say},
    seam::{Came, Measured, Order},
};

impl BenchRunner<'_> {
    /// Whether a card waits for others before this step, to be tested beside them.
    pub(super) fn goes_aside(&self, test: &CardTest, step: &Step) -> bool {
        *step == Step::Test { test: TestName::BurnIn }
            && test.lot.is_some()
            && !self.was_aside.contains(&test.test)
            && !was_slower(test)
    }

    /// A card test as the records have it, else as it was.
    pub(super) fn as_recorded(&self, test: CardTest) -> Result<CardTest, BenchError> {
        match self.archive.get(DocumentKind::CardTest, &test.test) {
            Ok(Document::CardTest(stored)) => Ok(*stored),
            _ => Ok(test),
        }
    }

    /// Tests the cards that wait for each other, as many at a time as this computer carries, and leads each on.
    pub(super) fn together(&mut self, ask: Ask<'_>, say: Say<'_>) -> Result<Led, BenchError> {
        let mut ready = Vec::new();
        for mut test in std::mem::take(&mut self.aside) {
            // Meanwhile it may have been pulled, or its plugs used elsewhere.
            if !self.find(&mut test, say)? {
                continue;
            }
            let knows = self.knows(&test)?;
            // Where nothing was tested yet, somebody has just fitted it.
            let asked = if test.attempts.is_empty() { None } else { self.fit(&mut test, &knows, ask)? };
            match asked {
                None => ready.push((test, knows)),
                Some(Led::Left) => return Ok(Led::Left),
                Some(_) => {}
            }
        }
        while !ready.is_empty() && !self.cancel.is_cancelled() {
            let tests: Vec<CardTest> = ready.iter().map(|(test, _)| test.clone()).collect();
            let reference = self.reference.clone();
            let orders: Vec<Order<'_>> = tests.iter().map(|test| order(test, 1, reference.as_ref())).collect();
            let count = if orders.len() > 1 { self.bench.together(&orders, &self.cancel)? } else { 1 };
            let rest = ready.split_off(count.clamp(1, ready.len()));
            let group = std::mem::replace(&mut ready, rest);
            if self.cancel.is_cancelled() {
                break;
            }
            self.test_group(group, ask, say)?;
            if self.takes_turns() {
                break;
            }
        }
        Ok(if self.cancel.is_cancelled() { Led::Left } else { Led::ToItsEnd })
    }

    fn test_group(
        &mut self,
        mut group: Vec<(CardTest, BenchKnows)>,
        ask: Ask<'_>,
        say: Say<'_>,
    ) -> Result<(), BenchError> {
        let mut numbers = Vec::new();
        for (test, knows) in &mut group {
            numbers.push(self.begin(test, TestName::BurnIn, knows, say)?);
        }
        let tests: Vec<CardTest> = group.iter().map(|(test, _)| test.clone()).collect();
        let reference = self.reference.clone();
        let of = |(test, attempt)| order(test, attempt, reference.as_ref());
        let orders: Vec<Order<'_>> = tests.iter().zip(numbers).map(of).collect();
        let (archive, are_several) = (&mut *self.archive, group.len() > 1);
        let mut each = |at: usize, came: Came| {
            let (test, knows) = &mut group[at];
            let came = if are_several { unless_slower(test, came) } else { came };
            finish(archive, test, came, knows, say)?;
            // A card that others slowed down was not touched.
            if was_slower(test)
                && let Some(last) = test.attempts.last()
            {
                test.plugs.clone_from(&last.plugs);
                keep(archive, test, knows)?;
            }
            Ok(())
        };
        self.bench.measure_together(&orders, &mut each, &self.cancel)?;
        for (test, _) in group {
            self.took.note(&test);
            // In turns, every card is looked at again first.
            if !self.takes_turns() && !self.cancel.is_cancelled() {
                self.lead(test, ask, say)?;
            }
        }
        Ok(())
    }
}

fn order<'a>(test: &'a CardTest, attempt: u64, reference: Option<&'a CardTest>) -> Order<'a> {
    Order { test, name: TestName::BurnIn, attempt, reference, sticker: None, lights: &[] }
}

/// What came of a test beside others. That a card was slow there may be due to them: it is tested alone then.
fn unless_slower(test: &CardTest, came: Came) -> Came {
    let is_slower = |measured: &Measured| {
        let found = findings(&measured.facts, &test.procedure, &test.card, &test.claim);
        found.iter().any(|finding| !finding.met && matches!(finding.rule, RuleId::CardSlow | RuleId::CardSlows))
    };
    match came {
        Came::Measured(measured) if is_slower(&measured) => Came::CutOff(SLOWER.to_owned()),
        other => other,
    }
}

/// The last burn-in of the card was beside others, and it was slow.
fn was_slower(test: &CardTest) -> bool {
    let last = test.attempts.iter().rfind(|attempt| attempt.test == TestName::BurnIn);
    last.is_some_and(|attempt| attempt.cut_off.as_deref() == Some(SLOWER))
}

/// Kept in the records: it says that the next burn-in is made alone.
const SLOWER: &str = "it was slow beside other cards, so its burn-in is made again alone";
