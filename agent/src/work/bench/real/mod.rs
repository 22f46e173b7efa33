//! This computer as a bench: its network cards are tested where they are.
//!
//! [`links`], [`offloads`], [`queues`] and [`load`] carry out tests on ports, [`halt`] says how one ends early. Every
//! setting that a test changes is noted first, as in a check, so that it is restored after a kill too.

mod each;
mod halt;
mod links;
mod load;
mod offloads;
mod queues;
mod ready;
mod together;

use std::time::{Duration, Instant};

use turnback_core::{
    bench::{
        card::{BusLink, Card},
        facts::{BusFacts, Facts, LINE_IS_LIMIT, LoadFacts},
        procedure::TestName,
        queues::excuse,
    },
    document::card_test::CardTest,
    kind::ethernet::counters::BusErrors,
};

use super::{
    data::data,
    error::BenchError,
    seam::{Bench, Came, Each, Order, Place, Present},
};
use crate::{
    engine::cancel::Cancel,
    ports::{
        cards::{BusCounts, CardEntry, CardPlace, ON_A_CABLE, SOLDERED_IN, cards, empty_slots, transceiver},
        locate::Blinking,
    },
};
use halt::Halt;

/// This computer and its cards.
#[derive(Clone, Debug)]
pub struct RealBench {
    /// Labels of its loopback plugs; empty: each port keeps one of its own.
    plugs: Vec<String>,
    /// A name of the reference card.
    reference: Option<String>,
    /// Somebody is there who is asked.
    is_looked_at: bool,
    /// As they were when they were listed last.
    found: Vec<(CardEntry, CardPlace)>,
}

impl RealBench {
    /// The bench with these plugs. `reference` is a name of its reference card: a port, slot, place or serial number.
    ///
    /// # Errors
    /// The cards cannot be listed, or none is the reference card.
    pub fn new(plugs: Vec<String>, reference: Option<String>) -> Result<Self, BenchError> {
        let mut bench = Self { plugs, reference, is_looked_at: true, found: Vec::new() };
        let known: Vec<String> = bench.list()?.iter().map(|(entry, _)| entry.slot.clone()).collect();
        let named = bench.reference.clone();
        match (named, bench.reference()?) {
            (Some(card), None) => Err(BenchError::NoReference { card, known: known.join(", ") }),
            _ => Ok(bench),
        }
    }

    /// The same, with or without somebody who is asked what is seen of its cards.
    pub fn looked_at(self, is_looked_at: bool) -> Self {
        Self { is_looked_at, ..self }
    }

    fn list(&mut self) -> Result<&[(CardEntry, CardPlace)], BenchError> {
        self.found = cards()?;
        Ok(&self.found)
    }

    fn is_reference(&self, entry: &CardEntry) -> bool {
        self.reference.as_ref().is_some_and(|name| names(entry).contains(name))
    }

    /// The card of a card test: the same, in its slot if there are several.
    fn of(&self, test: &CardTest) -> Option<&(CardEntry, CardPlace)> {
        let same = |(entry, _): &&(CardEntry, CardPlace)| entry.card.is(&test.card);
        let mut in_slot = self.found.iter().filter(same).filter(|(entry, _)| entry.slot == test.slot);
        in_slot.next().or_else(|| self.found.iter().find(same))
    }

    /// Ports and place of the card of an order, as the cards were listed last.
    fn seat(&self, order: &Order<'_>) -> Result<(Vec<String>, CardPlace), Halt> {
        let (entry, place) = self.of(order.test).cloned().ok_or_else(gone)?;
        if !entry.testable {
            return Err(Halt::CutOff(entry.why_not.join("; ")));
        }
        Ok((entry.card.ports.iter().map(|port| port.name.clone()).collect(), place))
    }

    fn facts(&self, order: &Order<'_>, cancel: &Cancel) -> Result<Came, Halt> {
        let (names, place) = self.seat(order)?;
        let before = place.bus_counts();
        let began = Instant::now();
        let came = self.carry_out(order, &names, &place, cancel);
        if !place.is_there() {
            return Err(gone());
        }
        let mut measured = match came? {
            Came::Measured(measured) => measured,
            other => return Ok(other),
        };
        measured.took_s = began.elapsed().as_secs_f64();
        measured.bus_errors = grown(before, place.bus_counts());
        if let Facts::Bus(bus) = &mut measured.facts {
            add_errors(bus, order.test, measured.bus_errors, measured.took_s);
        }
        Ok(Came::Measured(measured))
    }

