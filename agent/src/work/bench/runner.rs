//! Carries out the tests of cards on a bench: in which order, with which plugs, and what is asked of hands.

use std::collections::BTreeSet;

use serde::Serialize;
use turnback_core::{
    bench::{
        attempt::Attempt,
        blame::{Use, at_fault},
        findings::{RestsOn, findings},
        procedure::{Procedure, TestName},
    },
    document::{
        Document,
        card_test::{CardTest, Grade, Proof, settle::BenchKnows, step::Step},
        lot::Lot,
    },
    judge::RuleId,
};

use super::{
    BenchError,
    hands::{fitting, moved, only},
    looks::{Seen, lights, sticker},
    lot::{self, card_tests},
    numbers::{numbered, recognised},
    plugs::others_used_plugs,
    seam::{Ask, Bench, Came, Occasion, Order, Place, Present, Wish},
};
use crate::{
    archive::{Archive, Listed, Query},
    engine::cancel::Cancel,
    work::{PROGRAM, now, this_moment},
};

/// What happens on the bench.
#[derive(Clone, Debug, Serialize)]
#[serde(tag = "event", rename_all = "kebab-case")]
pub enum BenchEvent {
    /// A test begins.
    TestBegan {
        /// Label of the card.
        card: String,
        /// The test.
        test: TestName,
        /// Label of the slot.
        slot: String,
        /// Label of the plug in each port.
        plugs: Vec<Option<String>>,
    },
    /// A test ended.
    TestEnded {
        /// Label of the card.
        card: String,
        /// The test.
        test: TestName,
        /// Rules whose limits were not met.
        failed: Vec<RuleId>,
        /// How long it took, seconds.
        took_s: f64,
    },
    /// A test was cut off, and the card is left for another time.
    CutOff {
        /// Label of the card.
        card: String,
        /// The test; none if it had not begun.
        test: Option<TestName>,
        /// Why.
        why: String,
    },
    /// A card has a grade, or cannot get one now.
    Graded {
        /// Label of the card.
        card: String,
        /// The grade.
        grade: Grade,
    },
}

/// Tells what happens.
pub type Say<'a> = &'a mut dyn FnMut(BenchEvent);

/// A bench at work on a lot.
pub struct BenchRunner<'a> {
    /// The lot.
    pub lot: Lot,
    archive: &'a mut dyn Archive,
    bench: &'a mut dyn Bench,
    name: String,
    cancel: Cancel,
    last_ms: i64,
    /// The newest test of the reference card, if the bench is proved by it.
    reference: Option<CardTest>,
}

/// What became of a step that needs hands.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Exchanged {
    /// The test can begin; whatever had to be moved was.
    Nothing,
    /// A plug or slot was tried with the reference card.
    Proved,
    /// It cannot be done now. The card stays unfinished.
    NotPossible,
    /// The person goes on another time.
    Left,
}

/// How far the work on a card or lot came.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Led {
    ToItsEnd,
    Left,
}

impl<'a> BenchRunner<'a> {
    /// A bench with a lot. `name` tells its plugs and slots from those of other benches.
    ///
    /// # Errors
    /// [`BenchError::LotClosed`].
    pub fn new(
        lot: Lot,
        archive: &'a mut dyn Archive,
        bench: &'a mut dyn Bench,
        name: String,
        cancel: Cancel,
    ) -> Result<Self, BenchError> {
        if lot.closed.is_some() {
            return Err(BenchError::LotClosed(lot.label));
        }
        Ok(Self { lot, archive, bench, name, cancel, last_ms: 0, reference: None })
    }

    /// Label of the card with this number in the lot.
    fn label(&self, number: u32) -> String {
        format!("{}-{number:02}", self.lot.label)
    }

