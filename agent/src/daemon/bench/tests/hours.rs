//! A burn-in of hours, in virtual time: cards that come meanwhile are seen and asked for, and what would disturb it
//! waits.

use std::{
    sync::{Condvar, Mutex, MutexGuard},
    time::Duration,
};

use turnback_core::{
    bench::{
        procedure::{Procedure, TestName},
        sim::{
            SimulatedBench, builtin,
            rig::{PlugSpec, SlotSpec},
        },
    },
    document::card_test::CardTest,
};

use super::*;
use crate::{
    daemon::agent::{SlotState, SlotView},
    engine::cancel::Cancel,
    work::bench::{
        lot::Opening,
        seam::{Came, Disturbs, Each, Place, Present},
    },
};

/// A clock that a test moves on. Whoever waits for a time waits for that.
#[derive(Clone, Debug, Default)]
struct Clock(Arc<(Mutex<f64>, Condvar)>);

impl Clock {
    fn now_s(&self) -> MutexGuard<'_, f64> {
        self.0.0.lock().unwrap()
    }

    fn move_on(&self, seconds: f64) {
        *self.now_s() += seconds;
        self.0.1.notify_all();
    }

    /// False: it is ended first.
    fn wait_until(&self, then_s: f64, cancel: &Cancel) -> bool {
        let mut now_s = self.now_s();
        while *now_s < then_s && !cancel.is_cancelled() {
            now_s = self.0.1.wait_timeout(now_s, Duration::from_millis(10)).unwrap().0;
        }
        *now_s >= then_s
    }
}

/// A simulated bench into which cards are put while it works, each into its own slot. Its burn-ins take their time.
#[derive(Clone)]
struct Timed {
    bench: SimulatedBench,
    clock: Clock,
    /// When each card comes, seconds.
    comes_s: Vec<f64>,
    /// When the burn-in that it carries out ends, seconds.
    ends_s: f64,
}

impl Timed {
    fn slot(&self, test: &CardTest) -> String {
        let serial = test.card.serial.as_deref().unwrap_or_default();
        serial.strip_prefix("HB-000").map_or("r".into(), |number| format!("slot-{number}"))
    }
}

