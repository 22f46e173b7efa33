//! The bench beside the agent's other work: which cards it leaves alone, and when a test may begin.
//!
//! A card test moves as many frames as this computer can, so that no run is on at the same time. They take turns: a
//! test waits for the runs that are on, and after it the runs that are due begin first. A test of hours goes on by
//! itself (`apart`) and keeps its turn; what would disturb it waits.

use std::{sync::Arc, thread, time::Duration};

use turnback_core::document::card_test::CardTest;

use super::{
    apart::Apart,
    pace::{carry_out, end_turn},
};
use crate::{
    config::BenchConfig,
    daemon::{
        host::this_machine::cpu_used,
        status::{Shared, Status, Turn},
    },
    engine::cancel::Cancel,
    ports::{cards::SOLDERED_IN, locate::Blinking},
    work::bench::{
        BenchError,
        seam::{Bench, Came, Disturbs, Each, Order, Place, Present},
    },
};

/// A bench that leaves alone what is not its own, and waits for its turn.
pub struct Room<'a> {
    /// The bench.
    pub bench: &'a mut dyn Bench,
    /// What the agent knows.
    pub shared: Arc<Shared>,
    /// What the bench is told.
    pub config: &'a BenchConfig,
    /// How many seconds of a simulated bench pass in one; none: its tests take no time.
    pub speed: Option<f64>,
    /// Is told when a test really begins, and how long it takes where that is known, seconds.
    pub begins: &'a dyn Fn(&Order<'_>, Option<f64>),
    /// The tests that go on by themselves.
    pub apart: &'a mut Option<Apart>,
}

impl Room<'_> {
    fn is_simulated(&self) -> bool {
        self.config.rig.is_some()
    }

    /// Why the agent keeps the bench from a card.
    fn taken(&self, present: &Present) -> Vec<String> {
        if self.is_simulated() {
            return Vec::new();
        }
        let status = self.shared.status();
        present
            .card
            .ports
            .iter()
            .filter_map(|port| Some(format!("{}: {}", port.name, taken(&status, &port.name)?)))
            .collect()
    }

    /// Waits until no run is on. False: the bench ends first.
    fn wait_for_turn(&self, card: &str, cancel: &Cancel) -> bool {
        if self.is_simulated() {
            return true;
        }
        while !cancel.is_cancelled() {
            if self.shared.status().give_turn(card) {
                return true;
            }
            self.shared.wake.notify_one();
            thread::sleep(POLL);
        }
        self.shared.status().end_turn();
        false
    }

    /// Does something with the bench while no run is on. None: the bench ends first.
    fn in_turn<T>(
        &mut self,
        orders: &[Order<'_>],
        cancel: &Cancel,
        work: impl FnOnce(&mut dyn Bench) -> Result<T, BenchError>,
    ) -> Option<Result<T, BenchError>> {
        // What goes on by itself has the turn, and what disturbs nothing needs none.
        if self.apart.is_some() {
            return Some(work(self.bench));
        }
        let cards: Vec<&str> = orders.iter().map(|order| order.test.label.as_str()).collect();
        if !self.wait_for_turn(&cards.join(", "), cancel) {
            return None;
        }
        let before = cpu_used();
        let done = work(self.bench);
        end_turn(&self.shared, before);
        Some(done)
    }

    /// How many seconds of the bench pass in one, if it is simulated and its tests take time.
    fn pace(&self) -> Option<f64> {
        self.speed.filter(|_| self.is_simulated())
    }
}

/// Whether cards in this slot are the bench's.
pub fn is_of_bench(config: &BenchConfig, slot: &str) -> bool {
    match config.slots.is_empty() {
        true => !slot.starts_with(SOLDERED_IN),
        false => config.slots.iter().any(|known| known == slot),
    }
}

/// Why the agent keeps the bench from a port.
fn taken(status: &Status, port: &str) -> Option<String> {
    let watched = status.ports.get(port)?;
    if let Some(round) = watched.rounds.first().and_then(|number| status.config.rounds.get(*number)) {
        return Some(format!("round {} watches it; the ports of a card to be tested are in no round", round.name));
    }
    let diagnosis = watched.memory.diagnosis.as_ref()?;
    Some(format!("case {} is open on it", diagnosis.case))
}

