//! The seam between the runner and a bench: a simulated one, or this computer.

use turnback_core::{
    bench::{
        card::Card,
        facts::{Facts, LightFacts},
        procedure::TestName,
    },
    document::{card_test::CardTest, run::Report},
    kind::ethernet::counters::BusErrors,
};

use super::BenchError;
use crate::{engine::cancel::Cancel, ports::locate::Blinking};

/// A bench: its cards, slots and plugs, and what its tests measure.
pub trait Bench {
    /// The cards that are there, also those that cannot be tested now. The reference card is none of them.
    ///
    /// # Errors
    /// When nobody can say.
    fn cards(&mut self) -> Result<Vec<Present>, BenchError>;
    /// The reference card; none where the bench has none.
    ///
    /// # Errors
    /// When nobody can say.
    fn reference(&mut self) -> Result<Option<Present>, BenchError>;
    /// Where a card of a card test is now.
    ///
    /// # Errors
    /// When nobody can say.
    fn place_of(&mut self, test: &CardTest) -> Result<Place, BenchError>;
    /// Labels of the slots.
    fn slots(&self) -> Vec<String>;
    /// Labels of the plugs that may go into the ports of a card in this slot.
    fn plugs(&self, slot: &str, ports: usize) -> Vec<String>;
    /// Labels of the transceivers that may go into a port of a card in place of its own.
    fn transceivers(&self) -> Vec<String> {
        Vec::new()
    }
    /// The transceiver in each port of a card now, as far as it can be read; else as the card test has it.
    fn transceivers_in(&mut self, test: &CardTest) -> Vec<Option<String>> {
        test.transceivers.clone()
    }
    /// Transceivers are read, so that any of them may be fitted without being named before.
    fn reads_transceivers(&self) -> bool {
        false
    }
    /// Its cards are looked at by a person: stickers are read, and lights are watched.
    fn is_looked_at(&self) -> bool {
        false
    }
    /// Lets the light of a port of a card blink until what it gives is dropped; none where that cannot be.
    fn blink(&mut self, _test: &CardTest, _port: u32) -> Option<Blinking> {
        None
    }
    /// Takes a light that is to blink on: somebody was asked which one it is, and answers later.
    fn blink_on(&mut self, _test: &CardTest, _port: u32, _blinking: Blinking) {}
    /// Addresses of cards that are in other slots than this one at this moment, each with its slot.
    fn neighbours(&self, _slot: &str) -> Vec<(String, String)> {
        Vec::new()
    }
    /// How many of these tests, all of one name, can be carried out side by side, from the first on, so that none takes
    /// from another what it measures: one at least. Asked before they begin.
    ///
    /// # Errors
    /// When nobody can say.
    fn together(&mut self, _orders: &[Order<'_>], _cancel: &Cancel) -> Result<usize, BenchError> {
        Ok(1)
    }
    /// The same bench once more, for tests that go on by themselves while this one is asked for others. None: every
    /// test is waited for.
    fn second(&self) -> Option<Box<dyn Bench + Send>> {
        None
    }
    /// Begins tests that go on by themselves. What comes of them is told to the runner later. False: they are to be
    /// waited for.
    ///
    /// # Errors
    /// When they cannot begin.
    fn begin_apart(&mut self, _orders: &[Order<'_>], _cancel: &Cancel) -> Result<bool, BenchError> {
        Ok(false)
    }
    /// Which tests that go on by themselves this would disturb. None: nothing.
    fn disturbs(&self, _what: Disturbs) -> Option<String> {
        None
    }
    /// Carries out tests side by side. `each` is given what comes of each, by its place in the orders, as soon as it is
    /// there.
    ///
    /// # Errors
    /// As for [`Bench::measure`].
    fn measure_together(&mut self, orders: &[Order<'_>], each: Each<'_>, cancel: &Cancel) -> Result<(), BenchError> {
        for (at, order) in orders.iter().enumerate() {
            let came = self.measure(order, cancel)?;
            each(at, came)?;
        }
        Ok(())
    }
    /// Carries out a test.
    ///
    /// # Errors
    /// When it could not be carried out for a reason that says nothing about the card.
    fn measure(&mut self, order: &Order<'_>, cancel: &Cancel) -> Result<Came, BenchError>;
}

/// The slot in which the reference card stays, where its bench tells cards into slots.
pub const REFERENCE_SLOT: &str = "reference";

/// Takes what came of one of several tests.
pub type Each<'a> = &'a mut dyn FnMut(usize, Came) -> Result<(), BenchError>;

/// A card that is there.
#[derive(Clone, Debug)]
pub struct Present {
    /// Who it is.
    pub card: Card,
    /// The slot that it is in; none where it goes into the slot that it is told.
    pub slot: Option<String>,
    /// Its number in the lot, where the bench numbers its cards.
    pub number: Option<u32>,
    /// Names by which a person may mean it, beside its label.
    pub names: Vec<String>,
    /// Why it cannot be tested now; empty if it can.
    pub why_not: Vec<String>,
}

/// Where a card is.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Place {
    /// Where it was told to go.
    AsTold,
    /// In this slot.
    In(String),
    /// Nowhere.
    Nowhere,
}

/// What may disturb a test that goes on by itself.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Disturbs {
    /// This test of another card.
    Test(TestName),
    /// The computer is switched off.
    Off,
}

/// A test to carry out.
#[derive(Clone, Copy, Debug)]
pub struct Order<'a> {
    /// The card test that it is for: card, slot, plugs, procedure and earlier attempts.
    pub test: &'a CardTest,
    /// Which test.
    pub name: TestName,
    /// Which try this is, from 1.
    pub attempt: u64,
    /// The newest test of the reference card that proves the bench.
    pub reference: Option<&'a CardTest>,
    /// The address on the sticker, where somebody read it.
    pub sticker: Option<&'a str>,
    /// What a person saw of the lights, for the test `light`.
    pub lights: &'a [LightFacts],
}

/// What came of a test.
#[derive(Clone, Debug)]
pub enum Came {
    /// It was measured.
    Measured(Box<Measured>),
    /// It was ended by hand.
    Ended,
    /// It was cut off, for this reason. What was measured says nothing.
    CutOff(String),
    /// It failed beside other cards, which may have caused that. It is repeated alone, and nothing is said until then;
    /// only the errors on the card's own bus count.
    Repeat(Box<Measured>),
}

/// What a test measured.
#[derive(Clone, Debug)]
pub struct Measured {
    /// The facts.
    pub facts: Facts,
    /// How long it took, seconds.
    pub took_s: f64,
    /// Errors on the bus of the card meanwhile; none where nobody counts them.
    pub bus_errors: Option<BusErrors>,
    /// The runs that were made for it.
    pub runs: Vec<Report>,
}

impl Came {
    /// Facts without errors on the bus and without runs.
    pub fn measured(facts: Facts, took_s: f64) -> Self {
        Self::Measured(Box::new(Measured { facts, took_s, bus_errors: None, runs: Vec::new() }))
    }
}

/// How a person is asked: for what, and whether something that was in use is exchanged.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Occasion {
    /// A card is about to be tested: card and plugs go where they are said to be.
    Fitting,
    /// Something is exchanged, to tell a card from a plug or slot.
    Exchange,
    /// The address on the card's sticker is scanned or typed, if it has one.
    Sticker,
    /// The light of this port blinks, and somebody says which one it is, or that none does.
    Light(u32),
}