    fn carry_out(&self, order: &Order<'_>, names: &[String], place: &CardPlace, cancel: &Cancel) -> Result<Came, Halt> {
        let procedure = &order.test.procedure;
        let facts = match order.name {
            TestName::Identity => Facts::Identity { sticker: order.sticker.map(str::to_owned) },
            TestName::Light => Facts::Light { ports: order.lights.to_vec() },
            TestName::SelfTest => excused(links::self_test(names, cancel)?, order),
            TestName::Links => {
                let limits = procedure.links.clone().unwrap_or_default();
                links::links(names, &limits, procedure.tests_each_speed(), cancel)?
            }
            TestName::Data => {
                return Ok(data(order, cancel, &|number, _| {
                    let seed = uuid::Uuid::now_v7().as_u64_pair().1;
                    Ok((ready::open(&names[number as usize - 1])?, seed))
                })?);
            }
            TestName::Offloads => {
                offloads::offloads(names, procedure.offloads.clone().unwrap_or_default().frames, cancel)?
            }
            TestName::Queues => {
                let flows = procedure.queues.clone().unwrap_or_default().flows;
                excused(queues::queues(names, flows, cancel)?, order)
            }
            TestName::Transceiver => links::transceivers(names, cancel)?,
            TestName::Load => {
                let time = procedure.load.clone().unwrap_or_default().time;
                Facts::Load(bench_limit(load::load(names, place, time, cancel)?, order))
            }
            TestName::Bus => {
                let watch = procedure.bus.clone().unwrap_or_default().watch;
                load::traffic(names, place, watch, cancel)?;
                let bus = place.bus();
                let none = BusLink::default();
                let (card, slot, agreed) = bus.map_or((none, none, none), |bus| (bus.card, bus.slot, bus.agreed));
                Facts::Bus(BusFacts { card, slot, agreed, ..BusFacts::default() })
            }
            TestName::BurnIn => {
                let limits = procedure.burn_in.clone().unwrap_or_default();
                let mut rounds = Vec::new();
                for _ in 0..limits.rounds {
                    rounds.push(bench_limit(load::load(names, place, limits.round, cancel)?, order));
                }
                Facts::BurnIn { rounds }
            }
        };
        Ok(Came::measured(facts, 0.0))
    }
}

impl Bench for RealBench {
    fn cards(&mut self) -> Result<Vec<Present>, BenchError> {
        self.list()?;
        let reference = self.found.iter().find(|(entry, _)| self.is_reference(entry)).map(|(entry, _)| &entry.card);
        let others = self.found.iter().filter(|(entry, _)| !self.is_reference(entry));
        Ok(others.map(|(entry, _)| without_shared_sum(present(entry), reference)).collect())
    }

    fn reference(&mut self) -> Result<Option<Present>, BenchError> {
        self.list()?;
        Ok(self.found.iter().find(|(entry, _)| self.is_reference(entry)).map(|(entry, _)| present(entry)))
    }

    fn place_of(&mut self, test: &CardTest) -> Result<Place, BenchError> {
        self.list()?;
        Ok(self.of(test).map_or(Place::Nowhere, |(entry, _)| Place::In(entry.slot.clone())))
    }

    fn slots(&self) -> Vec<String> {
        // Empty ones first. What is soldered in or hangs on a cable is no slot; that of the reference card is taken.
        let is_slot = |label: &str| !label.starts_with(SOLDERED_IN) && !label.starts_with(ON_A_CABLE);
        let others = self.found.iter().filter(|(entry, _)| is_slot(&entry.slot) && !self.is_reference(entry));
        empty_slots().into_iter().chain(others.map(|(entry, _)| entry.slot.clone())).collect()
    }

    fn plugs(&self, slot: &str, ports: usize) -> Vec<String> {
        if self.plugs.is_empty() {
            return (1..=ports).map(|port| format!("{slot}/{port}")).collect();
        }
        self.plugs.clone()
    }