    /// Tests the cards of the lot that have no grade yet, or those that are named.
    ///
    /// # Errors
    /// [`BenchError`].
    pub fn test(&mut self, cards: &[String], ask: Ask<'_>, say: Say<'_>) -> Result<(), BenchError> {
        let known = card_tests(&*self.archive, &self.lot.label)?;
        let mut there = recognised(&self.lot, self.bench.cards()?, &known);
        let label = |number: &Option<u32>| number.map(|number| self.label(number));
        let is_meant = |(number, present): &(Option<u32>, Present), name: &String| {
            label(number).as_ref() == Some(name) || present.names.contains(name)
        };
        if let Some(unknown) = cards.iter().find(|name| !there.iter().any(|card| is_meant(card, name))) {
            let name = |(number, present): &(Option<u32>, Present)| label(number).or(present.slot.clone());
            let known: Vec<String> = there.iter().filter_map(name).collect();
            let (lot, card) = (self.lot.label.clone(), unknown.clone());
            return Err(BenchError::NoCard { lot, card, known: known.join(", ") });
        }
        there.retain(|card| cards.is_empty() || cards.iter().any(|name| is_meant(card, name)));
        let cannot = there.iter().find(|(_, present)| !present.why_not.is_empty());
        if let Some((number, present)) = cannot.filter(|_| !cards.is_empty()) {
            let card = label(number).or(present.slot.clone()).unwrap_or_default();
            return Err(BenchError::NotTestable { card, why: present.why_not.join("; ") });
        }
        there.retain(|(_, present)| present.why_not.is_empty());
        let (there, too_many) = numbered(&self.lot, there, &known);
        let there: Vec<_> = there.into_iter().map(|(number, present)| (self.label(number), present)).collect();
        for present in too_many {
            let (card, lot) = (present.slot.unwrap_or_default(), &self.lot);
            let why = format!("lot {} has no number left for it: it was opened for {}", lot.label, lot.quantity);
            if !cards.is_empty() {
                return Err(BenchError::NotTestable { card, why });
            }
            say(BenchEvent::CutOff { card, test: None, why });
        }
        if self.prove(ask, say)? == Led::Left {
            return Ok(());
        }
        for (label, present) in there {
            let test = match known.iter().find(|test| test.label == label) {
                Some(test) if test.grade == Grade::Unfinished && test.next.is_some() => test.clone(),
                // One that was graded, or cannot be, is tested again only if somebody names it.
                Some(_) if cards.is_empty() => continue,
                _ => self.new_test(label, &present),
            };
            let led = self.lead(test, ask, say)?;
            lot::settle(self.archive, &mut self.lot)?;
            if led == Led::Left || self.cancel.is_cancelled() {
                break;
            }
        }
        Ok(())
    }

    /// Tests the reference card, unless it was tested not long ago.
    fn prove(&mut self, ask: Ask<'_>, say: Say<'_>) -> Result<Led, BenchError> {
        let Some(reference) = self.bench.reference()? else { return Ok(Led::ToItsEnd) };
        let is_own =
            |test: &CardTest| test.is_reference && test.label == REFERENCE_LABEL && test.card.is(&reference.card);
        let own = self.all_tests()?.into_iter().filter(is_own);
        let newest = own.max_by(|a, b| a.test.cmp(&b.test));
        let lasts_ms = self.lot.procedure.bench_proof_lasts.as_millis() as i64;
        let holds = |test: &CardTest| {
            test.grade == Grade::Accepted && ended_ms(test) + lasts_ms > jiff::Timestamp::now().as_millisecond()
        };
        let procedure = Procedure { identity: None, light: None, may_lack: Vec::new(), ..self.lot.procedure.clone() };
        let test = match newest {
            Some(test) if holds(&test) && test.procedure == procedure => {
                self.reference = Some(test);
                return Ok(Led::ToItsEnd);
            }
            Some(test) if test.grade == Grade::Unfinished && test.next.is_some() && test.procedure == procedure => test,
            _ => self.reference_test(REFERENCE_LABEL, &reference, procedure),
        };
        let led = self.lead(test, ask, say)?;
        let tested = self.all_tests()?.into_iter().filter(is_own);
        self.reference = tested.max_by(|a, b| a.test.cmp(&b.test)).filter(holds);
        Ok(led)
    }

    fn reference_test(&self, label: &str, reference: &Present, procedure: Procedure) -> CardTest {
        let mut test = self.new_test(label.to_owned(), reference);
        (test.lot, test.is_reference, test.procedure) = (None, true, procedure);
        test.slot = reference.slot.clone().unwrap_or_else(|| REFERENCE_SLOT.to_owned());
        test
    }

