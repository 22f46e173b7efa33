//! Carries out the tests of cards on a bench: in which order, with which plugs, and what is asked of hands.

mod attempts;
mod together;

use std::collections::BTreeSet;

use turnback_core::{
    bench::procedure::Procedure,
    document::{
        Document,
        card_test::{CardTest, Grade, Proof, settle::BenchKnows, step::Step},
        lot::Lot,
    },
};

use super::{
    BenchError,
    asking::{Ask, BenchEvent, Request, Say, Wish},
    expected::Took,
    hands::{fitting, moved, only, was_moved},
    looks::{Looked, Seen, lights, sticker},
    lot::{self, card_tests},
    numbers::{numbered, recognised},
    placing::{Kept, offered, others_used_parts, place},
    seam::{Bench, Occasion, Place, Present, REFERENCE_SLOT},
};
use crate::{
    archive::{Archive, Listed, Query},
    engine::cancel::Cancel,
    work::{PROGRAM, now, this_moment},
};

/// In which manner the cards of a lot are tested.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub enum Manner {
    /// Somebody stands at a terminal and answers: as many cards as there is room for, each as far as it goes.
    #[default]
    CardByCard,
    /// One test, then the first card that can be tested has its turn again. A card that waits for hands keeps its slot
    /// and plugs.
    TestByTest {
        /// Ids of card tests that have no turn now, and keep nothing.
        without: BTreeSet<String>,
        /// Cards may be given what others keep: all of them wait for each other.
        regardless: bool,
        /// The reference card is tested although its last test did not pass.
        prove_again: bool,
    },
}

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
    manner: Manner,
    /// Cards that wait to be tested side by side. They keep their slots and plugs.
    aside: Vec<CardTest>,
    /// How long tests took.
    took: Took,
    /// Cards that wait for what another card has, each with what that is.
    pub waits: Vec<(String, String)>,
    tested: bool,
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
    /// Nobody has answered yet, or another card has what it needs.
    Waits,
    /// The person goes on another time.
    Left,
}

/// How far the work on a card or lot came.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Led {
    ToItsEnd,
    /// It waits, or others have their turn.
    ForNow,
    /// It waits for other cards, to be tested beside them.
    Aside,
    Left,
}

