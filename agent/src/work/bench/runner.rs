//! Carries out the tests of cards on a bench: in which order, with which plugs, and what is asked of hands.

mod attempts;
mod beside;
mod exchange;
mod lack;
mod together;

use std::collections::BTreeSet;

use turnback_core::{
    bench::procedure::{Procedure, TestName},
    document::{
        Document, DocumentKind,
        card_test::{
            CardTest, Grade, Proof,
            settle::{BenchKnows, Lack},
        },
        lot::Lot,
    },
};

use super::{
    BenchError,
    asking::{Ask, BenchEvent, Request, Say, Wish},
    expected::Took,
    hands::fitting,
    looks::{Looked, Seen, lights, sticker},
    lot::{self, card_tests},
    numbers::{numbered, recognised},
    placing::{Kept, others_used_parts, place},
    seam::{Bench, Disturbs, Occasion, Place, Present, REFERENCE_SLOT},
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
        /// Ids of card tests of which a test goes on by itself. They have no turn now, and keep what they have.
        apart: BTreeSet<String>,
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
    /// Cards that wait.
    pub waits: Vec<Waits>,
    /// Cards that stay unfinished because the bench lacks something, each by its label.
    pub lacks: Vec<(String, Lack)>,
    tested: bool,
}

/// A card that waits for another.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Waits {
    /// Label of the card.
    pub card: String,
    /// What it waits for.
    pub why: String,
    /// For a test that goes on by itself to end.
    pub is_for_apart: bool,
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

/// How a try at a test ended.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Tried {
    /// At its end.
    Done,
    /// It was cut off.
    CutOff,
    /// It has not: it goes on by itself.
    Apart,
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
        let (manner, waits, lacks) = (Manner::default(), Vec::new(), Vec::new());
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
            lacks,
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
        if let Manner::TestByTest { without, apart, .. } = &self.manner {
            tests.retain(|test| !without.contains(&test.test) && !apart.contains(&test.test));
            // Without a card nobody is asked to prove the bench.
            if tests.is_empty() {
                return Ok(false);
            }
        }
        let proved = match self.prove(ask, say) {
            Err(BenchError::NothingLeft { what, .. }) => {
                self.leave(tests, &Lack { what, is_another: false, is_of_reference: true })?;
                return Ok(self.tested);
            }
            proved => proved?,
        };
        if proved != Led::ToItsEnd || (self.takes_turns() && self.tested) {
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
        let newest = self.newest_of(&reference)?;
        let now_ms = jiff::Timestamp::now().as_millisecond();
        let procedure = Procedure { identity: None, light: None, may_lack: Vec::new(), ..self.lot.procedure.clone() };
        let test = match newest {
            Some(test) if self.proves_at(&test, now_ms) && test.procedure == procedure => {
                self.reference = Some(test);
                return Ok(Led::ToItsEnd);
            }
            // It would be tested with plugs that are in use. Until then nothing is tested that needs a proof.
            _ if self.bench.disturbs(Disturbs::Test(TestName::Links)).is_some() => return Ok(Led::ToItsEnd),
            Some(test) if test.grade == Grade::Unfinished && test.next.is_some() && test.procedure == procedure => test,
            // Tested again and again by itself it would never end.
            Some(test) if test.procedure == procedure && self.takes_turns() && !self.proves_again() => {
                let why = test.why();
                return Err(BenchError::NotProved { grade: test.grade.name(), why });
            }
            _ => self.reference_test(REFERENCE_LABEL, &reference, procedure),
        };
        let led = self.lead(test, ask, say)?;
        self.reference = self.newest_of(&reference)?.filter(|test| self.proves_at(test, now_ms));
        Ok(led)
    }

    /// The newest test of the reference card.
    fn newest_of(&self, reference: &Present) -> Result<Option<CardTest>, BenchError> {
        let is_own =
            |test: &CardTest| test.is_reference && test.label == REFERENCE_LABEL && test.card.is(&reference.card);
        Ok(self.all_tests()?.into_iter().filter(is_own).max_by(|a, b| a.test.cmp(&b.test)))
    }

    /// A test of the reference card proves the bench at this time, milliseconds since 1970 UTC.
    fn proves_at(&self, test: &CardTest, at_ms: i64) -> bool {
        let lasts_ms = self.lot.procedure.bench_proof_lasts.as_millis() as i64;
        test.grade == Grade::Accepted && ended_ms(test) + lasts_ms > at_ms
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
        test.settle(&knows);
        knows.lack = self.lack(&test, &knows)?;
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
            if self.is_held_up(&test, Disturbs::Test(step.test())) {
                return Ok(Led::ForNow);
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
            match self.attempt(&mut test, step.test(), seen, &knows, say)? {
                Tried::Done => {}
                Tried::Apart => return Ok(Led::ForNow),
                Tried::CutOff => return Ok(if self.cancel.is_cancelled() { Led::Left } else { Led::ToItsEnd }),
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
                Err(what) if kept.is_empty() && test.is_reference => {
                    return Err(BenchError::NothingLeft { card: test.label.clone(), what });
                }
                Err(what) if kept.is_empty() => {
                    self.lay_by(test, knows, Lack { what, is_another: false, is_of_reference: false })?;
                    return Ok(Some(Led::ToItsEnd));
                }
                Err(what) => {
                    self.wait(test, format!("every good {what} is in use"));
                    return Ok(Some(Led::ForNow));
                }
            }
        }
        self.keep(test, knows)?;
        let hands = fitting(test, self.bench.place_of(test)?);
        if hands.is_off && self.is_held_up(test, Disturbs::Off) {
            return Ok(Some(Led::ForNow));
        }
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
        let (without, apart, lot) = match (&self.manner, &test.lot) {
            (Manner::TestByTest { without, apart, regardless: false, .. }, Some(lot)) => (without, apart, lot),
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
        // Also the reference card, while a test of it goes on by itself.
        let mut under_test = Vec::new();
        for id in apart {
            if let Document::CardTest(test) = self.archive.get(DocumentKind::CardTest, id)? {
                under_test.push(*test);
            }
        }
        Ok(Kept::by(all.iter().filter(keeps).chain(&under_test)))
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

    fn wait(&mut self, test: &CardTest, why: String) {
        self.waits.push(Waits { card: test.label.clone(), why, is_for_apart: false });
    }

    /// Whether a card waits for a test that goes on by itself, because this would disturb that.
    fn is_held_up(&mut self, test: &CardTest, what: Disturbs) -> bool {
        let why = self.bench.disturbs(what);
        let is_held_up = why.is_some();
        self.waits.extend(why.map(|why| Waits { card: test.label.clone(), why, is_for_apart: true }));
        is_held_up
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
            lack: None,
        })
    }
}

fn ended_ms(test: &CardTest) -> i64 {
    test.attempts.last().map_or(0, |attempt| attempt.began_ms + (attempt.took_s * 1e3) as i64)
}

/// Label of the reference card.
pub const REFERENCE_LABEL: &str = "reference";

#[cfg(test)]
mod tests;