    fn new_test(&self, label: String, present: &Present) -> CardTest {
        CardTest {
            program: PROGRAM.to_owned(),
            test: uuid::Uuid::now_v7().to_string(),
            lot: Some(self.lot.label.clone()),
            bench: self.name.clone(),
            started_at: now(),
            changed_at: this_moment(),
            slot: present.slot.clone().unwrap_or_default(),
            ..CardTest::of(label, present.card.clone(), self.lot.claim.clone(), self.lot.procedure.clone())
        }
    }

    /// Leads one card through its procedure.
    fn lead(&mut self, mut test: CardTest, ask: Ask<'_>, say: Say<'_>) -> Result<Led, BenchError> {
        for attempt in test.attempts.iter_mut().filter(|attempt| !attempt.is_done()) {
            attempt.cut_off.get_or_insert_with(|| "the program ended before the test did".to_owned());
        }
        if !self.find(&mut test, say)? {
            return Ok(Led::ToItsEnd);
        }
        let mut knows = self.knows(&test)?;
        if test.plugs.is_empty() || others_used_plugs(&test, &knows.history) {
            if test.plugs.is_empty() {
                self.place(&mut test, &knows)?;
            }
            self.keep(&mut test, &knows)?;
            match ask(&fitting(&test, self.bench.place_of(&test)?), Occasion::Fitting)? {
                Wish::Go | Wish::Read(_) => {}
                Wish::Nobody => return Ok(Led::ToItsEnd),
                Wish::Leave => return Ok(Led::Left),
            }
        }
        self.keep(&mut test, &knows)?;
        while let Some(step) = test.next.clone() {
            if self.cancel.is_cancelled() {
                return Ok(Led::Left);
            }
            if !self.is_moved_already(&test, &step)? {
                match self.exchange(&mut test, &step, &knows, ask, say)? {
                    Exchanged::Nothing => {}
                    Exchanged::Proved => {
                        knows = self.knows(&test)?;
                        self.keep(&mut test, &knows)?;
                        continue;
                    }
                    Exchanged::NotPossible => break,
                    Exchanged::Left => return Ok(Led::Left),
                }
            }
            let sticker = match sticker(self.bench, &test, step.test(), ask)? {
                Wish::Leave => return Ok(Led::Left),
                Wish::Read(text) => Some(text),
                Wish::Go | Wish::Nobody => None,
            };
            let Some(lights) = lights(self.bench, &test, step.test(), ask)? else { return Ok(Led::Left) };
            let seen = Seen { sticker: sticker.as_deref(), lights: &lights };
            if !self.attempt(&mut test, step.test(), seen, &knows, say)? {
                return Ok(if self.cancel.is_cancelled() { Led::Left } else { Led::ToItsEnd });
            }
        }
        if !self.cancel.is_cancelled() {
            say(BenchEvent::Graded { card: test.label.clone(), grade: test.grade });
        }
        Ok(Led::ToItsEnd)
    }

    /// Finds the card where it is now. False: it is nowhere.
    fn find(&mut self, test: &mut CardTest, say: Say<'_>) -> Result<bool, BenchError> {
        match self.bench.place_of(test)? {
            Place::AsTold => {}
            Place::In(slot) => test.slot = slot,
            Place::Nowhere => {
                let why = format!("it is not in {} any more", test.slot);
                say(BenchEvent::CutOff { card: test.label.clone(), test: None, why });
                return Ok(false);
            }
        }
        Ok(true)
    }

    /// The computer was switched off for this step, and the card stands in another slot since.
    fn is_moved_already(&mut self, test: &CardTest, step: &Step) -> Result<bool, BenchError> {
        let Step::OtherSlot { not, .. } = step else { return Ok(false) };
        Ok(matches!(self.bench.place_of(test)?, Place::In(slot) if !not.contains(&slot)))
    }

