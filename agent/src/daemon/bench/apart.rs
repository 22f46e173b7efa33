//! Tests of hours that go on by themselves, on a thread of their own: meanwhile the bench looks for cards, asks for
//! hands, takes answers, and makes the tests that do not disturb them.

use std::{
    collections::BTreeSet,
    sync::{
        Arc,
        mpsc::{Receiver, channel},
    },
    thread::{self, JoinHandle},
};

use turnback_core::{bench::procedure::TestName, document::card_test::CardTest};

use super::pace::{carry_out, end_turn};
use crate::{
    daemon::{host::this_machine::cpu_used, status::Shared},
    engine::cancel::Cancel,
    work::bench::{
        BenchError,
        seam::{Bench, Came, Order},
    },
};

/// Tests of one name that go on by themselves, each of another card.
#[derive(Debug)]
pub struct Apart {
    name: TestName,
    /// Id of each card test, its label, and whether its test is still on.
    tests: Vec<(String, String, bool)>,
    came: Receiver<(usize, Came)>,
    thread: Option<JoinHandle<Result<(), BenchError>>>,
}

/// What a thread needs to carry out a test.
struct Owned {
    test: CardTest,
    name: TestName,
    attempt: u64,
    reference: Option<CardTest>,
}

impl Apart {
    /// Begins these tests, whose turn it is. `speed` is that of a simulated bench.
    pub fn begin(
        mut bench: Box<dyn Bench + Send>,
        orders: &[Order<'_>],
        speed: Option<f64>,
        shared: &Arc<Shared>,
        cancel: &Cancel,
    ) -> Option<Self> {
        let owned = |order: &Order<'_>| Owned {
            test: order.test.clone(),
            name: order.name,
            attempt: order.attempt,
            reference: order.reference.cloned(),
        };
        let all: Vec<Owned> = orders.iter().map(owned).collect();
        let tests = all.iter().map(|owned| (owned.test.test.clone(), owned.test.label.clone(), true)).collect();
        let (name, (send, came)) = (orders.first()?.name, channel());
        let (shared, cancel) = (Arc::clone(shared), cancel.clone());
        let thread = thread::spawn(move || {
            let before = cpu_used();
            let orders: Vec<Order<'_>> = all.iter().map(Owned::order).collect();
            let mut each = |at, came| {
                // Whoever waits for it is gone then, and the test is made again.
                let _ = send.send((at, came));
                shared.bench.ring();
                Ok(())
            };
            let done = carry_out(&mut *bench, &orders, speed, &mut each, &cancel, &|order, takes_s| {
                if let Some(testing) = shared.bench.inner().testing.get_mut(&order.test.label) {
                    testing.takes_s = Some(takes_s / speed.unwrap_or(1.0));
                }
            });
            end_turn(&shared, before);
            drop(send);
            shared.bench.ring();
            done
        });
        Some(Self { name, tests, came, thread: Some(thread) })
    }

    /// What has come since this was asked last, each with the id of its card test.
    ///
    /// # Errors
    /// Why the tests could not be carried out, once nothing more comes.
    pub fn ended(&mut self) -> Result<Vec<(String, Came)>, BenchError> {
        let mut all = Vec::new();
        let is_over = self.thread.as_ref().is_none_or(JoinHandle::is_finished);
        for (at, came) in self.came.try_iter() {
            self.tests[at].2 = false;
            all.push((self.tests[at].0.clone(), came));
        }
        if is_over && all.is_empty() {
            self.tests.iter_mut().for_each(|(.., is_on)| *is_on = false);
            self.join()?;
        }
        Ok(all)
    }

    /// Waits for all of them to end.
    ///
    /// # Errors
    /// As for [`Apart::ended`].
    pub fn join(&mut self) -> Result<(), BenchError> {
        let Some(thread) = self.thread.take() else { return Ok(()) };
        thread.join().unwrap_or_else(|panic| std::panic::resume_unwind(panic))
    }

    /// Nothing is on, and nothing more comes.
    pub fn is_over(&self) -> bool {
        self.thread.is_none()
    }

    /// They are on beside each other.
    pub fn are_several(&self) -> bool {
        self.tests.len() > 1
    }

    /// Ids of the card tests whose test is on.
    pub fn ids(&self) -> BTreeSet<String> {
        self.on().map(|(id, ..)| id.clone()).collect()
    }

    /// Labels of the cards whose test is on.
    pub fn labels(&self) -> BTreeSet<String> {
        self.on().map(|(_, label, _)| label.clone()).collect()
    }

    fn on(&self) -> impl Iterator<Item = &(String, String, bool)> {
        self.tests.iter().filter(|(.., is_on)| *is_on)
    }

    /// What is on, in words.
    pub fn in_words(&self) -> String {
        let labels: Vec<String> = self.labels().into_iter().collect();
        match labels.as_slice() {
            [] => format!("the {} ends in a moment", self.name.name()),
            labels => format!("the {} of {} is on", self.name.name(), labels.join(", ")),
        }
    }
}

impl Owned {
    fn order(&self) -> Order<'_> {
        let (test, reference) = (&self.test, self.reference.as_ref());
        Order { test, name: self.name, attempt: self.attempt, reference, sticker: None, lights: &[] }
    }
}