impl Bench for Timed {
    fn cards(&mut self) -> Result<Vec<Present>, BenchError> {
        let now_s = *self.clock.now_s();
        let mut cards = Bench::cards(&mut self.bench)?;
        for (number, present) in (1..).zip(&mut cards) {
            present.slot = Some(format!("slot-{number}"));
        }
        let comes_s = self.comes_s.iter();
        Ok(cards.into_iter().zip(comes_s).filter(|(_, comes_s)| **comes_s <= now_s).map(|(card, _)| card).collect())
    }
    fn reference(&mut self) -> Result<Option<Present>, BenchError> {
        let present = Bench::reference(&mut self.bench)?;
        Ok(present.map(|present| Present { slot: Some("r".into()), ..present }))
    }
    fn place_of(&mut self, test: &CardTest) -> Result<Place, BenchError> {
        Ok(Place::In(self.slot(test)))
    }
    fn slots(&self) -> Vec<String> {
        Bench::slots(&self.bench)
    }
    fn plugs(&self, slot: &str, ports: usize) -> Vec<String> {
        Bench::plugs(&self.bench, slot, ports)
    }
    fn is_looked_at(&self) -> bool {
        true
    }
    fn second(&self) -> Option<Box<dyn Bench + Send>> {
        Some(Box::new(Self { ends_s: *self.clock.now_s() + HOURS_S, ..self.clone() }))
    }
    fn together(&mut self, orders: &[Order<'_>], cancel: &Cancel) -> Result<usize, BenchError> {
        self.bench.together(orders, cancel)
    }
    fn measure(&mut self, order: &Order<'_>, cancel: &Cancel) -> Result<Came, BenchError> {
        Bench::measure(&mut self.bench, order, cancel)
    }
    fn measure_together(&mut self, orders: &[Order<'_>], each: Each<'_>, cancel: &Cancel) -> Result<(), BenchError> {
        for (at, order) in orders.iter().enumerate() {
            let came = Bench::measure(&mut self.bench, order, cancel)?;
            let goes_on = order.name != TestName::BurnIn || self.clock.wait_until(self.ends_s, cancel);
            each(at, if goes_on { came } else { Came::Ended })?;
        }
        Ok(())
    }
}

/// Four rounds of an hour.
const HOURS_S: f64 = 4.0 * 3600.0;

struct Hours {
    shared: Arc<Shared>,
    bench: AtWork,
    clock: Clock,
}

impl Hours {
    /// Three cards, of which the third comes an hour after the bench was proved.
    fn new() -> Self {
        let shared = shared();
        let mut rig = builtin("bench-good").unwrap();
        rig.cards.truncate(3);
        rig.slots = (1..=3).map(|n| SlotSpec { label: format!("slot-{n}"), faults: vec![] }).collect();
        rig.plugs = (1..=7).map(|n| PlugSpec { label: format!("P-{n}"), matings: 0, faults: vec![] }).collect();
        let text =
            "name = 'hours'\n[identity]\nask_for_sticker = true\n[light]\n[links]\n[load]\n[burn-in]\nrounds = 4\n";
        let opening = Opening {
            label: "quay".into(),
            source: String::new(),
            claim: rig.claim.clone(),
            quantity: 3,
            procedure: Procedure::parse(text).unwrap(),
            sampling: None,
        };
        lot::open(&mut Records(Arc::clone(&shared.logbook)), opening).unwrap();
        let clock = Clock::default();
        let mut bench = at_work("sim:bench-good");
        bench.config.lot = Some("quay".into());
        let seed = rig.seed.into();
        let simulated = SimulatedBench::new(rig, seed);
        let comes_s = vec![0.0, 0.0, HOURS_S + 3600.0];
        bench.bench = Box::new(Timed { bench: simulated, clock: clock.clone(), comes_s, ends_s: 0.0 });
        Self { shared, bench, clock }
    }

    /// Works, and answers whatever is asked.
    fn go(&mut self) {
        for _ in 0..100 {
            super::go(&mut self.bench, &self.shared);
            let asked = asked(&self.shared);
            if asked.is_empty() {
                return;
            }
            asked.iter().for_each(|(_, _, request)| answer(&self.shared, request, BenchAnswer::Done));
        }
        panic!("it asks for ever");
    }

    /// Works until the tests that go on by themselves are those of these cards.
    fn go_until(&mut self, apart: &[&str]) {
        for _ in 0..1000 {
            self.go();
            if self.apart() == apart {
                return;
            }
            self.shared.bench.wait(Duration::from_millis(20));
        }
        panic!("it never comes to {apart:?}, but is at {:?}", self.apart());
    }

    fn apart(&self) -> Vec<String> {
        self.shared.bench.inner().apart.iter().cloned().collect()
    }

    fn tests(&self) -> Vec<CardTest> {
        lot::card_tests(&Records(Arc::clone(&self.shared.logbook)), "quay").unwrap()
    }

    /// Names of the tests of a card that were begun.
    fn begun(&self, label: &str) -> Vec<&'static str> {
        let test = self.tests().into_iter().find(|test| test.label == label);
        test.map_or(Vec::new(), |test| test.attempts.iter().map(|attempt| attempt.test.name()).collect())
    }

    fn slot(&self, slot: &str) -> SlotView {
        let view = self.shared.bench.inner().view.clone().unwrap();
        view.slots.into_iter().find(|shown| shown.slot == slot).unwrap()
    }
}

#[test]
fn a_card_that_comes_during_a_burn_in_is_seen_asked_for_and_waits_only_for_what_would_disturb_it() {
    let mut hours = Hours::new();
    // The reference card is burnt in first. Nothing is proved until then, and the cards come as far as they can.
    hours.go_until(&[REFERENCE_LABEL]);
    assert_eq!(hours.begun("quay-01"), ["identity", "light"]);
    hours.clock.move_on(HOURS_S);
    let two = ["quay-01", "quay-02"];
    hours.go_until(&two);
    let before = hours.slot("slot-1").testing.clone().unwrap();
    assert_eq!((before.test, before.takes_s), (TestName::BurnIn, Some(HOURS_S)));
    assert_eq!(hours.slot("slot-3").state, SlotState::Empty);

    hours.clock.move_on(3600.0);
    super::go(&mut hours.bench, &hours.shared);
    let asked_for: Vec<String> = asked(&hours.shared).into_iter().map(|(card, ..)| card).collect();
    assert_eq!(asked_for, ["quay-03"]);
    assert_eq!(hours.slot("slot-3").state, SlotState::Hands);
    let plugs = |label: &str| hours.tests().into_iter().find(|test| test.label == label).unwrap().plugs;
    let in_use: Vec<_> = two.iter().flat_map(|label| plugs(label)).collect();
    assert!(plugs("quay-03").iter().all(|plug| plug.is_some() && !in_use.contains(plug)), "{in_use:?}");
    hours.go();
    assert_eq!(hours.begun("quay-03"), ["identity", "light"]);
    let waits = hours.slot("slot-3");
    // Both began at once, but for the time it takes to begin one: it waits for the later.
    let began_ms =
        ["slot-1", "slot-2"].map(|slot| hours.slot(slot).testing.unwrap().began_ms).into_iter().max().unwrap();
    assert_eq!((waits.state, waits.until_ms), (SlotState::Waits, Some(began_ms + (HOURS_S * 1e3) as i64)));
    assert!(waits.why.contains("the burn-in of quay-01, quay-02 is on, and links would disturb it"), "{}", waits.why);
    // It is on still, and what it was found to be before is not forgotten.
    assert_eq!((hours.apart(), hours.slot("slot-1").testing), (two.map(str::to_owned).to_vec(), Some(before)));

    hours.clock.move_on(HOURS_S);
    hours.go_until(&["quay-03"]);
    let grades = |hours: &Hours| hours.tests().into_iter().map(|test| test.grade).collect::<Vec<_>>();
    assert_eq!(grades(&hours), [Grade::Accepted, Grade::Accepted, Grade::Unfinished]);
    hours.clock.move_on(HOURS_S);
    hours.go_until(&[]);
    assert_eq!(grades(&hours), [Grade::Accepted; 3]);
    // Each burn-in was made once, and the bench was proved for all of them.
    for test in hours.tests() {
        let times = test.attempts.iter().filter(|attempt| attempt.test == TestName::BurnIn).count();
        assert_eq!((times, test.proof.is_some()), (1, true), "{}", test.label);
    }
}

#[test]
fn a_burn_in_that_the_end_of_the_agent_cuts_off_is_recorded_as_that_and_made_again() {
    let mut hours = Hours::new();
    hours.go_until(&[REFERENCE_LABEL]);
    hours.clock.move_on(HOURS_S);
    hours.go_until(&["quay-01", "quay-02"]);
    hours.shared.bench.cancel.cancel();
    hours.bench.end(&hours.shared).unwrap();
    for test in &hours.tests()[..2] {
        let last = test.attempts.last().unwrap();
        assert_eq!((last.test, last.cut_off.as_deref()), (TestName::BurnIn, Some("ended by hand")));
        assert!(test.next.is_some() && test.grade == Grade::Unfinished);
    }
}

/// Whoever is to switch the computer off would end it.
#[test]
fn nobody_is_asked_to_switch_the_computer_off_while_a_burn_in_is_on() {
    let mut hours = Hours::new();
    hours.go_until(&[REFERENCE_LABEL]);
    let apart = &mut hours.bench.apart;
    let (config, shared) = (BenchConfig::of_rig("sim:bench-good"), Arc::clone(&hours.shared));
    let mut bench = SimulatedBench::new(builtin("bench-good").unwrap(), 1);
    let begins = |_: &Order<'_>, _: Option<f64>| {};
    let room = Room { bench: &mut bench, shared, config: &config, speed: None, begins: &begins, apart };
    assert!(room.disturbs(Disturbs::Off).unwrap().contains("the computer stays on"));
    assert_eq!(room.disturbs(Disturbs::Test(TestName::Light)), None);
    assert!(room.disturbs(Disturbs::Test(TestName::Transceiver)).is_some());
    hours.clock.move_on(HOURS_S);
}