    /// Has moved what a step asks for.
    fn exchange(
        &mut self,
        test: &mut CardTest,
        step: &Step,
        knows: &BenchKnows,
        ask: Ask<'_>,
        say: Say<'_>,
    ) -> Result<Exchanged, BenchError> {
        let to = self.offered(test, step, &knows.history);
        let Some(hands) = step.hands(test, to.as_deref()) else { return Ok(Exchanged::Nothing) };
        let needs_thing = matches!(step, Step::OtherPlug { .. } | Step::OtherSlot { .. });
        let proves = matches!(step, Step::ProvePlug { .. } | Step::ProveSlot { .. });
        if (needs_thing && to.is_none()) || (proves && self.bench.reference()?.is_none()) {
            // No good one is left. The card stays unfinished, and says what it needs.
            return Ok(Exchanged::NotPossible);
        }
        match ask(&hands, Occasion::Exchange)? {
            Wish::Go | Wish::Read(_) => {}
            Wish::Nobody => return Ok(Exchanged::NotPossible),
            Wish::Leave => return Ok(Exchanged::Left),
        }
        if proves {
            return Ok(if self.prove_thing(step, say)? { Exchanged::Proved } else { Exchanged::NotPossible });
        }
        moved(test, step, to.unwrap_or_default());
        if !self.find(test, say)? || (matches!(step, Step::OtherSlot { not, .. } if not.contains(&test.slot))) {
            return Ok(Exchanged::NotPossible);
        }
        Ok(Exchanged::Nothing)
    }

    /// Tries a plug or slot with the reference card. False: it could not be done.
    fn prove_thing(&mut self, step: &Step, say: Say<'_>) -> Result<bool, BenchError> {
        let thing = match step {
            Step::ProvePlug { plug, .. } => plug,
            Step::ProveSlot { slot, .. } => slot,
            _ => return Ok(false),
        };
        let Some(reference) = self.bench.reference()? else { return Ok(false) };
        let label = format!("{REFERENCE_LABEL} with {thing}");
        let mut test = self.reference_test(&label, &reference, only(&self.lot.procedure, step.test()));
        let knows = self.knows(&test)?;
        self.place(&mut test, &knows)?;
        match step {
            Step::ProvePlug { plug, .. } => {
                // The other ports keep good plugs, which are not this one.
                let other = |label: &Option<String>| label.as_ref() == Some(plug);
                if let Some(at) = test.plugs.iter().position(other) {
                    test.plugs.swap(0, at);
                } else {
                    test.plugs[0] = Some(plug.clone());
                }
            }
            _ if reference.slot.as_ref().is_none_or(|slot| slot == thing) => test.slot.clone_from(thing),
            // It is somewhere else still.
            _ => return Ok(false),
        }
        self.attempt(&mut test, step.test(), Seen::default(), &knows, say)
    }

    /// The first good slot, and good plugs.
    fn place(&self, test: &mut CardTest, knows: &BenchKnows) -> Result<(), BenchError> {
        let (bad_slots, bad_plugs) = (at_fault(&knows.history, RestsOn::Slot), at_fault(&knows.history, RestsOn::Plug));
        let needs = |what| BenchError::NothingLeft { card: test.label.clone(), what };
        if !test.is_reference && test.slot.is_empty() {
            // Cards go through all slots in turn, as on a bench where several are at work.
            let slots = self.bench.slots();
            let good: Vec<&String> = slots.iter().filter(|slot| !bad_slots.contains(*slot)).collect();
            let used = knows.history.iter().filter(|use_| use_.on == RestsOn::Slot).map(|use_| &use_.card);
            let turn = used.collect::<BTreeSet<_>>().len();
            let slot = good.get(turn % good.len().max(1)).ok_or_else(|| needs("slot"))?;
            test.slot = (*slot).clone();
        }
        let plugs = self.bench.plugs(&test.slot, test.card.ports.len());
        let mut good = plugs.into_iter().filter(|plug| !bad_plugs.contains(plug));
        let plugs: Option<Vec<Option<String>>> = test.card.ports.iter().map(|_| good.next().map(Some)).collect();
        test.plugs = plugs.ok_or_else(|| needs("plug"))?;
        Ok(())
    }

    /// The plug or slot that a step needs, if the bench has a good one.
    fn offered(&self, test: &CardTest, step: &Step, others: &[Use]) -> Option<String> {
        let history: Vec<Use> = others.iter().cloned().chain(test.uses()).collect();
        let good = |on| {
            let bad = at_fault(&history, on);
            move |thing: &String| !bad.contains(thing)
        };
        match step {
            Step::OtherPlug { not, .. } => {
                let is_free = |plug: &String| !not.contains(plug) && !test.plugs.iter().flatten().any(|p| p == plug);
                let plugs = self.bench.plugs(&test.slot, test.card.ports.len());
                plugs.into_iter().filter(good(RestsOn::Plug)).find(is_free)
            }
            Step::OtherSlot { not, .. } => {
                self.bench.slots().into_iter().filter(good(RestsOn::Slot)).find(|slot| !not.contains(slot))
            }
            _ => None,
        }
    }

