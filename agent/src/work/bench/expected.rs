//! How long a test takes at about: as long as it took last, else what its procedure says.

use std::collections::BTreeMap;

use serde::Serialize;
use turnback_core::{
    bench::procedure::{Procedure, TestName},
    document::card_test::CardTest,
    kind::ethernet::link::FALLBACK_MBPS,
};

/// What is expected of a test that begins.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize)]
pub struct Expected {
    /// Its number in the procedure, from 1.
    pub number: u32,
    /// How many tests the procedure has.
    pub of: u32,
    /// How long it takes, seconds; none where nobody knows yet.
    pub takes_s: Option<f64>,
    /// How long the tests after it take, seconds.
    pub then_s: f64,
}

/// When each test was done last, milliseconds since 1970 UTC, and how long it took, seconds.
#[derive(Clone, Debug, Default)]
pub struct Took(BTreeMap<TestName, (i64, f64)>);

impl Took {
    /// How long the tests of these cards took.
    pub fn of<'a>(tests: impl IntoIterator<Item = &'a CardTest>) -> Self {
        let mut took = Self::default();
        tests.into_iter().for_each(|test| took.note(test));
        took
    }

    /// Takes over how long the tests of a card took.
    pub fn note(&mut self, test: &CardTest) {
        for attempt in test.attempts.iter().filter(|attempt| attempt.is_done() && attempt.took_s > 0.0) {
            let known = self.0.entry(attempt.test).or_insert((i64::MIN, 0.0));
            if known.0 <= attempt.began_ms {
                *known = (attempt.began_ms, attempt.took_s);
            }
        }
    }

    /// What is expected of a test of this card.
    pub fn expected(&self, test: &CardTest, name: TestName) -> Expected {
        let tests = test.procedure.tests();
        let at = tests.iter().position(|known| *known == name).unwrap_or_default();
        let takes_s = |name: TestName| {
            let last = self.0.get(&name).map(|(_, took_s)| *took_s);
            last.or_else(|| planned_s(&test.procedure, name, test.card.ports.len()))
        };
        Expected {
            number: at as u32 + 1,
            of: tests.len() as u32,
            takes_s: takes_s(name),
            then_s: tests.iter().skip(at + 1).filter_map(|later| takes_s(*later)).sum(),
        }
    }
}

fn planned_s(procedure: &Procedure, name: TestName, ports: usize) -> Option<f64> {
    Some(match name {
        TestName::Links => {
            let links = procedure.links.as_ref()?;
            let slower = if procedure.tests_each_speed() { FALLBACK_MBPS.len() } else { 0 };
            ports as f64 * (f64::from(links.rounds) * (links.hold.as_secs_f64() + LINK_S) + slower as f64 * LINK_S)
        }
        TestName::Load => procedure.load.as_ref()?.time.as_secs_f64(),
        TestName::Bus => procedure.bus.as_ref()?.watch.as_secs_f64(),
        TestName::BurnIn => {
            let burn_in = procedure.burn_in.as_ref()?;
            f64::from(burn_in.rounds) * burn_in.round.as_secs_f64()
        }
        _ => return None,
    })
}

/// A link comes within some seconds (common practice, no source).
const LINK_S: f64 = 3.0;