    fn transceivers_in(&mut self, test: &CardTest) -> Vec<Option<String>> {
        let names: Vec<String> = self
            .of(test)
            .map_or(Vec::new(), |(entry, _)| entry.card.ports.iter().map(|port| port.name.clone()).collect());
        let read = |(label, name): (&Option<String>, &String)| transceiver(name).or(label.clone());
        // Where none can be taken out, nobody looks.
        if names.len() == test.transceivers.len() {
            test.transceivers.iter().zip(&names).map(read).collect()
        } else {
            test.transceivers.clone()
        }
    }

    fn reads_transceivers(&self) -> bool {
        true
    }

    fn is_looked_at(&self) -> bool {
        self.is_looked_at
    }

    fn blink(&mut self, test: &CardTest, port: u32) -> Option<Blinking> {
        let (entry, _) = self.of(test)?;
        let name = &entry.card.ports.get(port as usize - 1)?.name;
        Blinking::start(name).unwrap_or_else(|error| {
            tracing::warn!("{name}: its light cannot be blinked: {error}");
            None
        })
    }

    fn neighbours(&self, slot: &str) -> Vec<(String, String)> {
        let others = self.found.iter().filter(|(entry, _)| entry.slot != slot);
        others
            .flat_map(|(entry, _)| {
                entry.card.addresses().map(|address| (format!("the card in {}", entry.slot), address.to_owned()))
            })
            .collect()
    }

    fn measure(&mut self, order: &Order<'_>, cancel: &Cancel) -> Result<Came, BenchError> {
        self.list()?;
        came(self.facts(order, cancel), cancel)
    }

    fn second(&self) -> Option<Box<dyn Bench + Send>> {
        Some(Box::new(self.clone()))
    }