/// How long cards are tested side by side.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Until {
    /// Until none is left.
    AllEnd,
    /// Until a card makes room for the next.
    OneEnds,
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
        let (manner, waits) = (Manner::default(), Vec::new());
        Ok(Self {
            lot,
            archive,
            bench,
            name,
            cancel,
            last_ms: 0,
            reference: None,
            manner,
            aside: Vec::new(),
            took: Took::default(),
            waits,
            tested: false,
        })
    }

    /// The same, working in this manner.
    #[must_use]
    pub fn in_manner(mut self, manner: Manner) -> Self {
        self.manner = manner;
        self
    }

    /// Label of the card with this number in the lot.
    fn label(&self, number: u32) -> String {
        format!("{}-{number:02}", self.lot.label)
    }

    /// Tests the cards of the lot that have no grade yet, or those that are named. True: a test was made, so that there
    /// may be more to do; false: nothing is left to do now.
    ///
    /// # Errors
    /// [`BenchError`].
    pub fn test(&mut self, cards: &[String], ask: Ask<'_>, say: Say<'_>) -> Result<bool, BenchError> {
        let known = card_tests(&*self.archive, &self.lot.label)?;
        self.took = Took::of(&known);
        let mut there = recognised(&self.lot, self.bench.cards()?, &known);
        let known = self.without_plugs_of_the_gone(known, &there)?;
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
        let to_lead = |(label, present): (String, Present)| match known.iter().find(|test| test.label == label) {
            Some(test) if test.grade == Grade::Unfinished && test.next.is_some() => Some(test.clone()),
            // One that was graded, or cannot be, is tested again only if somebody names it.
            Some(_) if cards.is_empty() => None,
            _ => Some(self.new_test(label, &present)),
        };
        let mut tests: Vec<CardTest> = there.into_iter().filter_map(to_lead).collect();
        if let Manner::TestByTest { without, .. } = &self.manner {
            tests.retain(|test| !without.contains(&test.test));
            // Without a card nobody is asked to prove the bench.
            if tests.is_empty() {
                return Ok(false);
            }
        }
        if self.prove(ask, say)? != Led::ToItsEnd || (self.takes_turns() && self.tested) {
            return Ok(self.tested);
        }
        for test in tests {
            let mut led = self.lead(test.clone(), ask, say)?;
            while led == Led::ForNow && !self.takes_turns() && !self.aside.is_empty() {
                // What it needs is with those that wait to be tested together.
                led = self.together(Until::OneEnds, ask, say)?;
                if led != Led::Left {
                    led = self.lead(self.as_recorded(test.clone())?, ask, say)?;
                }
            }
            lot::settle(self.archive, &mut self.lot)?;
            if led == Led::Left || self.cancel.is_cancelled() || self.others_have_their_turn(led) {
                return Ok(self.tested);
            }
        }
        self.together(Until::AllEnd, ask, say)?;
        lot::settle(self.archive, &mut self.lot)?;
        Ok(self.tested)
    }

    /// After a test the first card has its turn again. What is asked for regardless of others is asked alone.
    fn others_have_their_turn(&self, led: Led) -> bool {
        let Manner::TestByTest { regardless, .. } = &self.manner else { return false };
        self.tested || (*regardless && led == Led::ForNow)
    }

    fn takes_turns(&self) -> bool {
        self.manner != Manner::CardByCard
    }

    /// Whoever takes a card out takes its plugs out too: they have to be fitted again when it is back.
    fn without_plugs_of_the_gone(
        &mut self,
        mut known: Vec<CardTest>,
        there: &[(Option<u32>, Present)],
    ) -> Result<Vec<CardTest>, BenchError> {
        let is_there = |test: &CardTest| there.iter().any(|(_, present)| test.card.is(&present.card));
        let is_open = |test: &CardTest| test.bench == self.name && !test.plugs.is_empty() && test.next.is_some();
        for test in known.iter_mut().filter(|test| is_open(test) && !is_there(test)) {
            test.plugs.clear();
            self.archive.put(&Document::from(test.clone()))?;
        }
        Ok(known)
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
            // Tested again and again by itself it would never end.
            Some(test) if test.procedure == procedure && self.takes_turns() && !self.proves_again() => {
                let why = test.why();
                return Err(BenchError::NotProved { grade: test.grade.name(), why });
            }
            _ => self.reference_test(REFERENCE_LABEL, &reference, procedure),
        };
        let led = self.lead(test, ask, say)?;
        let tested = self.all_tests()?.into_iter().filter(is_own);
        self.reference = tested.max_by(|a, b| a.test.cmp(&b.test)).filter(holds);
        Ok(led)
    }

    fn proves_again(&self) -> bool {
        matches!(self.manner, Manner::TestByTest { prove_again: true, .. })
    }

    fn reference_test(&self, label: &str, reference: &Present, procedure: Procedure) -> CardTest {
        let mut test = self.new_test(label.to_owned(), reference);
        (test.lot, test.is_reference, test.procedure) = (None, true, procedure);
        test.slot = reference.slot.clone().unwrap_or_else(|| REFERENCE_SLOT.to_owned());
        test
    }

    fn new_test(&self, label: String, present: &Present) -> CardTest {
        let removable = self.lot.procedure.transceiver.clone().unwrap_or_default().removable;
        CardTest {
            program: PROGRAM.to_owned(),
            test: uuid::Uuid::now_v7().to_string(),
            lot: Some(self.lot.label.clone()),
            bench: self.name.clone(),
            started_at: now(),
            changed_at: this_moment(),
            slot: present.slot.clone().unwrap_or_default(),
            transceivers: if removable { present.card.transceivers() } else { Vec::new() },
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
        if let Some(led) = self.fit(&mut test, &knows, ask)? {
            return Ok(led);
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
                    Exchanged::Waits => return Ok(Led::ForNow),
                    Exchanged::Left => return Ok(Led::Left),
                }
            }
            let sticker = match sticker(self.bench, &test, step.test(), ask)? {
                Wish::Leave => return Ok(Led::Left),
                Wish::Later => return Ok(Led::ForNow),
                Wish::Read(text) => Some(text),
                Wish::Go | Wish::Nobody => None,
            };
            if self.goes_aside(&test, &step) {
                self.aside.push(test);
                return Ok(Led::Aside);
            }
            let lights = match lights(self.bench, &test, step.test(), ask)? {
                Looked::Seen(lights) => lights,
                Looked::Later => return Ok(Led::ForNow),
                Looked::Leave => return Ok(Led::Left),
            };
            let seen = Seen { sticker: sticker.as_deref(), lights: &lights };
            if !self.attempt(&mut test, step.test(), seen, &knows, say)? {
                return Ok(if self.cancel.is_cancelled() { Led::Left } else { Led::ToItsEnd });
            }
            if self.takes_turns() && test.next.is_some() {
                return Ok(Led::ForNow);
            }
        }
        if !self.cancel.is_cancelled() {
            say(BenchEvent::Graded { card: test.label.clone(), grade: test.grade });
        }
        Ok(Led::ToItsEnd)
    }

    /// Has the card put into its slot and the plugs into its ports, unless they are there. None: they are.
    fn fit(&mut self, test: &mut CardTest, knows: &BenchKnows, ask: Ask<'_>) -> Result<Option<Led>, BenchError> {
        let kept = self.kept_by_others(test)?;
        let is_placed = !test.plugs.is_empty() && !kept.has_part_of(test);
        // What was asked for and not answered is asked for again.
        if is_placed && !test.attempts.is_empty() && !others_used_parts(test, &knows.history) {
            return Ok(None);
        }
        let tells_slot = self.bench.place_of(test)? == Place::AsTold;
        if !is_placed {
            match place(&*self.bench, test, &knows.history, &kept, tells_slot) {
                Ok(()) => {}
                Err(what) if kept.is_empty() => {
                    return Err(BenchError::NothingLeft { card: test.label.clone(), what });
                }
                Err(what) => {
                    self.waits.push((test.label.clone(), format!("every good {what} is in use")));
                    return Ok(Some(Led::ForNow));
                }
            }
        }
        self.keep(test, knows)?;
        let hands = fitting(test, self.bench.place_of(test)?);
        Ok(match ask(Request { hands: &hands, occasion: Occasion::Fitting, test })? {
            Wish::Go | Wish::Read(_) => None,
            Wish::Nobody => Some(Led::ToItsEnd),
            Wish::Later => Some(Led::ForNow),
            Wish::Leave => Some(Led::Left),
        })
    }

    /// Slots and plugs that other cards of the lot keep. The reference card waits for nobody: without it no card has a
    /// turn.
    fn kept_by_others(&self, test: &CardTest) -> Result<Kept, BenchError> {
        let (without, lot) = match (&self.manner, &test.lot) {
            (Manner::TestByTest { without, regardless: false, .. }, Some(lot)) => (without, lot),
            (Manner::CardByCard, Some(_)) => {
                return Ok(Kept::by(self.aside.iter().filter(|other| other.test != test.test)));
            }
            _ => return Ok(Kept::default()),
        };
        // The newest test of each: an older one that was left open holds nothing any more.
        let all = card_tests(&*self.archive, lot)?;
        let keeps = |other: &&CardTest| {
            other.bench == self.name
                && other.label != test.label
                && other.next.is_some()
                && !other.plugs.is_empty()
                && !without.contains(&other.test)
        };
        Ok(Kept::by(all.iter().filter(keeps)))
    }

    /// Finds the card where it is now. False: it is nowhere.
    fn find(&mut self, test: &mut CardTest, say: Say<'_>) -> Result<bool, BenchError> {
        match self.bench.place_of(test)? {
            Place::AsTold => {}
            Place::In(slot) => test.slot = slot,
            Place::Nowhere => {
                let why = format!("it is not in {} any more", test.slot);
                test.plugs.clear();
                self.archive.put(&Document::from(test.clone()))?;
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
        let kept = self.kept_by_others(test)?;
        let to = offered(&*self.bench, test, step, &knows.history, &kept);
        let Some(hands) = step.hands(test, to.as_deref()) else { return Ok(Exchanged::Nothing) };
        let can_be_any = matches!(step, Step::OtherTransceiver { .. }) && self.bench.reads_transceivers();
        let needs_thing = step.needs_another() && !can_be_any;
        if needs_thing && to.is_none() && offered(&*self.bench, test, step, &knows.history, &Kept::default()).is_some()
        {
            self.waits.push((test.label.clone(), "what it is to be exchanged with is in use".to_owned()));
            return Ok(Exchanged::Waits);
        }
        if (needs_thing && to.is_none()) || (step.tried().is_some() && !self.can_prove(step)?) {
            // No good one is left. The card stays unfinished, and says what it needs.
            return Ok(Exchanged::NotPossible);
        }
        match ask(Request { hands: &hands, occasion: Occasion::Exchange, test })? {
            Wish::Go | Wish::Read(_) => {}
            Wish::Nobody => return Ok(Exchanged::NotPossible),
            Wish::Later => return Ok(Exchanged::Waits),
            Wish::Leave => return Ok(Exchanged::Left),
        }
        if step.tried().is_some() {
            return Ok(if self.prove_thing(step, say)? { Exchanged::Proved } else { Exchanged::NotPossible });
        }
        moved(test, step, to.unwrap_or_default());
        if !self.find(test, say)? {
            return Ok(Exchanged::NotPossible);
        }
        test.transceivers = self.bench.transceivers_in(test);
        Ok(if was_moved(test, step) { Exchanged::Nothing } else { Exchanged::NotPossible })
    }

    /// Whether the bench has a reference card for this step. A transceiver is tried in a port that has one too.
    fn can_prove(&mut self, step: &Step) -> Result<bool, BenchError> {
        let Some(present) = self.bench.reference()? else { return Ok(false) };
        // Its own may be out of its port at this moment.
        let known = [Some(&present.card), self.reference.as_ref().map(|reference| &reference.card)];
        let has_one = known.into_iter().flatten().any(|card| matches!(card.transceivers().first(), Some(Some(_))));
        Ok(has_one || !matches!(step, Step::ProveTransceiver { .. }))
    }

    /// Tries a plug, transceiver or slot with the reference card. False: it could not be done.
    fn prove_thing(&mut self, step: &Step, say: Say<'_>) -> Result<bool, BenchError> {
        let Some(thing) = step.tried() else { return Ok(false) };
        let Some(reference) = self.bench.reference()? else { return Ok(false) };
        let label = format!("{REFERENCE_LABEL} with {thing}");
        let mut test = self.reference_test(&label, &reference, only(&self.lot.procedure, step.test()));
        test.tried = Some(thing.to_owned());
        let knows = self.knows(&test)?;
        let needs = |what| BenchError::NothingLeft { card: label, what };
        place(&*self.bench, &mut test, &knows.history, &Kept::default(), false).map_err(needs)?;
        match step {
            Step::ProvePlug { plug, .. } | Step::ProveTransceiver { plug, .. } => {
                // Nobody is asked to fit others, and what fails without one must not be put on one.
                test.plugs.fill(None);
                test.plugs[0] = Some(plug.clone());
                if let (Step::ProveTransceiver { transceiver, .. }, Some(first)) = (step, test.transceivers.first_mut())
                {
                    *first = Some(transceiver.clone());
                    test.transceivers = self.bench.transceivers_in(&test);
                    // Nobody fitted it.
                    if test.transceivers.first() != Some(&test.tried) {
                        return Ok(false);
                    }
                }
            }
            _ if reference.slot.as_ref().is_none_or(|slot| slot == thing) => test.slot = thing.to_owned(),
            // It is somewhere else still.
            _ => return Ok(false),
        }
        self.attempt(&mut test, step.test(), Seen::default(), &knows, say)
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
}

fn ended_ms(test: &CardTest) -> i64 {
    test.attempts.last().map_or(0, |attempt| attempt.began_ms + (attempt.took_s * 1e3) as i64)
}

/// Label of the reference card.
pub const REFERENCE_LABEL: &str = "reference";

#[cfg(test)]
mod exchanges;
#[cfg(test)]
mod tests;