impl Bench for Room<'_> {
    fn cards(&mut self) -> Result<Vec<Present>, BenchError> {
        let mut cards = self.bench.cards()?;
        cards.retain(|present| present.slot.as_ref().is_none_or(|slot| is_of_bench(self.config, slot)));
        for present in &mut cards {
            present.why_not.extend(self.taken(present));
        }
        let mut slots = self.slots();
        slots.extend(cards.iter().filter_map(|present| present.slot.clone()));
        slots.extend(self.config.slots.iter().cloned());
        slots.sort();
        slots.dedup();
        let mut inner = self.shared.bench.inner();
        (inner.present, inner.slots) = (cards.clone(), slots);
        drop(inner);
        Ok(cards)
    }

    fn reference(&mut self) -> Result<Option<Present>, BenchError> {
        let Some(present) = self.bench.reference()? else { return Ok(None) };
        let taken = self.taken(&present);
        if taken.is_empty() {
            return Ok(Some(present));
        }
        let card = self.config.reference.clone().unwrap_or_default();
        Err(BenchError::NotTestable { card, why: taken.join("; ") })
    }

    fn place_of(&mut self, test: &CardTest) -> Result<Place, BenchError> {
        self.bench.place_of(test)
    }

    fn slots(&self) -> Vec<String> {
        let mut slots = self.bench.slots();
        slots.retain(|slot| self.config.slots.is_empty() || self.config.slots.contains(slot));
        slots
    }

    fn plugs(&self, slot: &str, ports: usize) -> Vec<String> {
        self.bench.plugs(slot, ports)
    }

    fn transceivers(&self) -> Vec<String> {
        self.bench.transceivers()
    }

    fn transceivers_in(&mut self, test: &CardTest) -> Vec<Option<String>> {
        self.bench.transceivers_in(test)
    }

    fn reads_transceivers(&self) -> bool {
        self.bench.reads_transceivers()
    }

    fn disturbs(&self, what: Disturbs) -> Option<String> {
        let apart = self.apart.as_ref()?;
        match what {
            Disturbs::Test(name) if name.is_quiet() => None,
            Disturbs::Test(name) => Some(format!("{}, and {} would disturb it", apart.in_words(), name.name())),
            Disturbs::Off => Some(format!("{}, and the computer stays on until it has ended", apart.in_words())),
        }
    }

    fn begin_apart(&mut self, orders: &[Order<'_>], cancel: &Cancel) -> Result<bool, BenchError> {
        let Some(second) = self.bench.second() else { return Ok(false) };
        let cards: Vec<&str> = orders.iter().map(|order| order.test.label.as_str()).collect();
        if !self.wait_for_turn(&cards.join(", "), cancel) {
            return Ok(false);
        }
        orders.iter().for_each(|order| (self.begins)(order, None));
        *self.apart = Apart::begin(second, orders, self.pace(), &self.shared, cancel);
        Ok(self.apart.is_some())
    }

    fn is_looked_at(&self) -> bool {
        // Where nobody is asked, nobody looks.
        self.config.ask && self.bench.is_looked_at()
    }

    fn blink(&mut self, test: &CardTest, port: u32) -> Option<Blinking> {
        let blinks = self.shared.bench.lights().remove(&test.test);
        let same = blinks.filter(|(lit, _)| *lit == port).map(|(_, blinking)| blinking);
        same.or_else(|| self.bench.blink(test, port))
    }

    fn blink_on(&mut self, test: &CardTest, port: u32, blinking: Blinking) {
        self.shared.bench.lights().insert(test.test.clone(), (port, blinking));
    }

    fn neighbours(&self, slot: &str) -> Vec<(String, String)> {
        self.bench.neighbours(slot)
    }

    fn together(&mut self, orders: &[Order<'_>], cancel: &Cancel) -> Result<usize, BenchError> {
        let done = self.in_turn(orders, cancel, |bench| bench.together(orders, cancel));
        done.unwrap_or(Ok(1))
    }

    fn measure_together(&mut self, orders: &[Order<'_>], each: Each<'_>, cancel: &Cancel) -> Result<(), BenchError> {
        let (pace, begins) = (self.pace(), self.begins);
        let done = self.in_turn(orders, cancel, |bench| {
            orders.iter().for_each(|order| begins(order, None));
            carry_out(bench, orders, pace, &mut *each, cancel, &|order, takes_s| begins(order, Some(takes_s)))
        });
        if let Some(done) = done {
            return done;
        }
        for at in 0..orders.len() {
            each(at, Came::Ended)?;
        }
        Ok(())
    }

    fn measure(&mut self, order: &Order<'_>, cancel: &Cancel) -> Result<Came, BenchError> {
        let mut ended = Came::Ended;
        let mut each = |_, came| {
            ended = came;
            Ok(())
        };
        self.measure_together(std::slice::from_ref(order), &mut each, cancel)?;
        Ok(ended)
    }
}

impl Status {
    /// Gives the bench its turn for a test of this card, if no run is on, and those that waited during its last turn
    /// had the chance to begin. Once they had, no other run begins before the bench.
    pub fn give_turn(&mut self, card: &str) -> bool {
        // The round that was on when the last turn ended may have looked before that.
        if self.went_round < self.turn_ended.saturating_add(2) {
            return false;
        }
        let is_free = self.busy().next().is_none();
        let card = card.to_owned();
        self.turn = Some(if is_free { Turn::Tests(card) } else { Turn::Waits(card) });
        is_free
    }

    /// Ends the bench's turn.
    pub fn end_turn(&mut self) {
        self.turn = None;
        self.turn_ended = self.went_round;
    }
}

const POLL: Duration = Duration::from_millis(50);

#[cfg(test)]
mod tests {
    use super::*;
    use crate::{archive::memory::Memory, config::Config, daemon::status::Watched};

    #[test]
    fn the_bench_waits_for_the_runs_that_are_on_and_lets_others_begin_between_its_turns() {
        let shared = Shared::new(Config::parse("none", "").unwrap(), Box::new(Memory::default()), || {
            jiff::Timestamp::UNIX_EPOCH
        });
        let mut status = shared.status();
        status.went_round = 2;
        assert!(status.give_turn("quay-01"));
        assert_eq!(status.turn, Some(Turn::Tests("quay-01".into())));
        status.end_turn();
        // Whatever was due meanwhile has its chance: the supervisor goes round.
        assert!(!status.give_turn("quay-01") && status.turn.is_none());
        status.went_round += 1;
        assert!(!status.give_turn("quay-01"), "this round may have begun before the turn ended");
        status.went_round += 1;
        assert!(status.give_turn("quay-01"));
    }

    #[test]
    fn a_port_of_a_round_or_under_diagnosis_is_not_the_benchs() {
        let text = "[[round]]\nname = 'night'\nselect = [{ name = 'quay0' }]\nschedule = '30 2 * * *'\n";
        let shared = Shared::new(Config::parse("none", text).unwrap(), Box::new(Memory::default()), || {
            jiff::Timestamp::UNIX_EPOCH
        });
        let mut status = shared.status();
        status.ports.insert("quay0".into(), Watched { rounds: vec![0], ..Watched::default() });
        let mut diagnosed = Watched::default();
        diagnosed.memory.diagnosis = Some(turnback_core::watch::care::Diagnosis {
            case: "c1".into(),
            by: "desk".into(),
            since_ms: 1,
            touched_ms: 1,
        });
        status.ports.insert("quay1".into(), diagnosed);
        status.ports.insert("quay2".into(), Watched::default());
        assert!(taken(&status, "quay0").unwrap().contains("round night"));
        assert!(taken(&status, "quay1").unwrap().contains("case c1"));
        assert_eq!(taken(&status, "quay2"), None);
        assert_eq!(taken(&status, "new0"), None, "a port that was not listed yet is in no round");
    }
}