    fn together(&mut self, orders: &[Order<'_>], cancel: &Cancel) -> Result<usize, BenchError> {
        self.list()?;
        Ok(together::together(self, orders, cancel))
    }

    fn measure_together(&mut self, orders: &[Order<'_>], each: Each<'_>, cancel: &Cancel) -> Result<(), BenchError> {
        self.list()?;
        together::measure(self, orders, each, cancel)
    }
}

fn gone() -> Halt {
    Halt::CutOff("the card is gone".to_owned())
}

/// What a test comes to for the runner.
fn came(done: Result<Came, Halt>, cancel: &Cancel) -> Result<Came, BenchError> {
    match done {
        _ if cancel.is_cancelled() => Ok(Came::Ended),
        Ok(came) => Ok(came),
        Err(Halt::Ended) => Ok(Came::Ended),
        Err(Halt::CutOff(why)) => Ok(Came::CutOff(why)),
        Err(Halt::Failed(error)) => Err(error),
    }
}

fn present(entry: &CardEntry) -> Present {
    Present {
        card: entry.card.clone(),
        slot: Some(entry.slot.clone()),
        number: None,
        names: names(entry),
        why_not: entry.why_not.clone(),
    }
}

/// A wrong sum of a card's memory that the reference card of its kind has as well is how this kind is made.
fn without_shared_sum(mut present: Present, reference: Option<&Card>) -> Present {
    let is_wrong = |card: &Card| card.image.as_ref().is_some_and(|image| image.sum_right == Some(false));
    let same = |reference: &&Card| reference.is_kind_of(&present.card);
    if reference.filter(same).is_some_and(is_wrong)
        && let Some(image) = &mut present.card.image
    {
        image.sum_right = None;
    }
    present
}

/// What a person may call a card: its ports, slot, place or serial number.
pub fn names(entry: &CardEntry) -> Vec<String> {
    let ports = entry.card.ports.iter().map(|port| port.name.clone());
    ports.chain([entry.slot.clone(), entry.at.clone()]).chain(entry.card.serial.clone()).collect()
}

/// What the reference card fails of its own self-test, and on its queues, is the driver's or this computer's: it is
/// known to be good. So it is put neither on that card nor on others of the same kind.
fn excused(mut facts: Facts, order: &Order<'_>) -> Facts {
    let item_of = |name: &str| name.rsplit(": ").next().unwrap_or_default().to_owned();
    let same = |reference: &&CardTest| reference.card.is_kind_of(&order.test.card);
    let last = order.reference.filter(same).and_then(|test| test.last(order.name));
    let known = last.and_then(|attempt| attempt.facts.as_ref());
    match (&mut facts, known) {
        (Facts::SelfTest { items }, _) => {
            let failed: Vec<String> = match known {
                Some(Facts::SelfTest { items }) => {
                    items.iter().filter(|item| !item.passed).map(|item| item_of(&item.name)).collect()
                }
                _ => Vec::new(),
            };
            for item in items.iter_mut().filter(|item| !item.passed) {
                item.excused |= order.test.is_reference || failed.contains(&item_of(&item.name));
            }
        }
        (Facts::Queues { ports }, _) if order.test.is_reference => excuse(ports, None),
        (Facts::Queues { ports }, Some(Facts::Queues { ports: known })) => excuse(ports, Some(known)),
        _ => {}
    }
    facts
}

/// What this bench allows, by what its reference card reached: the same share of line and bus, and no more than it
/// moved. Without a reference card nobody knows, and the card is its own measure.
fn bench_limit(mut load: LoadFacts, order: &Order<'_>) -> LoadFacts {
    let known = order.reference.and_then(|reference| {
        let Some(Facts::Load(measured)) = &reference.last(TestName::Load)?.facts else { return None };
        Some((measured.share()?, measured.first_and_last_mbps()?.0))
    });
    match known {
        Some((share, mbps)) if load.allowed_mbps > 0.0 => {
            // Whether this computer is the limit is told by what the reference card reached of its own line and bus: a
            // card with more ports is asked for no more than it moved, and that makes the computer no slower.
            load.bench_is_limit = share < LINE_IS_LIMIT;
            load.bench_share = share.min(mbps / load.allowed_mbps);
        }
        _ => load.measure_the_bench(),
    }
    load
}

/// What the kernel counted and the devices noted meanwhile; none where neither says.
fn grown(before: BusCounts, after: BusCounts) -> Option<BusErrors> {
    // A note that is gone was taken back by somebody: nothing is counted anew for it.
    let noted = newer(before.noted, after.noted, |_| 0);
    let counted = newer(before.counted, after.counted, |after| after);
    match (counted, noted) {
        (Some(mut counted), Some(noted)) => {
            counted.add(&noted);
            Some(counted)
        }
        (counted, noted) => counted.or(noted),
    }
}

/// Growth of counts; `fallen` says what one that became smaller has grown by.
fn newer(before: Option<BusErrors>, after: Option<BusErrors>, fallen: fn(u64) -> u64) -> Option<BusErrors> {
    let (before, after) = (before?, after?);
    let more = |before: u64, after: u64| after.checked_sub(before).unwrap_or_else(|| fallen(after));
    Some(BusErrors {
        corrected: more(before.corrected, after.corrected),
        nonfatal: more(before.nonfatal, after.nonfatal),
        fatal: more(before.fatal, after.fatal),
    })
}

/// Errors of this test, and of those before it in the same slot, since the bus was judged last.
fn add_errors(bus: &mut BusFacts, test: &CardTest, now: Option<BusErrors>, took_s: f64) {
    let since = test.attempts.iter().rposition(|attempt| attempt.test == TestName::Bus && attempt.is_done());
    let earlier = test.attempts[since.map_or(0, |at| at + 1)..].iter();
    // Those of a test that is repeated alone count too.
    let here = earlier.filter(|attempt| attempt.slot == test.slot);
    let watched = here.map(|attempt| (attempt.bus_errors, attempt.took_s)).chain([(now, took_s)]);
    bus.uncounted = now.is_none();
    for (errors, took_s) in watched {
        let Some(errors) = errors else { continue };
        bus.watched_s += took_s;
        bus.correctable += errors.corrected;
        bus.nonfatal += errors.nonfatal;
        bus.fatal += errors.fatal;
    }
}

/// Longest time to link where the procedure says none. Copper takes up to about four seconds to negotiate (common
/// practice, no source).
const LINK_PATIENCE: Duration = Duration::from_secs(6);

#[cfg(test)]
mod tests;