    /// One try at a test, kept before and after. False: it was cut off.
    fn attempt(
        &mut self,
        test: &mut CardTest,
        name: TestName,
        Seen { sticker, lights }: Seen<'_>,
        knows: &BenchKnows,
        say: Say<'_>,
    ) -> Result<bool, BenchError> {
        let began_ms = jiff::Timestamp::now().as_millisecond().max(self.last_ms + 1);
        self.last_ms = began_ms;
        let done = test.attempts.iter().filter(|attempt| attempt.test == name && attempt.is_done()).count() as u64;
        test.attempts.push(Attempt {
            test: name,
            slot: test.slot.clone(),
            plugs: test.plugs.clone(),
            began_ms,
            took_s: 0.0,
            facts: None,
            findings: Vec::new(),
            bus_errors: None,
            cut_off: None,
        });
        self.keep(test, knows)?;
        let (card, slot, plugs) = (test.label.clone(), test.slot.clone(), test.plugs.clone());
        say(BenchEvent::TestBegan { card: card.clone(), test: name, slot, plugs });
        let order = Order { test, name, attempt: done + 1, reference: self.reference.as_ref(), sticker, lights };
        let archive = &mut *self.archive;
        let mut keep = |report| Ok(archive.put(&Document::from(report))?);
        let came = self.bench.measure(&order, &mut keep, &self.cancel)?;
        let Some(last) = test.attempts.last_mut() else { return Ok(false) };
        let measured = match came {
            Came::Measured(measured) => measured,
            Came::Ended => {
                last.cut_off = Some("ended by hand".to_owned());
                self.keep(test, knows)?;
                return Ok(false);
            }
            Came::CutOff(why) => {
                last.cut_off = Some(why.clone());
                self.keep(test, knows)?;
                say(BenchEvent::CutOff { card, test: Some(name), why });
                return Ok(false);
            }
        };
        let took_s = measured.took_s;
        last.findings = findings(&measured.facts, &test.procedure, &test.card, &test.claim);
        (last.facts, last.took_s, last.bus_errors) = (Some(measured.facts), took_s, measured.bus_errors);
        let failed = last.findings.iter().filter(|finding| !finding.met).map(|f| f.rule.clone()).collect();
        self.keep(test, knows)?;
        say(BenchEvent::TestEnded { card, test: name, failed, took_s });
        Ok(true)
    }

    fn all_tests(&self) -> Result<Vec<CardTest>, BenchError> {
        let found = self.archive.list(Query::CardTests { lot: None }, None)?;
        Ok(found.into_iter().filter_map(Listed::into_card_test).filter(|test| test.bench == self.name).collect())
    }

    /// What the bench knows beside this card.
    fn knows(&self, test: &CardTest) -> Result<BenchKnows, BenchError> {
        let others: Vec<CardTest> = self.all_tests()?.into_iter().filter(|other| other.test != test.test).collect();
        let strangers = others.iter().filter(|other| !other.card.is(&test.card));
        let proof = self.reference.as_ref().map(|reference| Proof {
            test: reference.test.clone(),
            at: reference.changed_at.clone(),
            at_ms: ended_ms(reference),
        });
        Ok(BenchKnows {
            history: others.iter().flat_map(CardTest::uses).collect(),
            addresses: strangers
                .flat_map(|other| other.card.addresses().map(|address| (other.label.clone(), address.to_owned())))
                .chain(self.bench.neighbours(&test.slot))
                .collect(),
            proof,
        })
    }

    fn keep(&mut self, test: &mut CardTest, knows: &BenchKnows) -> Result<(), crate::archive::error::ArchiveError> {
        test.settle(knows);
        test.changed_at = this_moment();
        test.program = PROGRAM.to_owned();
        self.archive.put(&Document::from(test.clone()))
    }
}

fn ended_ms(test: &CardTest) -> i64 {
    test.attempts.last().map_or(0, |attempt| attempt.began_ms + (attempt.took_s * 1e3) as i64)
}

const REFERENCE_LABEL: &str = "reference";
/// The slot in which the reference card stays.
const REFERENCE_SLOT: &str = "reference";
